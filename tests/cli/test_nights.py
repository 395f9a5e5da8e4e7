"""Nights that are not as others: clocks that lie, cards that are out, saves that went or were emptied."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from tests.cli.world import Said, World

MOLE = b"mole hollow, chapter 1" * 40


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    world.furnish()
    assert world.setup().status == 0
    return world


@pytest.fixture
def mole(world: World) -> Path:
    return world.internal / "Tinplate/saves/Mole Hollow.sav"


def test_a_save_of_the_year_2400(world: World, mole: Path) -> None:
    late = 430 * 31_556_952 * 10**9
    os.utime(mole, ns=(late, late))
    if mole.stat().st_mtime_ns != late:
        pytest.skip("this file system holds no such times")
    assert world.run("snapshot").status == 0
    assert world.run("snapshot").status == 0
    assert world.run("survey").status == 0
    mole.write_bytes(b"other" * 20)
    os.utime(mole, ns=(late, late))
    said = world.run("restore", "latest", "--on-newer", "replace", "--yes")
    assert said.status == 0, said.text
    assert mole.read_bytes() == MOLE


# A card that is out


def card_gaps(said: Said) -> list[str]:
    return [gap["why"] for gap in said.document["gaps"] if gap["volume"] == "card"]


def test_a_card_that_is_out_is_told_every_night_until_it_is_in_again(world: World) -> None:
    assert world.run("snapshot").status == 0
    lantern, away = world.card / "Lantern", world.folder / "away"
    shutil.move(world.card, away)
    world.card.mkdir()
    for _ in range(3):
        world.next_evening()
        said = world.run("snapshot", "--json")
        assert said.status == 3
        assert card_gaps(said) == ["it is empty, and held 1 kept file on 2026-03-01; is the card in?"]
        assert said.document["gone"] == said.document["gone_files"] == []
    assert "  card: it is empty, and held 1 kept file" in world.run("--quiet", "snapshot").out
    world.card.rmdir()
    shutil.move(away, world.card)
    world.next_evening()
    assert lantern.is_dir()
    said = world.run("snapshot", "--json")
    assert (said.status, said.document["gaps"]) == (0, [])


def test_a_volume_that_was_always_empty_is_no_gap(world: World) -> None:
    shutil.rmtree(world.card)
    world.card.mkdir()
    for _ in range(2):
        assert world.run("snapshot").status == 0
        world.next_evening()


def test_a_volume_that_is_missing_does_not_stop_the_others(world: World) -> None:
    assert world.run("snapshot").status == 0
    world.card.rename(world.folder / "away")
    for _ in range(2):
        world.next_evening()
        said = world.run("snapshot", "--json")
        assert (said.status, said.document["files"]) == (3, 5)
        assert card_gaps(said) == ["it is not there, and held 1 kept file on 2026-03-01; is the card in?"]
        assert said.document["gone"] == said.document["gone_files"] == []
    said = world.run("survey", "--json")
    assert said.status == 3
    assert card_gaps(said) == [f"its folder {world.card} is not there"]
    assert "Put the card in" in world.run("survey").out


def test_a_missing_volume_that_never_held_anything_is_a_gap_too(world: World) -> None:
    world.card.rename(world.folder / "away")
    said = world.run("snapshot", "--json")
    assert (said.status, card_gaps(said)) == (3, [f"its folder {world.card} is not there"])


def test_no_volume_at_all_is_not_now(world: World) -> None:
    world.card.rename(world.folder / "away")
    world.internal.rename(world.folder / "away too")
    for command in ("snapshot", "survey"):
        said = world.run(command)
        assert said.status == 5, said.text
        assert "None of the volumes of plover is there" in said.err
    assert world.run("list", "--json").document["snapshots"] == []


def test_a_volume_that_was_typed_has_to_be_there(world: World) -> None:
    typed = ["--volume", f"internal={world.internal}", "--volume", f"card={world.folder / 'nowhere'}"]
    for command in ("snapshot", "survey"):
        assert world.run(*typed, command).status == 2


# Clocks


def test_a_clock_that_starts_again_hides_no_save(world: World, mole: Path) -> None:
    assert world.run("snapshot").status == 0
    status = mole.stat()
    world.time = world.time.replace(year=2020)
    mole.write_bytes(MOLE[::-1])
    os.utime(mole, ns=(status.st_mtime_ns, status.st_mtime_ns))
    assert world.run("snapshot", "--json").document["new_files"] == 1
    world.next_evening()
    assert world.run("snapshot", "--json").document["new_files"] == 0


def test_a_night_with_the_clock_ahead_hides_no_later_save(world: World, mole: Path) -> None:
    now = world.time
    world.time = now.replace(year=2099)
    assert world.run("snapshot").status == 0
    status = mole.stat()
    world.time = now
    mole.write_bytes(MOLE[::-1])
    os.utime(mole, ns=(status.st_mtime_ns, status.st_mtime_ns))
    assert world.run("snapshot", "--json").document["new_files"] == 1


# What went, and what was emptied


def test_saves_that_went_are_named(world: World, mole: Path) -> None:
    assert world.run("snapshot").status == 0
    world.next_evening()
    mole.unlink()
    (world.internal / "Tinplate/config/main.ini").unlink()
    said = world.run("snapshot", "--json")
    assert (said.status, said.document["gone"]) == (0, [])
    assert said.document["gone_files"] == [
        {
            "emulator": "tinplate",
            "part": "saves",
            "game": "Mole Hollow",
            "path": "saves/Mole Hollow.sav",
            "what": "gone",
        }
    ]
    world.write(mole, MOLE)
    world.next_evening()
    assert world.run("snapshot").status == 0
    world.next_evening()
    mole.unlink()
    (world.internal / "Tinplate/states/Mole Hollow.st1").unlink()
    said = world.run("--quiet", "snapshot")
    assert said.status == 0
    flat = " ".join(said.out.split())
    expected = "tinplate saves: Mole Hollow; tinplate states: Mole Hollow."
    assert f"Gone since last time (earlier nights keep them): {expected}" in flat
    world.next_evening()
    assert world.run("--quiet", "snapshot").out == ""


def test_saves_that_are_still_there_are_not_called_gone(world: World, mole: Path) -> None:
    assert world.run("snapshot").status == 0
    world.next_evening()
    mole.rename(mole.with_name("Mole Hollow 2.sav"))
    layout = world.layouts / "tinplate.yaml"
    layout.write_text(layout.read_text().replace("saves/{game}", "saves/Mo{game}"))
    said = world.run("snapshot", "--only-layouts", "--json")
    assert {one["game"]: one["what"] for one in said.document["gone_files"]} == {
        "Mole Hollow": "renamed",
        'Ärger & "Ruhm"': "unnamed",
    }


def test_parts_that_are_left_out_on_purpose_are_not_gone(world: World) -> None:
    assert world.run("snapshot").status == 0
    world.next_evening()
    assert world.run("snapshot", "--leave", "states", "--json").document["gone_files"] == []


@pytest.mark.parametrize(
    ("content", "what"),
    [(b"", "empty"), (b"\0" * 880, "all zero"), (b"\xff" * (3 << 20), "all 0xFF")],
)
def test_saves_that_were_emptied_are_named(world: World, mole: Path, content: bytes, what: str) -> None:
    first = world.run("snapshot", "--json").document["snapshot"]
    world.next_evening()
    world.write(mole, content)
    said = world.run("snapshot", "--json")
    assert said.status == 0
    assert said.document["suspicious"] == [
        {
            "emulator": "tinplate",
            "part": "saves",
            "game": "Mole Hollow",
            "path": "saves/Mole Hollow.sav",
            "what": what,
            "last_good": first,
            "home": "main",
        }
    ]
    assert said.document["gone_files"] == []


def test_an_emptied_save_is_told_also_quietly_and_a_new_one_is_not(world: World, mole: Path) -> None:
    fresh = world.write(mole.with_name("Fresh.sav"), b"\xff" * 512)
    first = world.run("snapshot", "--json").document["snapshot"]
    world.next_evening()
    world.write(mole, b"")
    world.write(fresh, b"\0" * 512)
    flat = " ".join(world.run("--quiet", "snapshot").out.split())
    assert f"Empty now ({first} has the last good one): tinplate saves: Mole Hollow." in flat


@pytest.mark.parametrize("way", ["layout", "layout and folder", "folder", "content"])
def test_an_emulator_that_is_gone_is_told_why(world: World, way: str) -> None:
    assert world.run("snapshot").status == 0
    world.next_evening()
    if "layout" in way:
        (world.layouts / "lantern.yaml").unlink()
    if "folder" in way:
        shutil.rmtree(world.card / "Lantern")
    if way == "content":
        shutil.rmtree(world.card / "Lantern/memory")
    said = world.run("snapshot", "--only-layouts")
    assert said.status == 0
    why = {
        "layout": "no layout speaks of it any more.",
        "layout and folder": "no layout speaks of it any more, and its folder is gone.",
        "folder": "its folder is not on the device now.",
        "content": "nothing that is kept is in its folder now.",
    }[way]
    assert f"lantern was kept last time: {why} The earlier nights keep it." in " ".join(said.out.split())
    assert "Gone since" not in said.out


def test_an_emulator_with_a_gap_is_not_also_called_gone(world: World) -> None:
    assert world.run("snapshot").status == 0
    world.next_evening()
    memory = world.card / "Lantern/memory/灯台.mcr"
    memory.unlink()
    memory.symlink_to("/nowhere")
    said = world.run("snapshot", "--json")
    assert said.status == 3
    assert said.document["gone"] == said.document["gone_files"] == []
