"""``setup`` with a person at the keyboard, and what it refuses."""

from __future__ import annotations

import errno
import io
import os
from collections.abc import Sequence
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest

from handhold.cli.main import run
from handhold.cli.setup import nested, proposable
from handhold.config import Config, write_config
from handhold.device import volumes
from handhold.device.volumes import Mounted
from handhold.errors import WrongInput
from tests.cli.world import Said, World


class Screen(io.StringIO):
    """A terminal, as far as anybody asks."""

    def isatty(self) -> bool:
        return True


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


def answered(
    world: World,
    answers: Sequence[str],
    monkeypatch: pytest.MonkeyPatch,
    *options: str,
    command: str = "setup",
) -> Said:
    """Runs a command with somebody who types these lines."""
    monkeypatch.setattr("sys.stdin", Screen("".join(f"{line}\n" for line in answers)))
    out, err = Screen(), Screen()
    with redirect_stdout(out), redirect_stderr(err):
        status = run(["--config", str(world.config), *options, command], world.clock)
    return Said(status, out.getvalue(), err.getvalue())


@pytest.fixture
def mounts(world: World, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    paths = ["/", str(world.folder), str(world.card)]
    monkeypatch.setattr(volumes, "mounted", lambda: [Mounted(path, "ext4", 100, 50) for path in paths])
    return paths


def test_it_proposes_no_root_no_outer_mount_and_no_name(
    world: World, mounts: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    typed = ["", "plover", "", str(world.internal), "", "", ""]
    said = answered(world, typed, monkeypatch)
    assert said.status == 0, said.text
    assert "What is this device called? " in said.err  # no proposal in brackets
    asked = " ".join(said.err.split())  # wherever a line was broken
    assert f"{world.card} (ext4" in asked
    assert f"{world.folder} (ext4" not in asked
    assert " / (" not in asked
    assert "device: plover" in world.config.read_text()


def test_mounts_that_can_be_proposed() -> None:
    paths = ["/", "/mnt", "/mnt/card", "/mnt/cards", "/media/card/inner", "/media/card"]
    shown = proposable([Mounted(path, "ext4", 1, 1) for path in paths])
    assert [mount.path for mount in shown] == ["/mnt/card", "/mnt/cards", "/media/card/inner"]


def test_replacing_a_config_is_asked_before_anything_else(
    world: World, mounts: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert world.setup().status == 0
    before = world.config.read_bytes()
    said = answered(world, ["no"], monkeypatch)
    assert said.status == 1
    assert said.out == "Nothing was changed.\n"
    assert "What is this device called?" not in said.err
    assert world.config.read_bytes() == before


def test_a_config_that_is_a_link_stays_one(world: World) -> None:
    """An owner may keep the files of several programs in one place."""
    kept = world.folder / "kept" / "handhold.yaml"
    world.config.parent.mkdir(parents=True, exist_ok=True)
    world.config.symlink_to(kept)
    assert world.setup().status == 0
    assert world.config.is_symlink()
    assert "plover" in kept.read_text("utf-8")
    assert world.setup().status == 0
    assert world.config.is_symlink()
    assert [file.name for file in kept.parent.iterdir()] == ["handhold.yaml"]


def test_a_config_that_cannot_be_written_leaves_the_one_before(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert world.setup().status == 0
    before = {file: file.read_bytes() for file in world.config.parent.iterdir() if file.is_file()}

    def full(file: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("handhold.config.os.fsync", full)
    with pytest.raises(WrongInput, match="No space left on device"):
        write_config(world.config, Config(device="plover", archive=str(world.archive)))
    assert {file: file.read_bytes() for file in world.config.parent.iterdir() if file.is_file()} == before


def test_without_a_name_it_does_not_make_one_up(world: World) -> None:
    said = world.run("--volume", f"card={world.card}", "--archive", str(world.archive), "setup", "--yes")
    assert said.status == 2
    assert "--device" in said.err
    assert not world.archive.exists()


def test_the_archive_is_proposed_away_from_the_first_volume(world: World) -> None:
    typed = ["--volume", f"internal={world.internal}", "--volume", f"card={world.card}"]
    said = world.run("--device", "plover", *typed, "setup", "--yes")
    assert said.status == 0, said.text
    assert (world.card / "handhold/archive.yaml").exists()


def test_a_volume_inside_another_is_said(world: World) -> None:
    typed = ["--volume", f"all={world.folder}", "--volume", f"card={world.card}"]
    said = world.run("--device", "plover", *typed, "--archive", str(world.archive), "setup")
    assert said.status == 0, said.text
    assert "The volume card lies inside the volume all" in " ".join(said.out.split())
    assert nested({"a": "/x", "b": "/xy", "c": "/x/y"}) == [("c", "a")]


def test_a_filled_folder_is_no_place_for_an_archive(world: World) -> None:
    world.furnish()
    typed = ["--device", "plover", "--volume", f"card={world.card}", "--archive", str(world.internal)]
    said = world.run(*typed, "setup")
    assert said.status == 2
    assert "This folder is not empty and no archive" in said.err
    assert "Name a new or empty folder." in said.err
    assert not world.config.exists()


def test_joining_an_archive_that_is_still_empty(world: World) -> None:
    assert world.setup().status == 0
    assert f"Joined the archive at {world.archive}: it is still empty." in " ".join(world.setup().out.split())


# Text that is none


@pytest.mark.parametrize(
    "options",
    [
        ("--volume", "card={folder}/\udce9", "snapshot"),
        ("--archive", "{folder}/\udce9", "list"),
        ("--layouts", "{folder}/\udce9", "survey"),
        ("--config", "{folder}/\udce9", "survey"),
        ("--config", "{folder}/\udce9", "setup", "--nightly"),
        ("--device", "plover", "--volume", "card={folder}/card", "--archive", "{folder}/\udce9", "setup"),
    ],
)
def test_paths_that_are_not_text(world: World, options: Sequence[str]) -> None:
    assert world.setup().status == 0
    os.mkdir(os.fsencode(world.folder) + b"/\xe9")
    said = world.run(*(option.format(folder=world.folder) for option in options))
    assert said.status == 2, said.text
    assert "is not valid text" in " ".join(said.err.split())
    assert "\\xe9" in said.err


@pytest.mark.parametrize("command", [("survey",), ("setup", "--nightly"), ("setup", "--yes")])
def test_a_config_without_a_name_is_none(world: World, command: tuple[str, ...]) -> None:
    """As ``--config="$FILE"`` says where there is no such variable: it is not the folder where one stands."""
    said = world.bare("--config=", *command)
    assert said.status == 2, said.text
    assert "--config names no file." in said.err


@pytest.mark.parametrize("command", [("survey",), ("list",), ("setup", "--nightly"), ("setup", "--yes")])
@pytest.mark.parametrize(
    ("name", "why"), [("n" * 300, "file name too long"), ("loop/c.yaml", "too many levels of symbolic links")]
)
def test_a_config_that_cannot_be_looked_at(
    world: World, command: tuple[str, ...], name: str, why: str
) -> None:
    """It may be there: nobody is told that it is not, and setup does not begin another one."""
    assert world.setup().status == 0
    (world.folder / "loop").symlink_to("loop")
    said = world.bare("--config", str(world.folder / name), "--archive", str(world.archive), *command)
    assert said.status == 2, said.text
    assert f"cannot be looked at: {why}." in " ".join(said.err.split())


def test_lines_for_every_night_are_not_given_for_a_config_that_is_not_there(world: World) -> None:
    said = world.bare("--config", str(world.folder / "none.yaml"), "setup", "--nightly")
    assert (said.status, said.out) == (2, "")
    assert "There is no config file" in said.err


def test_lines_for_every_night_before_setup_has_run(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(world.folder / "fresh"))
    said = world.bare("setup", "--nightly")
    assert said.status == 0
    assert "no night is kept before handhold setup has run" in " ".join(said.err.split())
    assert "snapshot --nightly" in said.out


@pytest.mark.parametrize("way", ["option", "variable"])
def test_the_config_is_the_one_that_the_night_reads_also_below_the_home_folder(
    world: World, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    """No shell expands the ~ of ``--config=~/FILE``, nor does systemd that of a variable."""
    home = world.folder / "home"
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.chdir(world.folder)
    if way == "variable":
        monkeypatch.setenv("HANDHOLD_CONFIG", "~/plover.yaml")
    front = ["--config=~/plover.yaml"] if way == "option" else []
    typed = ["--device", "plover", "--volume", f"card={world.card}", "--archive", str(world.archive)]
    said = world.bare(*front, *typed, "setup")
    assert said.status == 0, said.text
    assert (home / "plover.yaml").is_file()
    assert f"The config is {home}/plover.yaml." in " ".join(said.out.split())
    assert f"--config {home}/plover.yaml snapshot --nightly" in world.bare(*front, "setup", "--nightly").out
    assert world.bare(*front, "survey").status == 0


def test_a_config_with_a_path_that_is_not_text(world: World) -> None:
    assert world.setup().status == 0
    text = world.config.read_text().replace(str(world.card), f'"{world.card}\\uDCE9"')
    world.config.write_text(text)
    said = world.run("survey")
    assert said.status == 2, said.text
    assert "config.yaml:" in said.err


@pytest.mark.parametrize(
    "name", ["tab\there", "line\nfeed", "bell\x07", "\x85", "\u2028", "~", "a: #b", "'\""]
)
def test_whatever_setup_writes_can_be_read(world: World, name: str) -> None:
    card = world.folder / name
    card.mkdir()
    typed = ["--device", "plover", "--volume", f"card={card}", "--archive", str(world.archive)]
    said = world.run(*typed, "setup")
    if said.status == 0:
        assert world.run("survey").status == 0
    else:
        assert said.status == 2, said.text
        assert "could not be read again" in " ".join(said.err.split())
        assert not world.archive.exists()
        assert not world.config.exists()


@pytest.mark.parametrize(
    ("note", "what"),
    [
        ("two\nlines", "one line"),
        ("\udce9", "not valid text"),
        ("x" * 201, "201 characters"),
        ("a\x1b[0m", "line"),
    ],
)
def test_notes_that_cannot_be(world: World, note: str, what: str) -> None:
    world.furnish()
    assert world.setup().status == 0
    said = world.run("snapshot", "--note", note)
    assert said.status == 2, said.text
    assert what in said.err
    assert world.run("snapshot", "--note", "ö" * 200).status == 0


def test_games_that_no_layout_names(world: World) -> None:
    world.furnish()
    assert world.setup().status == 0
    said = world.run("snapshot", "--keep", "games")
    assert said.status == 0
    assert "No layout here says where games lie (pattern games-folder)" in said.err
    assert "games lie" not in world.run("snapshot").err
