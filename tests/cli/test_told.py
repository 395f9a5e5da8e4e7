"""What an owner is told is true, whole at 80 columns, and can be done as it stands there."""

from __future__ import annotations

import io
import shlex
from pathlib import Path

import pytest

from handhold.cli.console import Console
from tests.cli.test_restore import flat
from tests.cli.test_setup import answered
from tests.cli.world import World


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    world.furnish()
    assert world.setup().status == 0
    return world


def printed(text: str) -> list[str]:
    """The command that is printed to be copied, as a shell reads it, without the options in front."""
    lines = text.splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("  handhold "))
    command = lines[at]
    while command.endswith("\\"):
        at += 1
        command = command[:-1] + lines[at]
    words = shlex.split(command)
    return words[words.index("history") :]


@pytest.mark.parametrize("typed", [("--help",), ("layout", "--help")])
def test_no_command_is_described_by_half_a_sentence(world: World, typed: tuple[str, ...]) -> None:
    said = world.bare(*typed)
    listed = said.out.partition("Commands:\n")[2].splitlines()
    assert len(listed) >= 5
    assert [line for line in listed if not line.endswith(".") or line.endswith("...")] == []


def test_words_that_can_be_repeated_are_shown_as_such(world: World) -> None:
    assert "BACKUP..." in world.bare("adopt", "--help").out
    assert "[FILE...]" in world.bare("layout", "check", "--help").out


def test_the_names_of_snapshots_are_never_cut(world: World) -> None:
    assert world.run("snapshot", "--note", "a long evening with Mole Hollow and a few more words").status == 0
    (world.internal / "Tinplate/saves/Mole Hollow.sav").unlink()
    assert world.run("restore", "latest", "--yes").status == 0
    names = [one["snapshot"] for one in world.run("list", "--json").document["snapshots"]]
    said = world.run("list", "--all").out
    assert len(names) >= 3
    assert [line.split()[0] for line in said.splitlines()[1:]] == names
    assert all(len(line) <= 80 for line in said.splitlines())


def test_a_volume_that_is_not_given_any_more_is_told_once(world: World) -> None:
    assert world.run("snapshot").status == 0
    only = ("--volume", f"internal={world.internal}")
    said = world.run(*only, "snapshot")
    assert said.status == 0
    assert "The volume card, from which 1 file was kept last time, is not among the volumes" in flat(said.out)
    assert "The volume" not in world.run(*only, "snapshot").out
    assert world.run("snapshot").status == 0
    assert world.run(*only, "snapshot", "--json").document["left_volumes"] == [{"volume": "card", "files": 1}]
    assert world.run("snapshot").status == 0
    assert "no more among the volumes: card" in world.run(*only, "snapshot", "--nightly").err


def test_a_card_that_is_out_is_named_plainly_at_night(world: World) -> None:
    assert world.run("snapshot").status == 0
    world.card.rename(world.folder / "pulled out")
    said = world.run("snapshot", "--nightly")
    assert said.status == 3
    assert "(card: it is not there" in said.err
    assert "left_volumes" not in said.err and "no more among the volumes" not in said.err


def test_the_last_version_of_a_save_that_is_gone_comes_back_by_the_command_that_is_shown(
    world: World,
) -> None:
    assert world.run("snapshot").status == 0
    save = world.internal / "Tinplate/saves/Mole Hollow.sav"
    content = save.read_bytes()
    save.unlink()
    said = world.run("history", "Mole Hollow", "--part", "saves")
    assert "stands there now" not in said.out and "* stood there when last seen." in said.out
    command = printed(said.out)
    assert "--on-newer" not in command
    assert world.run(*command, "--yes").status == 0
    assert save.read_bytes() == content


def test_the_command_that_is_shown_means_one_file_where_two_have_its_path(world: World) -> None:
    for folder in ("Quill", "Reed"):
        world.write(
            world.card / folder / "-Moss Lane at the end of a very long summer evening.srm", b"m" * 8192
        )
    assert world.run("snapshot").status == 0
    world.next_evening()
    save = world.card / "Reed/-Moss Lane at the end of a very long summer evening.srm"
    world.write(save, b"n" * 8192)
    assert world.run("snapshot").status == 0
    said = world.run("history", "--game", "-Moss Lane*")
    assert all(len(line) <= 80 for line in said.out.splitlines() if str(world.folder) not in line), said.out
    command = printed(said.out)
    assert "--on-newer" in command
    done = world.run(*command, "--yes")
    assert done.status == 0, done.text
    assert save.read_bytes() == b"m" * 8192


@pytest.mark.parametrize("ending", [".tar.gz", ".tgz", ".7z", ".TAR.ZST"])
def test_an_export_does_not_become_a_folder_with_the_name_of_a_packed_file(
    world: World, tmp_path: Path, ending: str
) -> None:
    assert world.run("snapshot").status == 0
    place = tmp_path / f"copy{ending}"
    said = world.run("export", "latest", str(place))
    assert said.status == 2 and "Name it .tar or .zip" in said.err
    assert not place.exists()
    assert world.run("export", "latest", str(place), "--as", "folder").status == 0
    assert (place / "SHA256SUMS.txt").is_file()


def test_three_mirrors_are_counted_in_words(world: World, tmp_path: Path) -> None:
    assert world.run("snapshot").status == 0
    for name in ("one", "two", "three"):
        (tmp_path / name).mkdir()
        assert world.run("mirror", str(tmp_path / name)).status == 0
    assert "and 2 more." in flat(world.run("list", "--last").out)


def test_nobody_is_sent_to_a_night_that_was_let_go(world: World) -> None:
    assert world.run("snapshot").status == 0
    world.next_evening(2)
    world.write(world.internal / "Tinplate/saves/Mole Hollow.sav", b"")
    assert world.run("snapshot").status == 0
    assert "plover.2026-03-01.220002 has the last good one" in flat(world.run("list", "--last").out)
    assert world.run("thin", "--nights", "1", "--let-go", "--yes").status == 0
    said = flat(world.run("list", "--last").out)
    assert "has the last good one" not in said
    assert "plover.2026-03-01.220002 had the last good one and was let go" in said


def test_a_line_with_wide_letters_is_broken_where_the_screen_ends() -> None:
    """Source: Unicode Standard Annex 11 (letters that are wide take two columns)"""
    out = io.StringIO()
    Console(out, out).say("  " + "月のうさぎ " * 12 + "and then some more words that follow")
    lines = out.getvalue().splitlines()
    assert len(lines) == 3
    assert [line.count("月のうさぎ") for line in lines] == [7, 5, 0]  # 2 + 7 * 11 - 1 = 78 columns
    assert lines[0].startswith("  月") and lines[1].startswith("  月") and lines[2].startswith("  ")


def test_a_folder_that_is_not_there_is_asked_for_again(
    world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = [str(tmp_path / "nowhere" / "deep"), str(tmp_path / "second")]
    world.config.unlink()
    given = ("--device", "plover", "--volume", f"internal={world.internal}")
    said = answered(world, answers, monkeypatch, *given)
    assert said.status == 0, said.text
    assert f"There is no folder {tmp_path}/nowhere." in flat(said.text)
    assert (tmp_path / "second" / "archive.yaml").is_file()


def test_a_config_that_is_not_there_is_told_as_that(world: World, tmp_path: Path) -> None:
    said = world.bare("--config", str(tmp_path / "nowhere.yaml"), "list")
    assert said.status == 2
    assert f"There is no config file {tmp_path}/nowhere.yaml." in flat(said.err)


def test_a_game_that_only_another_device_has_is_not_told_as_gone(world: World, tmp_path: Path) -> None:
    assert world.run("snapshot").status == 0
    world.next_evening()
    own = tmp_path / "heron"
    world.write(own / "Tinplate/saves/Salt Road.sav", b"s" * 8192)
    heron = ("--device", "heron", "--volume", f"internal={own}")
    night = world.run(*heron, "snapshot", "--json").document["snapshot"]
    said = world.run("restore", "latest", "--game", "Mole Hollow", "--dry-run")
    assert said.status == 2
    assert f"latest is {night} here, the newest night of all devices." in flat(said.err)
    assert "handhold restore plover …" in flat(said.err)
    assert world.run("restore", "plover", "--game", "Mole Hollow", "--dry-run").status == 0
    assert "latest is" not in world.run(*heron, "restore", "latest", "--game", "Mole Hollow", "--dry-run").err
