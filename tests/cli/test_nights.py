"""Nights that are not as others: clocks that lie, cards that are out, saves that went or were emptied."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.cli.world import World

MOLE = b"mole valley, chapter 1" * 40


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    world.furnish()
    assert world.setup().status == 0
    return world


@pytest.fixture
def mole(world: World) -> Path:
    return world.internal / "Tinplate/saves/Mole Valley.sav"


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
