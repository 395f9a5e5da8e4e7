"""``layout draft`` as an owner types it. All names are invented."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from handhold.errors import Exit
from tests.cli.schemas import COUNT, MAYBE, TEXT, rows, table
from tests.cli.world import World

GAMES = ("Mole Hollow", "Ärger & Ruhm", "灯台")
COUNTS = {"type": "object", "additionalProperties": COUNT}
DRAFT = table(
    {
        "id": TEXT,
        "title": TEXT,
        "like": TEXT,
        "homes": rows(table({"name": TEXT, "kind": TEXT, "at": rows(TEXT)})),
        "file": MAYBE,
        "yaml": TEXT,
        "files": COUNT,
        "recognised": COUNTS,
        "claimed": COUNTS,
        "not_claimed": rows(table({"path": TEXT, "part": TEXT, "given": MAYBE, "why": TEXT})),
        "unsure": rows(table({"kind": TEXT, "path": TEXT, "files": COUNT, "examples": rows(TEXT)})),
        "unread": rows(table({"path": TEXT, "why": TEXT})),
        "notes": rows(TEXT),
    }
)


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    world.setup()
    folder = world.card / "Emulation/Hatch"
    for game in GAMES:
        world.write(folder / f"saves/{game}.sav", b"\1" * 8192)
        world.write(folder / f"states/{game} 1.st", b"\2" * 9000)
        world.write(folder / f"states/{game} 2.st", b"\3" * 9000)
    world.write(folder / "config/main.ini", "speed=2\n")
    return world


def hatch(world: World) -> str:
    return str(world.card / "Emulation/Hatch")


def files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_it_is_shown_and_nothing_is_written(world: World) -> None:
    before = files(world.layouts)
    said = world.run("layout", "draft", hatch(world))
    assert said.status == Exit.DONE
    assert 'at: ["card:Emulation/Hatch"]' in said.out
    assert '- {part: states, path: "states/{game} {slot}.st"}' in said.out
    assert "saves 3" in said.err and "claims every save and state" in said.err
    assert files(world.layouts) == before
    (world.layouts / "shown.yaml").write_text(said.out, "utf-8")
    assert world.run("layout", "check").status == Exit.DONE


def test_what_it_writes_is_used_by_the_next_survey(world: World) -> None:
    said = world.run("layout", "draft", hatch(world), "--write", "--id", "hatch-2", "--title", "The Hatch")
    assert said.status == Exit.DONE
    assert said.out.split() == ["Written", "to", f"{world.layouts / 'hatch-2.yaml'}."]
    assert world.run("layout", "check").status == Exit.DONE
    emulators = {one["id"]: one for one in world.run("survey", "--json").document["emulators"]}
    assert emulators["hatch-2"]["title"] == "The Hatch"
    counts = {part: tally["files"] for part, tally in emulators["hatch-2"]["parts"].items()}
    assert counts == {"saves": 3, "states": 6, "settings": 1}


def test_the_document(world: World) -> None:
    said = world.run("layout", "draft", hatch(world), "--json")
    assert said.status == Exit.DONE
    jsonschema.validate(said.document, DRAFT)
    document: Any = said.document
    assert (document["id"], document["title"], document["file"]) == ("hatch", "Hatch", None)
    assert document["recognised"] == {"saves": 3, "states": 6, "settings": 1} == document["claimed"]
    assert document["not_claimed"] == []
    written = world.run("layout", "draft", hatch(world), "--json", "--write").document
    assert written["yaml"] == document["yaml"]
    assert Path(written["file"]).read_text("utf-8") == document["yaml"]


def test_it_never_writes_over_a_file(world: World) -> None:
    (world.layouts / "Hatch.yaml").write_text(
        'layout: 1\nid: other\ntitle: Other\nlike: chosen-folder\nhomes: [{name: main, at: ["card:Other"]}]\n'
    )
    before = files(world.layouts)
    assert world.run("layout", "draft", hatch(world), "--write").status == Exit.DONE
    after = files(world.layouts)
    assert len(after) == len(before) + 1
    assert {name: after[name] for name in before} == before
    assert "hatch-2.yaml" in after
    assert world.run("layout", "check").status == Exit.DONE, "it has an id of its own"


@pytest.mark.parametrize("json", [[], ["--json"]])
def test_a_folder_that_has_a_layout_gets_no_second_one(world: World, json: list[str]) -> None:
    assert world.run("layout", "draft", hatch(world), "--write").status == Exit.DONE
    before = files(world.layouts)
    again = world.run("layout", "draft", hatch(world), "--write", "--id", "other", *json)
    assert again.status == Exit.WRONG_INPUT
    flat = " ".join(again.err.split())
    assert "is a home of hatch already, by" in flat and "Change that file" in flat
    assert files(world.layouts) == before
    shown = world.run("layout", "draft", hatch(world))
    assert shown.status == Exit.DONE and "has a home there already" in " ".join(shown.err.split())


def test_a_whole_volume_is_no_emulator(world: World) -> None:
    before = files(world.layouts)
    for folder in (world.card, world.card / "Emulation"):
        if folder != world.card:
            world.write(folder / "Barge/saves/Mole Hollow.sav", b"\1" * 8192)
        said = world.run("layout", "draft", str(folder), "--write")
        assert said.status == Exit.WRONG_INPUT
        flat = " ".join(said.err.split())
        assert "Emulation/Hatch" in flat and "Draft each by itself" in flat
    assert "layout draft" in flat and f"{world.card / 'Emulation/Barge'} --write" in flat.replace(
        " /", "/", 0
    )
    assert files(world.layouts) == before


def test_a_card_that_is_one_emulators(world: World) -> None:
    world.write(world.internal / "saves/Mole Hollow.sav", b"\1" * 8192)
    world.write(world.internal / "states/Mole Hollow.st1", b"\2" * 9000)
    document = world.run("layout", "draft", str(world.internal), "--write", "--json").document
    assert (document["id"], document["title"]) == ("internal", "internal")
    assert document["homes"][0]["at"] == ["internal:"]
    assert world.run("layout", "check").status == Exit.DONE
    assert world.run("snapshot").status == Exit.DONE
    kept = {(e["emulator"], e["path"]) for e in world.run("show", "--json").document["entries"]}
    assert {("internal", "saves/Mole Hollow.sav"), ("internal", "states/Mole Hollow.st1")} <= kept


def test_without_a_config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The owner has only just begun: no volumes, no layouts folder."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    world = World(tmp_path)
    world.write(world.card / "Hatch/saves/Mole Hollow.sav", b"\1" * 8192)
    said = world.bare("layout", "draft", str(world.card / "Hatch"), "--write")
    assert said.status == Exit.DONE
    file = tmp_path / "config/handhold/layouts/hatch.yaml"
    assert f"Written to {file}." in " ".join(said.out.split())
    assert 'at: ["*:Hatch"]' in file.read_text("utf-8")
    assert "lies in no volume of the config" in " ".join(said.err.split())
    assert world.bare("layout", "check").status == Exit.DONE


def test_where_it_lay_before_it_was_moved_out(world: World) -> None:
    (world.internal / "Android/data/com.example.hatch/files").mkdir(parents=True)
    document = world.run("layout", "draft", hatch(world), "--json").document
    assert document["like"] == "moved-folder"
    assert document["homes"] == [
        {"name": "main", "kind": "folder", "at": ["card:Emulation/Hatch"]},
        {"name": "inside", "kind": "private", "at": ["*:Android/data/com.example.hatch/files"]},
    ]


def test_app_private_storage(world: World) -> None:
    folder = world.internal / "Android/data/com.example.hatch/files"
    world.write(folder / "saves/Mole Hollow.sav", b"\1" * 8192)
    document = world.run("layout", "draft", str(folder), "--json").document
    assert document["like"] == "private-storage"
    assert document["title"] == "Hatch"
    assert document["homes"][0]["at"] == ["internal:Android/data/com.example.hatch/files"]


def test_several_emulators_in_one_folder_are_told(world: World) -> None:
    world.write(world.card / "Emulation/Barge/saves/Mole Hollow.sav", b"\1" * 8192)
    said = world.run("layout", "draft", str(world.card / "Emulation"))
    assert "draft each by itself" in " ".join(said.err.split())
    assert "Emulation/Barge and Emulation/Hatch" in " ".join(said.err.split())


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        (["{card}/nowhere"], "There is no folder"),
        (["{card}/Emulation/Hatch/config/main.ini"], "is a file, not a folder"),
        (["{card}/Emulation/Hatch/config/main.ini/x"], "There is no folder"),
        (["{card}/empty"], "There is no file in"),
        (["{card}/dull"], "(1 file) looks"),
        (["/"], "the whole system"),
        (["{card}/Emulation/Hatch", "--id", "Hatch"], "--id"),
        (["{card}/Emulation/Hatch", "--id", ""], "--id"),
        (["{card}/Emulation/Hatch", "--id", "tinplate"], 'The id "tinplate" is taken'),
        (["{card}/Emulation/Hatch", "--id", "zip-export"], 'The id "zip-export" is taken'),
        (["{card}/Emulation/Hatch", "--title", " "], "--title"),
        (["{card}/Emulation/Hatch", "--title", "x" * 101], "--title"),
        (["{card}/Emulation/Hatch", "--title", "bell\x07"], "--title"),
        ([], "FOLDER"),
    ],
)
def test_bad_input(world: World, typed: list[str], words: str) -> None:
    (world.card / "empty/inside").mkdir(parents=True)
    world.write(world.card / "dull/notes.txt", "milk, bread\n")
    before = files(world.layouts)
    said = world.run(
        "layout", "draft", *(word.replace("{card}", str(world.card)) for word in typed), "--write"
    )
    assert said.status == Exit.WRONG_INPUT
    assert words in " ".join(said.err.split())
    assert said.out == "" and "Traceback" not in said.err
    assert len(said.err.splitlines()) <= 6
    assert files(world.layouts) == before


def test_a_layouts_folder_that_cannot_be_written(world: World) -> None:
    if not os.path.isdir("/proc/self"):
        pytest.skip("needs a folder in which not even root can write")
    said = world.bare(
        "--config", str(world.config), "--layouts", "/proc/self", "layout", "draft", hatch(world), "--write"
    )
    assert said.status == Exit.FAILED
    assert "cannot be written into /proc/self" in said.err


def test_the_folder_itself_as_a_link(world: World) -> None:
    (world.folder / "link").symlink_to(hatch(world))
    document = world.run("layout", "draft", str(world.folder / "link"), "--json").document
    assert document["homes"][0]["at"] == ["card:Emulation/Hatch"]


def test_links_inside_are_not_followed(world: World) -> None:
    (world.card / "Emulation/Hatch/saves/loop").symlink_to(world.card)
    (world.card / "Emulation/Hatch/saves/Other.sav").symlink_to(world.internal)
    os.mkfifo(world.card / "Emulation/Hatch/saves/pipe.sav")
    document = world.run("layout", "draft", hatch(world), "--json").document
    assert (document["files"], document["links"]) == (10, 3)


@pytest.mark.parametrize(
    "name",
    [b"od\xffd", b"a**b{c}[d]", b'qu"o\\te', b"new\nline", b"\xe2\x80\xae back", b"# no: - &x *y", b"{}"],
)
def test_odd_names_on_disk(world: World, name: bytes) -> None:
    folder = os.path.join(os.fsencode(world.card), name)
    os.makedirs(folder + b"/saves/" + name)
    os.makedirs(folder + b"/odd " + name)
    for path in (
        b"/saves/" + name + b".sav",
        b"/saves/" + name + b"/" + name,
        b"/odd " + name + b"/Mole.sav",
    ):
        with open(folder + path, "wb") as file:
            file.write(b"\1" * 8192)
    said = world.run("layout", "draft", os.fsdecode(folder), "--write")
    assert said.status == Exit.DONE, said.err
    assert world.run("layout", "check").status == Exit.DONE
    emulators = world.run("survey", "--json").document["emulators"]
    (drafted,) = (e for e in emulators if e["how"] == "layout" and e["id"] not in ("tinplate", "lantern"))
    assert drafted["parts"]["saves"]["files"] == 3
    assert "\x1b" not in said.text and "\u202e" not in said.text


@pytest.mark.skipif(sys.platform != "linux" or os.geteuid() != 0, reason="acts as another user: needs root")
def test_what_cannot_be_read_is_told(world: World) -> None:
    for place in (world.folder, *world.folder.parents):
        if place != Path("/") and not os.stat(place).st_mode & 0o005:
            os.chmod(place, 0o755)
    closed = world.card / "Emulation/Hatch/closed"
    closed.mkdir(mode=0o700)
    shut = world.card / "shut"
    shut.mkdir(mode=0o700)
    world.run("layout", "draft", hatch(world))  # what it loads may lie where that user must not look
    told, tell = os.pipe()
    child = os.fork()
    if child == 0:
        os.setgroups([])
        os.setgid(65534)  # folders above are opened to others, not to root's group
        os.setuid(65534)
        one = world.run("layout", "draft", hatch(world))
        two = world.run("layout", "draft", str(shut))
        with open(tell, "w", encoding="utf-8") as stream:
            stream.write(f"{one.status}|{one.err}|{two.status}|{two.err}")
        os._exit(0)
    os.close(tell)
    with open(told, encoding="utf-8") as stream:
        answer = [" ".join(piece.split()) for piece in stream.read().split("|")]  # wherever a line was broken
    os.waitpid(child, 0)
    assert "cannot be looked into" in answer[3] and "Allow reading it" in answer[3], answer
    assert (answer[0], answer[2]) == (str(int(Exit.NOT_EVERYTHING)), str(int(Exit.FAILED))), answer
    assert "Not read: closed: it may not be read" in answer[1]
    assert "cannot be looked into" in answer[3] and "Allow reading it" in answer[3]


def test_it_goes_on_where_recognition_was(world: World) -> None:
    """What was kept without a layout is the same save with the drafted one."""
    assert world.run("snapshot").status == Exit.DONE
    world.next_evening()
    assert world.run("layout", "draft", hatch(world), "--write").status == Exit.DONE
    second = world.run("snapshot", "--json").document
    assert second["new_files"] == 1, "the settings, which nothing kept before"
    entries = world.run("show", "latest", "--json").document["entries"]
    assert {e["emulator"] for e in entries if e["part"] == "saves"} == {"hatch"}
