"""Files that an emulator made at its first start: they hold nothing, and give way to what was played."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from tests.restore.world import EVENING, World, decisions

PATH = "saves/Moss.sav"
PLAYED = b"chapter 7" * 100
BLANK = [b"", bytes(900), b"\xff" * 900, bytes(131072)]


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    world.put("plover", PATH, PLAYED, EVENING - timedelta(days=30))
    return world


@pytest.mark.parametrize("content", BLANK, ids=["empty", "zeros", "ones", "of another size"])
def test_a_restore_puts_what_was_played_in_its_place(world: World, content: bytes) -> None:
    night = world.night("plover")
    world.put("lantern", PATH, content)  # later than what was played, by its time
    applied = world.restore("lantern", night)
    assert decisions(applied.plan.steps) == {PATH: "older"}
    assert "holds nothing" in applied.plan.steps[0].why
    assert world.read("lantern", PATH).encode() == PLAYED and world.holds(content)
    world.undo("lantern")
    assert (world.card("lantern") / "Tinplate" / PATH).read_bytes() == content


@pytest.mark.parametrize("content", BLANK, ids=["empty", "zeros", "ones", "of another size"])
def test_so_does_a_carry(world: World, content: bytes) -> None:
    world.night("plover")
    world.put("lantern", PATH, content)
    applied = world.carry("lantern")
    assert "holds nothing" in applied.plan.steps[0].why
    assert world.read("lantern", PATH).encode() == PLAYED and world.holds(content)
    file = world.card("lantern") / "Tinplate" / PATH
    world.undo("lantern")
    assert file.read_bytes() == content


def test_what_holds_one_byte_stays(world: World) -> None:
    night = world.night("plover")
    world.put("lantern", PATH, bytes(899) + b"1")
    assert decisions(world.restore("lantern", night).plan.steps) == {PATH: "newer"}
    assert [save.here.value for save in world.prepare_carry("lantern").saves] == ["fork"]


def test_what_was_emptied_where_it_was_played_stays(world: World) -> None:
    """Whoever empties a save may want it so: it is told each night, and put back when asked."""
    night = world.night("plover")
    world.put("lantern", PATH, PLAYED)
    world.night("lantern")
    for name in ("plover", "lantern"):
        world.put(name, PATH, bytes(900))
    assert decisions(world.restore("plover", night).plan.steps) == {PATH: "newer"}
    assert [save.here.value for save in world.prepare_carry("lantern").saves] == ["newer"]


def test_an_emptied_one_of_the_archive_replaces_nothing(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.put("plover", PATH, bytes(900), EVENING - timedelta(days=30))
    night = world.night("plover")
    world.put("lantern", PATH, b"\xff" * 900)
    assert decisions(world.restore("lantern", night).plan.steps) == {PATH: "newer"}


def test_settings_and_states_that_hold_nothing_stay(tmp_path: Path) -> None:
    world = World(tmp_path)
    for path in ("config/main.ini", "states/Moss.st1"):
        world.put("plover", path, b"something", EVENING - timedelta(days=30))
        world.put("lantern", path, b"")
    assert set(decisions(world.restore("lantern", world.night("plover")).plan.steps).values()) == {"newer"}
