"""Damage by luck to a large archive, and the nights that come back in spite of it."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.rot.counting import Counts, damages
from tests.rot.large import by_luck, grown, restores


def test_damage_by_luck(tmp_path: Path) -> None:
    luck(tmp_path, 4, 40, 6)


@pytest.mark.long
@pytest.mark.timeout(1200)
def test_much_damage_to_a_large_archive(tmp_path: Path) -> None:
    luck(tmp_path, 150, 400, 40)


def luck(folder: Path, megabytes: int, times: int, restored: int) -> None:
    chance = random.Random(megabytes)
    world = grown(folder / "device", megabytes, chance)
    size = sum(map(len, world.files.values()))
    assert size > megabytes * 3 // 4 << 20
    counts = Counts()
    damages(counts, world, by_luck(world, chance, times), 5)
    restores(counts, world, by_luck(world, chance, restored), folder)
    print(f"archive of {size >> 20} MiB: {counts}")
    assert counts.nights and not counts.missed, counts.missed[:3]
