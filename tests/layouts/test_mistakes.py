"""Every mistake in a layout file is told, at its place, all of them at once."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.documents.mistakes import Mistake, Mistakes
from handhold.errors import Exit
from handhold.layouts.catalogue import check_files, read_catalogue
from handhold.layouts.reading import read_draft

GOOD = """\
layout: 1
id: tinplate
title: Tinplate
homes:
  - {name: main, kind: folder, at: ["card:Tinplate"]}
keep:
  - {part: saves, path: "saves/**"}
skip:
  - {path: "cache/**", why: rebuilt}
carry: {states: false}
by_hand:
  before: [Install it.]
  after: [Map the buttons.]
"""
HEAD = "layout: 1\nid: tinplate\ntitle: Tinplate\n"
HOMES = "homes:\n- {name: main, kind: folder}\n"


def mistakes_in(text: str | bytes) -> list[Mistake]:
    mistakes: list[Mistake] = []
    read_draft(text if isinstance(text, bytes) else text.encode(), "x.yaml", mistakes)
    return mistakes


def test_a_good_one_has_none() -> None:
    assert mistakes_in(GOOD) == []
    assert mistakes_in(b"\xef\xbb\xbf" + GOOD.encode()) == [], "a byte order mark is no mistake"
    assert mistakes_in(GOOD.replace("\n", "\r\n")) == []


ONE_MISTAKE = [
    # the file, line, column, a piece of what is told
    (GOOD.replace("layout: 1", "layout: 2"), 1, 9, "form 2"),
    (GOOD.replace("layout: 1", "layout: one"), 1, 9, '"one"'),
    (GOOD.replace("layout: 1", 'layout: "1"'), 1, 9, '"1"'),
    (GOOD.replace("layout: 1\n", ""), 1, 1, 'no "layout"'),
    (GOOD.replace("id: tinplate", "id: Tin plate"), 2, 5, "Tin plate"),
    (GOOD.replace("id: tinplate", "id: 1942"), 2, 5, "the number 1942"),
    (GOOD.replace("id: tinplate", "id:"), 2, 4, "nothing"),
    (GOOD.replace("id: tinplate", "id: " + "a" * 41), 2, 5, "aaa"),
    (GOOD.replace("title: Tinplate", "title: [Tin]"), 3, 8, "a list"),
    (GOOD.replace("title: Tinplate", "title: true"), 3, 8, "true"),
    (GOOD.replace("title: Tinplate", "title: ''"), 3, 8, "empty"),
    (GOOD.replace("title: Tinplate", 'title: "a\\eb"'), 3, 8, "control"),
    (GOOD.replace("title: Tinplate", "title: " + "x" * 101), 3, 8, "101"),
    (GOOD.replace("title: Tinplate", "title: Tinplate\ntitle: Again"), 4, 1, '"title" a second time'),
    (GOOD.replace("title: Tinplate", "title: Tinplate\nversions: 3"), 4, 1, 'unknown key "versions"'),
    (GOOD.replace("title: Tinplate", "title: Tinplate\nexports: []"), 4, 1, 'unknown key "exports"'),
    (GOOD.replace("kind: folder", "kind: cave"), 5, 24, "cave"),
    (GOOD.replace("kind: folder", "knd: folder"), 5, 18, 'unknown key "knd"'),
    (GOOD.replace("name: main, ", ""), 5, 5, 'no "name"'),
    (GOOD.replace('["card:Tinplate"]', "7"), 5, 36, "the number 7"),
    (GOOD.replace('["card:Tinplate"]', "{card: Tinplate}"), 5, 36, "a table"),
    (GOOD.replace("card:Tinplate", "Tinplate"), 5, 37, "Tinplate"),
    (GOOD.replace("card:Tinplate", "card:/Tinplate"), 5, 37, "begins with"),
    (GOOD.replace("card:Tinplate", "card:a/../../b"), 5, 37, ".."),
    (GOOD.replace("card:Tinplate", "card:.."), 5, 37, ".."),
    (GOOD.replace("card:Tinplate", "card:a//b"), 5, 37, "empty name"),
    (GOOD.replace("card:Tinplate", "card:a/**"), 5, 37, "**"),
    (GOOD.replace("card:Tinplate", "ca rd:a"), 5, 37, "ca rd"),
    (GOOD.replace("card:Tinplate", r"card:a\\b"), 5, 37, "written form"),
    (GOOD.replace("card:Tinplate", r"card:a\0b"), 5, 37, "NUL"),
    (GOOD.replace("card:Tinplate", "card:" + "x" * 300), 5, 37, "too long"),
    (GOOD.replace("part: saves", "part: savs"), 7, 12, "savs"),
    (GOOD.replace("part: saves, ", ""), 7, 5, 'no "part"'),
    (GOOD.replace(', path: "saves/**"', ""), 7, 5, 'no "path"'),
    (GOOD.replace('"saves/**"', '"a**"'), 7, 25, "**"),
    (GOOD.replace('"saves/**"', '"{Game}.sav"'), 7, 25, "{Game}"),
    (GOOD.replace('"saves/**"', "{game}"), 7, 25, "a table"),
    (GOOD.replace('"saves/**"', '"saves/**", carry: yes'), 7, 44, '"yes"'),
    (GOOD.replace('"saves/**"', '"saves/**", home: ""'), 7, 43, '""'),
    (GOOD.replace("why: rebuilt", "part: cache"), 9, 24, 'unknown key "part"'),
    (GOOD.replace('  - {path: "cache/**", why: rebuilt}', "  - cache"), 9, 5, '"cache"'),
    (GOOD.replace("states: false", "states: 0"), 10, 17, "the number 0"),
    (GOOD.replace("states: false", "stats: false"), 10, 9, "stats"),
    (GOOD.replace("before: [Install it.]", "before: Install it."), 12, 11, "Install it."),
    (GOOD.replace("before: [Install it.]", "befor: [Install it.]"), 12, 3, "befor"),
    (GOOD.replace("[Map the buttons.]", "[3]"), 13, 11, "the number 3"),
    (HEAD, 1, 1, 'no "homes"'),
    (HEAD + HOMES + "- {name: main, kind: games}\n", 6, 10, "second home"),
    ("", 1, 1, "empty file"),
    ("# nothing\n", 1, 1, "empty file"),
    ("--- \n", 2, 1, "nothing"),
    ("just words\n", 1, 1, '"just words"'),
    ("- a\n- b\n", 1, 1, "a list"),
    (GOOD + "---\nlayout: 1\n", 14, 1, "second document"),
    (GOOD.replace("title: Tinplate", "title: &t Tinplate"), 3, 8, "an anchor"),
    (GOOD.replace("title: Tinplate", "title: *t"), 3, 8, "an alias"),
    (GOOD.replace("title: Tinplate", "title: !!str Tinplate"), 3, 8, "a tag"),
    (GOOD.replace("title: Tinplate", "title: !!python/object/apply:os.system [x]"), 3, 8, "a tag"),
    (GOOD.replace("title: Tinplate", "? [a]\n: b\ntitle: Tinplate"), 3, 3, "as a key"),
    (GOOD.replace("  - {name", "\t- {name"), 5, 1, "a tab"),
    (GOOD.replace("title: Tinplate", "title: 'Tin"), None, None, "not YAML"),
    (GOOD.replace('"saves/**"', "**/x"), 7, None, "not YAML"),
    (HEAD + "homes: " + "[" * 50 + "]" * 50, 4, 19, "too deep"),
    (HEAD + "homes: [" + "a, " * 30000 + "]", 4, None, "too many values"),
    (b"layout: 1\nid: caf\xe9\n", 2, 8, "UTF-8"),
    (b"PK\x03\x04" + bytes(100), 1, 3, "control"),
    (bytes(5000), 1, 1, "control"),
    (GOOD.encode("utf-16"), 1, 1, "UTF-8"),
    ("#" * 300_000, 1, 1, "too large"),
    (HEAD + HOMES + "keep:\n" + '- {part: saves, path: "a"}\n' * 1001, 7, 1, "1001 rules"),
]


@pytest.mark.parametrize(("text", "line", "column", "piece"), ONE_MISTAKE)
def test_one_mistake_at_its_place(
    text: str | bytes, line: int | None, column: int | None, piece: str
) -> None:
    found = mistakes_in(text)
    if piece == "a tag" and "python" in str(text):
        found = found[:1]  # the list that stands for a title is another
    assert len(found) == 1, found
    (mistake,) = found
    assert piece in mistake.what
    assert mistake.expected
    assert line is None or mistake.line == line
    assert column is None or mistake.column == column
    assert re.fullmatch(r"x\.yaml:\d+:\d+: .+, expected .+", str(mistake))


def test_all_at_once_in_all_files(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_text("layout: 2\nid: A\nlik: chosen-folder\nkeep: [{part: x, path: /}]\n")
    (tmp_path / "b.yaml").write_text("\tx: 1\n\ty: 2\n")
    (tmp_path / "c.yaml").write_text(GOOD)
    (tmp_path / "d.yml").write_text("")
    with pytest.raises(Mistakes) as caught:
        read_catalogue([tmp_path])
    assert caught.value.status == Exit.WRONG_INPUT
    lines = str(caught.value).splitlines()
    places = [tuple(line.removeprefix(f"{tmp_path}/").split(":")[:3]) for line in lines[:-1]]
    assert places == [
        ("a.yaml", "1", "1"),  # no title
        ("a.yaml", "1", "1"),  # no homes
        ("a.yaml", "1", "9"),
        ("a.yaml", "2", "5"),
        ("a.yaml", "3", "1"),
        ("a.yaml", "4", "15"),
        ("a.yaml", "4", "24"),
        ("b.yaml", "1", "1"),
        ("b.yaml", "2", "1"),
        ("d.yml", "1", "1"),
    ]
    assert (
        lines[4]
        == f'{tmp_path}/a.yaml:3:1: unknown key "lik" in a layout, expected one of layout, id, title, '
        "like, homes, keep, skip, inside, newest, forms, version, carry, by_hand (like?)"
    )


def test_a_file_of_garbage_does_not_fill_the_screen(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_text(HEAD + HOMES + "".join(f"k{n}: 1\n" for n in range(1000)))
    with pytest.raises(Mistakes) as caught:
        read_catalogue([tmp_path])
    assert len(caught.value.mistakes) == 1000
    assert str(caught.value).splitlines()[-2].endswith("and 800 more")


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.yaml")
    (tmp_path / "folder.yaml").mkdir()
    (tmp_path / "nowhere.yaml").symlink_to(tmp_path / "gone")
    (tmp_path / "loop.yaml").symlink_to(tmp_path / "loop.yaml")
    (tmp_path / "null.yaml").symlink_to("/dev/zero")
    (tmp_path / "._shadow.yaml").write_bytes(b"\0\0")  # other systems leave such files on cards
    (tmp_path / "notes.txt").write_text("no layout")
    mistakes = check_files((), [tmp_path, tmp_path / "missing"]).mistakes
    told = {m.file.removeprefix(f"{tmp_path}/"): m.what for m in mistakes}
    assert set(told) == {"pipe.yaml", "folder.yaml", "nowhere.yaml", "loop.yaml", "null.yaml", "missing"}
    assert "no plain file" in told["pipe.yaml"] and "no plain file" in told["null.yaml"]
    assert "no such file" in told["nowhere.yaml"]
    assert "cannot be listed" in told["missing"]


def test_a_file_without_permission(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root can look as another user")
    tmp_path.chmod(0o755)
    secret = tmp_path / "secret.yaml"
    secret.write_text(GOOD)
    secret.chmod(0)
    reading, writing = os.pipe()
    if (child := os.fork()) == 0:
        # As a user without rights, from an open folder: the way to it may be closed to others.
        try:
            os.chdir(tmp_path)
            os.setgid(65534)
            os.setuid(65534)
            mistakes: list[Mistake] = []
            from handhold.layouts.catalogue import read_files

            read_files([Path("secret.yaml")], mistakes)
            os.write(writing, "\n".join(map(str, mistakes)).encode())
        finally:
            os._exit(0)
    os.close(writing)
    with os.fdopen(reading) as pipe:
        told = pipe.read()
    os.waitpid(child, 0)
    assert told == "secret.yaml:1:1: a file that cannot be read (permission denied), expected a layout file"


def test_check_tells_only_of_the_files_that_were_asked_for(tmp_path: Path) -> None:
    own = tmp_path / "own"
    own.mkdir()
    (own / "bad.yaml").write_text("nonsense")
    (own / "base.yaml").write_text(GOOD.replace("tinplate", "base"))
    asked = tmp_path / "asked.yaml"
    asked.write_text(HEAD + "like: base\n")
    assert check_files([asked], [own]).mistakes == ()
    again = tmp_path / "again.yaml"
    again.write_text(HEAD.replace("tinplate", "base") + "like: chosen-folder\n")
    (mistake,) = check_files([again], [own]).mistakes
    assert (mistake.file, mistake.line, mistake.column) == (str(again), 2, 5)
    assert "base.yaml:2 has already" in mistake.what
    assert check_files([own], [own]).mistakes[0].file == str(own / "bad.yaml")
    assert check_files([], []).mistakes == ()


@given(st.binary(max_size=200) | st.text(alphabet="a:-[]{}\"'#&*!|>?%@ \n\t,1", max_size=60))
@settings(deadline=None, max_examples=300)
def test_any_bytes_give_mistakes_and_no_defect(data: bytes | str) -> None:
    found = mistakes_in(data)
    assert found, "no such file is a layout"
    assert all(m.line >= 1 and m.column >= 1 and "\n" not in str(m) for m in found)


@given(st.data())
@settings(deadline=None, max_examples=200)
def test_any_change_of_a_good_file_gives_a_layout_or_mistakes(data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(GOOD)))
    put = data.draw(st.text(alphabet="a:-[]{}\"'#&*!|>? \n\t,1/", max_size=3))
    cut = data.draw(st.integers(0, 3))
    text = GOOD[:at] + put + GOOD[at + cut :]
    mistakes: list[Mistake] = []
    draft = read_draft(text.encode(), "x.yaml", mistakes)
    assert draft.sound == (not mistakes)
