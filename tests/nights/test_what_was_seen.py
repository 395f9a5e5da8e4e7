"""A night says nothing of what it could not see; the next one is held against the last that saw it."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import pytest

from tests.cli.world import World


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    for number in range(3):
        world.write(world.card / f"Lantern/memory/Fern {number}.mcr", bytes([number + 1]) * 8192)
    world.write(world.internal / "Tinplate/saves/Moss.sav", b"moss" * 100)
    assert world.setup().status == 0
    return world


def card_out_for_a_night(world: World) -> None:
    """The mount point of the card is empty for one night."""
    away = world.folder / "away"
    world.card.rename(away)
    world.card.mkdir()
    world.next_evening()
    assert world.run("snapshot").status == 3
    world.card.rmdir()
    away.rename(world.card)
    world.next_evening()


def test_what_went_from_a_card_while_it_was_out_is_told(world: World) -> None:
    assert world.run("snapshot").status == 0
    card_out_for_a_night(world)
    (world.card / "Lantern/memory/Fern 0.mcr").unlink()
    world.write(world.card / "Lantern/memory/Fern 1.mcr", b"", 1)
    said = world.run("snapshot", "--json").document
    assert [(one["game"], one["what"]) for one in said["gone_files"]] == [("Fern 0", "gone")]
    assert [one["game"] for one in said["suspicious"]] == ["Fern 1"]
    good = said["suspicious"][0]["last_good"]
    assert [e["size"] for e in world.run("show", good, "--game", "Fern 1", "--json").document["entries"]] == [
        8192
    ]
    assert said["new_files"] == 1, "what lay on the card all the time is not new"
    world.next_evening()
    assert world.run("snapshot", "--json").document["gone_files"] == []


def test_what_was_recognised_stays_kept_over_a_night_without_the_card(world: World) -> None:
    world.write(world.card / "Quill/saves/Moss.srm", bytes(8192))
    world.write(world.card / "Quill/saves/Moss.bin", b"\0" * 8192)
    assert world.run("snapshot").status == 0
    first = kept(world)
    card_out_for_a_night(world)
    world.write(world.card / "Quill/saves/Moss.bin", random.Random(1).randbytes(12_345), 1)
    assert world.run("snapshot").status == 0
    assert kept(world) == first


def kept(world: World) -> set[str]:
    return {
        f"{e['emulator']}: {e['path']}" for e in world.run("show", "latest", "--json").document["entries"]
    }


def test_a_recognised_save_never_goes_into_another_emulators_home(world: World) -> None:
    (world.layouts / "tinplate.yaml").write_text(
        "layout: 1\nid: tinplate\ntitle: Tinplate\nlike: chosen-folder\n"
        "homes: [{name: main, at: ['internal:Emu/Tinplate']}]\n"
    )
    shutil.rmtree(world.internal / "Tinplate")
    mine = world.write(world.internal / "Emu/Tinplate/saves/Moss.sav", b"\x07mine" * 400, 30)
    other = world.write(world.internal / "Tinplate/saves/Moss.sav", b"\x09other" * 400, 10)
    assert world.run("snapshot").status == 0
    recognised = next(
        e for e in world.run("show", "latest", "--json").document["entries"] if e["size"] == 2400
    )
    before = mine.read_bytes()
    shutil.rmtree(world.internal / "Tinplate")
    said = world.run("restore", "latest", "--emulator", recognised["emulator"], "--yes")
    assert mine.read_bytes() == before, said.text
    assert other.read_bytes() == b"\x09other" * 400, said.text
