"""Where an emulator's version stands: named by a layout, checked, stored, read from a device."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from handhold.device.versions import MOST, version_of
from handhold.documents.mistakes import Mistakes
from handhold.layouts.catalogue import read_catalogue
from handhold.layouts.layout import Layout, Version
from handhold.layouts.schema import schema
from handhold.layouts.stored import from_stored, stored_form

HEAD = "layout: 1\nid: doorstep\ntitle: Doorstep\n"
HOMES = 'homes:\n- {name: one, kind: folder, at: "card:A"}\n- {name: two, kind: folder, at: "card:B"}\n'


def read(folder: Path, text: str) -> Layout:
    (folder / "doorstep.yaml").write_text(text)
    return read_catalogue([folder]).layouts["doorstep"]


def test_it_comes_out_of_the_store_as_it_went_in(tmp_path: Path) -> None:
    layout = read(
        tmp_path, HEAD + HOMES + 'version: {path: "etc/about.txt", find: "v{version},", home: two}\n'
    )
    assert layout.version == Version("etc/about.txt", "v{version},", "two")
    assert from_stored(stored_form(layout)) == layout
    plain = read(tmp_path, HEAD + HOMES)
    assert plain.version is None and b"version" not in stored_form(plain)  # stored as it always was


def test_it_comes_from_the_pattern_below(tmp_path: Path) -> None:
    (tmp_path / "base.yaml").write_text(
        "layout: 1\nid: base\ntitle: B\nhomes: [{name: one, kind: folder}]\n"
        "version: {path: a, find: 'x{version}'}\n"
    )
    own = HEAD + "like: base\nhomes:\n- {name: one, at: 'card:A'}\n"
    assert read(tmp_path, own).version == Version("a", "x{version}")
    assert read(tmp_path, own + "version: {path: b, find: '{version}'}\n").version == Version(
        "b", "{version}"
    )


@pytest.mark.parametrize(
    ("version", "column", "what"),
    [
        ("1.4", 10, "1.4"),
        ("{path: a}", 10, "find"),
        ('{find: "{version}"}', 10, "path"),
        ('{path: ../a, find: "{version}"}', 17, "../a"),
        ('{path: /a, find: "{version}"}', 17, "/a"),
        ('{path: a, find: "version"}', 26, "{version}"),
        ('{path: a, find: "{version}{version}"}', 26, "{version}"),
        ('{path: a, find: "{version}", home: three}', 45, "three"),
        ('{path: a, find: "{version}", at: b}', 39, "at"),
    ],
)
def test_mistakes(tmp_path: Path, version: str, column: int, what: str) -> None:
    with pytest.raises(Mistakes) as caught:
        read(tmp_path, f"{HEAD}{HOMES}version: {version}\n")
    told = str(caught.value)
    assert f"doorstep.yaml:7:{column}: " in told and what in told


@pytest.mark.parametrize(
    "version",
    [
        {"path": "../a", "find": "{version}", "home": None},
        {"path": "a", "find": "", "home": None},
        {"path": "a", "find": "{version}\n", "home": None},
        {"path": "a", "find": "{version}", "home": "three"},
        {"path": "a", "find": "{version}", "home": None, "more": 1},
        "1.4",
    ],
)
def test_stored_ones_are_not_believed(tmp_path: Path, version: object) -> None:
    document = json.loads(stored_form(read(tmp_path, HEAD + HOMES)))
    document["version"] = version
    with pytest.raises(ValueError):
        from_stored(json.dumps(document).encode())


def test_the_schema_knows_it() -> None:
    check = Draft202012Validator(schema())
    base = {"layout": 1, "id": "a", "title": "A", "like": "b"}
    assert check.is_valid({**base, "version": {"path": "a/b.txt", "find": "v{version}"}})
    assert not check.is_valid({**base, "version": {"path": "a/b.txt", "find": "v"}})
    assert not check.is_valid({**base, "version": {"path": "a", "find": "{version}{version}"}})
    assert not check.is_valid({**base, "version": {"path": "/a", "find": "v{version}"}})
    assert not check.is_valid({**base, "version": "1"})


@pytest.mark.parametrize(
    ("find", "text", "version"),
    [
        ("version={version}", "minversion=1\nversion=1.4\n", "1.4"),
        ("version={version}", "version=1.4 (stable)", "1.4"),
        ('"version": "{version}"', '{"version": "1.4 beta", "x": "y"}', "1.4 beta"),
        ("<v>{version}</v>", "<v>1.4</v><v>1.5</v>", "1.4"),
        ("version={version}", "version=\n1.4", None),
        ("version={version}", "nothing", None),
        ("a.c={version}", "abc=1", None),  # what is around it is text, no pattern
        ("v{version};", "v" + "9" * 61 + ";", None),
    ],
)
def test_how_it_is_found(find: str, text: str, version: str | None) -> None:
    assert Version("a", find).within(text) == version


def test_it_is_read_from_the_first_home_that_tells_it(tmp_path: Path) -> None:
    layout = read(tmp_path, HEAD + HOMES + 'version: {path: "etc/about.txt", find: "v{version}"}\n')
    one, two = tmp_path / "one", tmp_path / "two"
    homes = [("one", str(one)), ("two@card", str(two))]
    assert version_of(layout, homes) is None
    (two / "etc").mkdir(parents=True)
    about = two / "etc/about.txt"
    about.write_text("v1.4\n")
    assert version_of(layout, homes) == "1.4"
    for encoding in ("utf-8-sig", "utf-16"):
        about.write_bytes("ä v1.5".encode(encoding))
        assert version_of(layout, homes) == "1.5"
    about.write_bytes(b"\xff\xfe\xff" + b"v1.6\n")  # no text at all
    assert version_of(layout, homes) is None
    about.write_text(" " * MOST + "v1.7")
    assert version_of(layout, homes) is None  # only the beginning counts


def test_nothing_is_read_over_a_link_or_from_a_pipe(tmp_path: Path) -> None:
    layout = read(tmp_path, HEAD + HOMES + 'version: {path: "etc/about.txt", find: "v{version}"}\n')
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "about.txt").write_text("v9")
    home = tmp_path / "one"
    home.mkdir()
    (home / "etc").symlink_to(elsewhere)
    assert version_of(layout, [("one", str(home))]) is None
    (home / "etc").unlink()
    (home / "etc").mkdir()
    (home / "etc/about.txt").symlink_to(elsewhere / "about.txt")
    assert version_of(layout, [("one", str(home))]) is None
    (home / "etc/about.txt").unlink()
    os.mkfifo(home / "etc/about.txt")
    assert version_of(layout, [("one", str(home))]) is None
