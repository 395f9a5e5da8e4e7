"""Games and versions on the command line: listed by a night, missed after a move, renamed as asked."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.world import TINPLATE, Said, World

GAMES = """\
layout: 1
id: my-games
title: My games
like: games-folder
homes:
  - {name: games, at: ["card:Games"]}
"""
VERSION = 'version: {path: "about.txt", find: "version={version}"}\n'


class Move:
    """A handheld with games, and a new one on which some of them have other names."""

    def __init__(self, folder: Path) -> None:
        self.world = world = World(folder)
        (world.layouts / "my-games.yaml").write_text(GAMES)
        (world.layouts / "tinplate.yaml").write_text(TINPLATE + VERSION)
        world.furnish_portable(ascii_only=True)
        world.write(world.internal / "Tinplate/about.txt", "Tinplate\nversion=1.4 (stable)\n")
        for name in ("Mole Hollow.bin", "Storm & Glory.bin", "Lighthouse.bin", "Never Played.bin"):
            world.write(world.card / "Games" / name, b"game" * 100)
        assert world.setup().status == 0
        assert world.run("snapshot").status == 0
        self.new = folder / "new"
        (self.new / "internal/Tinplate").mkdir(parents=True)
        (self.new / "card/Lantern").mkdir(parents=True)
        world.write(self.new / "internal/Tinplate/about.txt", "version=1.6\n")
        world.write(self.new / "card/Games/Mole Hollow (World).bin", b"game")
        world.write(self.new / "card/Games/Lighthouse.bin", b"game")

    def run(self, *arguments: str) -> Said:
        return self.world.run(
            "--device", "meadow", "--volume", f"internal={self.new / 'internal'}",
            "--volume", f"card={self.new / 'card'}", *arguments,
        )  # fmt: skip


@pytest.fixture
def move(tmp_path: Path) -> Move:
    return Move(tmp_path)


def words(text: str) -> str:
    return " ".join(text.split())


def test_a_night_lists_the_games_and_keeps_none(move: Move) -> None:
    document = move.run("show", "plover", "--json").document
    assert [(game["emulator"], game["path"], game["size"], game["game"]) for game in document["games"]] == [
        ("my-games", "Lighthouse.bin", 400, "Lighthouse"),
        ("my-games", "Mole Hollow.bin", 400, "Mole Hollow"),
        ("my-games", "Never Played.bin", 400, "Never Played"),
        ("my-games", "Storm & Glory.bin", 400, "Storm & Glory"),
    ]
    assert not [one for one in document["entries"] if one["part"] == "games"]
    assert document["versions"] == {"tinplate": "1.4"}
    said = move.run("show", "plover")
    assert "4 files of games (1.6 KiB) lay on the device that night" in words(said.out)
    assert "tinplate was in version 1.4." in said.out
    assert move.run("verify", "--deep").status == 0


def test_after_a_move_saves_without_a_game_are_told_and_nothing_is_renamed(move: Move) -> None:
    said = move.run("restore", "plover", "--yes")
    told = words(said.out)
    assert "Not on meadow under that name: 2 games of which saves come along." in told
    assert 'tinplate Mole Hollow here is "Mole Hollow (World)"' in told
    assert "--rename 'Mole Hollow=Mole Hollow (World)'" in told
    assert "tinplate Storm & Glory Copy them here under the same names" in told
    assert (move.new / "internal/Tinplate/saves/Mole Hollow.sav").exists()
    document = move.run("restore", "plover", "--dry-run", "--json").document
    assert document["without_game"] == [
        {"emulator": "tinplate", "game": "Mole Hollow", "files": 2, "near": ["Mole Hollow (World)"]},
        {"emulator": "tinplate", "game": "Storm & Glory", "files": 1, "near": []},
    ]


def test_renamed_as_asked_and_taken_back(move: Move) -> None:
    option = "--rename=Mole Hollow=Mole Hollow (World)"
    plan = move.run("restore", "plover", "--dry-run", "--json", option).document
    steps = {step["path"]: step for step in plan["steps"]}
    assert 'it was called "saves/Mole Hollow.sav"' in steps["saves/Mole Hollow (World).sav"]["why"]
    assert "saves/Mole Hollow.sav" not in steps
    assert [one["game"] for one in plan["without_game"]] == ["Storm & Glory"]
    assert {(one["old"], one["new"]) for one in plan["renamed"]} == {
        ("saves/Mole Hollow.sav", "saves/Mole Hollow (World).sav"),
        ("states/Mole Hollow.st1", "states/Mole Hollow (World).st1"),
    }
    said = move.run("restore", "plover", "--yes", option)
    assert said.status == 3  # the controls are held back
    told = " ".join(said.out.split())
    assert (
        "Renamed in the copy, as asked: tinplate saves/Mole Hollow.sav becomes saves/Mole Hollow (World).sav"
        in told
    )
    saves, states = move.new / "internal/Tinplate/saves", move.new / "internal/Tinplate/states"
    assert sorted(file.name for file in saves.iterdir()) == ["Mole Hollow (World).sav", "Storm & Glory.sav"]
    assert [file.name for file in states.iterdir()] == ["Mole Hollow (World).st1"]
    old = move.world.internal / "Tinplate/saves/Mole Hollow.sav"
    assert (saves / "Mole Hollow (World).sav").read_bytes() == old.read_bytes()
    again = move.run("restore", "plover", "--dry-run", "--json", option).document
    assert set(again["counts"]) == {"same", "held-back"} and again["renamed"] == []
    assert move.run("undo", "--yes").status == 0
    assert not saves.exists()  # the restore had made it


def test_a_save_that_has_the_new_name_already_is_not_written_over(move: Move) -> None:
    there = move.world.write(move.new / "internal/Tinplate/saves/Mole Hollow (World).sav", b"own", -10)
    move.world.next_evening()
    move.run("restore", "plover", "--yes", "--rename=Mole Hollow=Mole Hollow (World)")
    assert there.read_bytes() == b"own"


@pytest.mark.parametrize("option", ["nope", "Mole Holow=x", "Mole Hollow=a/b"])
def test_options_that_cannot_be(move: Move, option: str) -> None:
    assert move.run("restore", "plover", "--yes", "--rename", option).status == 2


def test_states_of_another_version_are_marked(move: Move) -> None:
    said = move.run("restore", "plover", "--dry-run")
    assert "tinplate made with 1.4, here is 1.6" in words(said.out)
    document = move.run("restore", "plover", "--dry-run", "--json").document
    assert document["versions"] == [{"emulator": "tinplate", "snapshot": "1.4", "device": "1.6"}]
    marked = [step["path"] for step in document["steps"] if "may not load" in step["why"]]
    assert marked == ["states/Mole Hollow.st1"]
    # On the device itself nothing changed; after an update it did.
    assert move.world.run("restore", "latest", "--dry-run", "--json").document["versions"] == []
    (move.world.internal / "Tinplate/about.txt").write_text("version=1.5\n")
    assert move.world.run("restore", "latest", "--dry-run", "--json").document["versions"] != []


def test_a_quiet_night_lists_them_for_nothing(move: Move) -> None:
    before = sum(
        file.stat().st_size for file in (move.world.archive / "bundles").rglob("*") if file.is_file()
    )
    move.world.next_evening()
    assert move.world.run("snapshot").status == 0
    after = sum(file.stat().st_size for file in (move.world.archive / "bundles").rglob("*") if file.is_file())
    assert after == before
    assert len(move.run("show", "plover", "--json").document["games"]) == 4


def test_the_checklist_tells_both(move: Move, tmp_path: Path) -> None:
    file = tmp_path / "move.md"
    move.run("restore", "plover", "--dry-run", "--checklist", str(file))
    text = file.read_text()
    assert (
        '- [ ] No game called Mole Hollow is here: copy it under that name; here is "Mole Hollow (World)"'
        in text
    )
