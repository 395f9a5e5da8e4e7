"""Whatever an owner can get wrong ends in one clear message and the right exit status, and no traceback."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.world import Said, World


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    world.furnish()
    assert world.setup().status == 0
    assert world.run("snapshot").status == 0
    return world


def clear(said: Said, status: int, *patterns: str) -> None:
    """One message: the status, no traceback, and each pattern somewhere in what was said."""
    assert said.status == status, said.text
    assert "Traceback" not in said.text
    assert "made a mistake" not in said.text
    for pattern in patterns:
        assert re.search(pattern, said.err), said.text


NAMES = [
    (("show", "plovre"), 2, r'snapshot named "plovre"', r"Did you mean plover"),
    (("show", "latest", "--emulator", "tinplat"), 2, r'emulator named "tinplat"', "tinplate"),
    (("show", "latest", "--part", "safes"), 2, r'part named "safes"', "saves"),
    (("show", "latest", "--game", "Mole Holow"), 2, r'game named "Mole Holow"', "Mole Hollow"),
    (("restore", "latest", "--emulator", "lantren"), 2, r'emulator named "lantren"', "lantern"),
    (("restore", "latest", "--part", "staets"), 2, r'part named "staets"', "states"),
    (("restore", "1999"), 2, r'snapshot named "1999"', "."),
    (("restore", "latest", "--to", "nonsense"), 2, "NAME=PATH", "."),
    (("restore", "latest", "--on-newer", "whatever"), 2, "keep", "."),
    (("snapshot", "--keep", "cache"), 2, "cache is never kept", "."),
    (("snapshot", "--leave", "everything"), 2, r'part named "everything"', "."),
    (("snapshot", "--fast"), 2, "--fast", "--help"),
    (("survye",), 2, "survye", "survey"),
    ((), 2, ".", "--help"),
]


@pytest.mark.parametrize(("arguments", "status", "what", "advice"), NAMES)
def test_wrong_words_offer_the_right_ones(
    world: World, arguments: tuple[str, ...], status: int, what: str, advice: str
) -> None:
    clear(world.run(*arguments), status, what, advice)


def test_a_volume_that_does_not_exist(world: World) -> None:
    said = world.run("--volume", "internal=/no/such/place", "survey")
    assert said.status in (2, 5)
    clear(said, said.status, "/no/such/place", "internal")


@pytest.mark.parametrize("typed", ["card", "=x", "card=", "a b=/tmp", "x" * 30 + "=/tmp"])
def test_a_volume_that_is_typed_wrong(world: World, typed: str) -> None:
    clear(world.run("--volume", typed, "survey"), 2, "--volume")


@pytest.mark.parametrize("name", ["", "my plover", "-x", "p" * 41, "ä", "a/b", ".."])
def test_a_name_that_no_device_can_have(world: World, name: str) -> None:
    if name:
        clear(world.run("--device", name, "--volume", f"internal={world.internal}", "snapshot"), 2, "called")


COMMANDS = [("list",), ("show", "latest"), ("snapshot",), ("verify",), ("restore", "latest"), ("undo",)]


@pytest.mark.parametrize("command", COMMANDS)
def test_the_archive_is_not_there(world: World, command: tuple[str, ...]) -> None:
    shutil.rmtree(world.archive)
    clear(world.run(*command), 5, re.escape(str(world.archive)), r"card")
    assert not world.archive.exists(), "only setup makes an archive"
    world.archive.mkdir()  # the mount point of a card that is out
    clear(world.run(*command), 5, re.escape(str(world.archive)), r"card")
    assert list(world.archive.iterdir()) == []


@pytest.mark.parametrize("command", COMMANDS)
def test_the_archive_is_something_else(world: World, command: tuple[str, ...], tmp_path: Path) -> None:
    plain = tmp_path / "photos"
    plain.mkdir()
    (plain / "holiday.jpg").write_bytes(b"x")
    clear(world.run("--archive", str(plain), *command), 2, "photos")
    file = tmp_path / "file"
    file.write_bytes(b"x")
    clear(world.run("--archive", str(file), *command), 2, "file")
    assert sorted(p.name for p in plain.iterdir()) == ["holiday.jpg"]


def _other_version(archive: Path) -> None:
    path = archive / "archive.yaml"
    path.write_text(path.read_text().replace("format: 1", "format: 99"))


def _truncated(archive: Path) -> None:
    path = archive / "archive.yaml"
    path.write_bytes(path.read_bytes()[:11])


def _emptied(archive: Path) -> None:
    (archive / "archive.yaml").write_bytes(b"")


def _binary(archive: Path) -> None:
    (archive / "archive.yaml").write_bytes(bytes(range(256)) * 4)


@pytest.mark.parametrize("hurt", [_other_version, _truncated, _emptied, _binary])
@pytest.mark.parametrize("command", [c for c in COMMANDS if c != ("verify",)])
def test_the_archive_is_of_another_version_or_hurt(
    world: World, hurt: Callable[[Path], None], command: tuple[str, ...]
) -> None:
    hurt(world.archive)
    said = world.run(*command)
    assert said.status in (1, 4)
    clear(said, said.status, "archive")


CONFIGS = [
    ("", r"config"),
    ("config: 2\n", r":1:\d+: .*config"),
    ("config: 1\ndevice: [plover]\n", r":2:9: a list, expected text"),
    ("config: 1\ndevcie: plover\n", r":2:1: .*devcie"),
    ("config: 1\ndevice: a\ndevice: b\n", r":3:1: .*device"),
    ("config: 1\nvolumes:\n\tinternal: /x\n", r":3:\d+: "),
    ("config: 1\nvolumes: &v {internal: /x}\nparts: *v\n", r":2:\d+: .*"),
    ("config: 1\nparts: {textures: perhaps}\n", r":2:\d+: .*"),
    ("config: 1\nparts: {texture: no}\n", r":2:\d+: .*"),
    ("config: 1\nvolumes: {internal: 7}\n", r":2:\d+: .*"),
    ("- config\n", r":1:1: "),
    ("config: 1\ndevice: 'a b'\n", r":2:\d+: "),
    ("x" * (2 << 20), r"large"),
    ("{" * 5000, r"config"),
]


@pytest.mark.parametrize(("text", "pattern"), CONFIGS)
def test_a_config_that_is_wrong(world: World, text: str, pattern: str) -> None:
    world.config.write_text(text)
    clear(world.run("list"), 2, pattern)


def test_every_mistake_of_a_config_is_named_at_once(world: World) -> None:
    world.config.write_text("config: 1\ndevcie: plover\nvolumes: 3\nparts: {cach: yes}\n")
    clear(world.run("list"), 2, ":2:1: ", r":3:\d+: ", r":4:\d+: ")


def test_a_config_that_is_missing_or_no_file(world: World, tmp_path: Path) -> None:
    clear(world.bare("--config", str(tmp_path / "nowhere.yaml"), "list"), 2, r"no\s+config\s+file", "nowhere")
    clear(world.bare("--config", str(tmp_path), "list"), 2, re.escape(str(tmp_path)))
    world.config.write_bytes(b"\xff\xfe\x00bad")
    clear(world.run("list"), 2, "config")


LAYOUTS = [
    ("", "layout"),
    ("layout: 1\n", "id"),
    ("layout: 9\nid: a\n", r":1:\d+: "),
    ("layout: 1\nid: a\ntitle: A\nlike: no-such-pattern\n", "no-such-pattern"),
    ("layout: 1\nid: a\ntitle: A\nkeep:\n\t- x\n", r":5:\d+: "),
    ("layout: 1\nid: a\nid: b\n", r":3:1: "),
    ("layout: 1\nid: &x a\ntitle: *x\n", r":2:\d+: "),
    ("x" * (2 << 20), "large"),
    ("layout: 1\nid: a\ntitle: A\nhomes: [{name: m, kind: folder, at: ['internal:../up']}]\n", r":4:\d+: "),
]


@pytest.mark.parametrize(("text", "pattern"), LAYOUTS)
@pytest.mark.parametrize("command", [("survey",), ("snapshot",), ("layout", "check")])
def test_a_layout_that_is_wrong(world: World, text: str, pattern: str, command: tuple[str, ...]) -> None:
    (world.layouts / "wrong.yaml").write_text(text)
    said = world.run(*command)
    assert re.search(pattern, said.text), said.text
    assert said.status == (3 if command == ("snapshot",) else 2)  # a slip costs no night
    assert "wrong.yaml" in said.text
    assert "Traceback" not in said.text


def test_a_layouts_folder_that_is_missing(world: World) -> None:
    clear(world.run("--layouts", "/no/such/folder", "survey"), 2, "/no/such/folder")


def test_setup_makes_nothing_where_no_card_is(world: World, tmp_path: Path) -> None:
    said = world.run("--archive", str(tmp_path / "not" / "mounted" / "archive"), "setup", "--yes")
    clear(said, 5, "mounted")
    assert not (tmp_path / "not").exists()


def test_setup_without_a_person_says_what_it_was_not_told(tmp_path: Path) -> None:
    world = World(tmp_path)
    clear(world.run("setup"), 2, "--device")
    clear(world.run("--device", "plover", "setup"), 2, "--volume")
    clear(world.run("--device", "plover", "--volume", f"internal={world.internal}", "setup"), 2, "--archive")
    assert not world.config.exists()


def test_setup_does_not_replace_another_config_unasked(world: World) -> None:
    before = world.config.read_text()
    clear(world.setup("other"), 2, "plover", "--yes")
    assert world.config.read_text() == before


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root to become another user")
def test_files_that_may_not_be_read_end_in_a_message(world: World) -> None:
    os.chmod(world.config, 0)
    child = os.fork()
    if child == 0:  # pragma: no cover - the child's coverage is not collected
        status = 1
        try:
            os.setgid(65534)
            os.setuid(65534)
            said = world.run("list")
            if said.status == 2 and "Traceback" not in said.text and str(world.config) in said.text:
                status = 0
        finally:
            os._exit(status)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
