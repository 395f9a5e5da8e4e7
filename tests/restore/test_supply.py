"""What is read ahead comes to whom it belongs, whatever happens to its neighbours."""

from __future__ import annotations

import random
import threading
from pathlib import Path

import pytest

from handhold.errors import Damaged
from handhold.model import Entry
from handhold.restore.supply import Supply
from tests.restore.world import World


def kept(world: World, count: int = 150) -> tuple[list[Entry], dict[str, bytes]]:
    """Entries of small saves with a state of several blocks among them."""
    source = random.Random(3)
    contents = {f"saves/{number:03}.sav": source.randbytes(2000 + number) for number in range(count)}
    contents["saves/070 large.sav"] = source.randbytes(3 << 20)
    contents["saves/empty.sav"] = b""
    for path, data in contents.items():
        world.put("plover", path, data)
    return list(world.entries(world.night("plover"))), contents


def test_each_gets_its_own(tmp_path: Path) -> None:
    world = World(tmp_path)
    entries, contents = kept(world)
    with Supply(world.archive, entries) as supply:
        for number, entry in enumerate(entries):
            assert b"".join(supply.content(number)) == contents[entry.path]


def test_those_that_nobody_asks_for_are_passed_over(tmp_path: Path) -> None:
    world = World(tmp_path)
    entries, contents = kept(world)
    with Supply(world.archive, entries) as supply:
        for number in range(0, len(entries), 7):
            assert b"".join(supply.content(number)) == contents[entries[number].path]


def test_one_that_is_given_up_halfway(tmp_path: Path) -> None:
    world = World(tmp_path)
    entries, contents = kept(world)
    with Supply(world.archive, entries) as supply:
        for number, entry in enumerate(entries):
            content = supply.content(number)
            if "large" in entry.path:
                next(content)
            else:
                assert b"".join(content) == contents[entry.path]


def test_a_hurt_one_is_told_at_its_turn(tmp_path: Path) -> None:
    world = World(tmp_path)
    entries, contents = kept(world)
    (bundle,) = (world.root / "archive/bundles").rglob("*.bundle")
    data = bytearray(bundle.read_bytes())
    hurt = ("saves/020.sav", "saves/070 large.sav")
    for path in hurt:
        data[data.index(contents[path][1000:1100])] ^= 1  # noise lies in an archive as it is
    bundle.write_bytes(data)
    with Supply(world.archive, entries) as supply:
        for number, entry in enumerate(entries):
            if entry.path in hurt:
                with pytest.raises(Damaged):
                    b"".join(supply.content(number))
            else:
                assert b"".join(supply.content(number)) == contents[entry.path]


def test_a_run_that_is_stopped_leaves_no_thread(tmp_path: Path) -> None:
    world = World(tmp_path)
    entries, _ = kept(world)
    before = threading.active_count()
    with pytest.raises(KeyboardInterrupt), Supply(world.archive, entries) as supply:
        next(supply.content(0))
        raise KeyboardInterrupt
    assert threading.active_count() == before
