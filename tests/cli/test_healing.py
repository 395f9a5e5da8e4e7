"""An archive whose card ages: what the device still has is stored again; restores rely on nothing hurt."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.storage import LocalStorage
from tests.archive.test_healing import hurt
from tests.cli.world import World

MOLE = b"mole hollow, chapter 1" * 40


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    world.furnish()
    assert world.setup().status == 0
    assert world.run("snapshot").status == 0
    world.next_evening()
    return world


def damage(world: World, content: bytes) -> None:
    hurt(Archive.open(LocalStorage(str(world.archive))), hashlib.sha256(content).digest())


def lost(world: World) -> list[str]:
    report = world.run("verify", "--deep", "--json").document
    assert not report["ok"]
    return [one["path"] for each in report["damage"] for one in each["affects"]]


def test_reread_stores_again_what_the_device_still_has(world: World) -> None:
    damage(world, MOLE)
    assert lost(world) == ["saves/Mole Hollow.sav"]
    advice = " ".join(world.run("verify").out.split())
    assert "handhold mend --dry-run says what can be repaired" in advice
    assert world.run("snapshot", "--reread").status == 0
    assert lost(world) == []
    save = world.internal / "Tinplate/saves/Mole Hollow.sav"
    save.unlink()
    assert world.run("restore", "latest", "--game", "Mole*", "--yes").status == 0
    assert save.read_bytes() == MOLE


def test_a_restore_replaces_nothing_that_the_archive_cannot_give_back(world: World) -> None:
    """The safety snapshot finds the block known, by a bundle in which it is hurt."""
    save = world.internal / "Tinplate/saves/Mole Hollow.sav"
    world.write(save, b"chapter 2" * 50)
    assert world.run("snapshot").status == 0
    world.next_evening()
    damage(world, b"chapter 2" * 50)
    first = world.run("list", "--json").document["snapshots"][0]["snapshot"]
    said = world.run("restore", first, "--game", "Mole*", "--on-newer", "replace", "--yes")
    assert said.status == 0, said.text
    assert save.read_bytes() == MOLE
    assert lost(world) == []
    assert world.run("undo", "--yes").status == 0
    assert save.read_bytes() == b"chapter 2" * 50
