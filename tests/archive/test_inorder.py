"""Blocks that are read many at a time are those that are read one by one."""

from __future__ import annotations

import hashlib
import random
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.archive.inorder import ByPlace, InOrder
from handhold.errors import Damaged
from tests.restore.world import World

SIZES = (1, 700, 40_000, 300_000, 900_000)


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> tuple[World, dict[str, bytes]]:
    """Two nights, so two bundles; each save is one block, named by its digest."""
    world = World(tmp_path_factory.mktemp("world"))
    source = random.Random(7)
    blocks: dict[str, bytes] = {}
    for night in range(2):
        for number in range(20):
            data = source.randbytes(SIZES[number % 5]) if number % 2 else bytes([night, number]) * 300
            world.put("plover", f"saves/{night} {number:02}.sav", data)
            blocks[hashlib.sha256(data).hexdigest()] = data
        world.night("plover")
    return world, blocks


@settings(max_examples=60, deadline=None)
@given(order=st.lists(st.integers(0, 39), max_size=60), whole=st.booleans())
def test_in_any_order_each_block_is_itself(
    world: tuple[World, dict[str, bytes]], order: list[int], whole: bool
) -> None:
    kept, blocks = world
    names = list(blocks)
    reader = InOrder(kept.archive)
    read = reader.block if whole else reader.unpacked
    for number in (*order, *range(40)):
        ident = names[number]
        # Source: FIPS 180-4, SHA-256, as hashlib has it
        assert hashlib.sha256(read(ident)).hexdigest() == ident


@settings(max_examples=60, deadline=None)
@given(
    asked=st.lists(st.integers(0, 41), max_size=60), over=st.sets(st.integers(0, 39)), backwards=st.booleans()
)
def test_of_many_at_once_each_is_itself(
    world: tuple[World, dict[str, bytes]], asked: list[int], over: set[int], backwards: bool
) -> None:
    """Some twice, and two that nobody has."""
    kept, blocks = world
    names = [*map(bytes.fromhex, blocks), bytes(32), b"\1" * 32]
    idents = [names[number] for number in asked]
    done = {names[number] for number in over}
    by_place = ByPlace(kept.archive, idents)
    found = [*by_place.blocks(lambda: done, backwards=backwards)]
    assert sorted(at for at, _ in found) == [at for at, ident in enumerate(idents) if ident not in done]
    for at, plain in found:
        if asked[at] >= 40:
            assert plain is None
        else:
            # Source: FIPS 180-4, SHA-256, as hashlib has it
            assert hashlib.sha256(plain or b"").digest() == idents[at]


def test_few_reads_are_enough_for_some_of_many(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each second one of two hundred, and one that is far from all others."""
    world = World(tmp_path)
    for number in range(200):
        world.put("plover", f"saves/{number:03}.sav", random.Random(number).randbytes(1000))
    world.put("plover", "saves/a.sav", random.Random(201).randbytes(100_000))
    world.put("plover", "saves/b.sav", b"far")
    entries = list(world.entries(world.night("plover")))
    storage, taken = world.archive.storage, 0
    read = storage.read

    def counted(name: str, offset: int, length: int) -> bytes:
        nonlocal taken
        taken += 1
        return read(name, offset, length)

    idents = [bytes.fromhex(entry.sha256) for entry in entries]
    idents = [*idents[:200:2], idents[-1]]
    by_place = ByPlace(world.archive, idents)
    monkeypatch.setattr(storage, "read", counted)
    assert [hashlib.sha256(plain or b"").digest() for _, plain in by_place.blocks()] == idents
    assert taken == 2


def test_few_reads_are_enough_where_blocks_lie_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    world = World(tmp_path)
    for number in range(100):
        world.put("plover", f"saves/{number:03}.sav", random.Random(number).randbytes(1000))
    entries = list(world.entries(world.night("plover")))
    storage = world.archive.storage
    read, taken = storage.read, []

    def counted(name: str, offset: int, length: int) -> bytes:
        taken.append(length)
        return read(name, offset, length)

    reader = InOrder(world.archive)
    assert world.archive.index  # so that no table is read below
    monkeypatch.setattr(storage, "read", counted)
    for entry in entries:
        reader.block(entry.sha256)
    assert len(taken) == 2  # the first one by itself, and once it is clear that more will follow, the rest


def test_a_block_that_nobody_has(world: tuple[World, dict[str, bytes]]) -> None:
    reader = InOrder(world[0].archive)
    for read in (reader.block, reader.unpacked):
        with pytest.raises(Damaged):
            read("00" * 32)


def test_a_hurt_block_is_told_and_its_neighbours_are_not(tmp_path: Path) -> None:
    world = World(tmp_path)
    saves = [random.Random(number).randbytes(5000) for number in range(6)]
    for number, data in enumerate(saves):
        world.put("plover", f"saves/{number}.sav", data)
    world.night("plover")
    (bundle,) = (world.root / "archive/bundles").rglob("*.bundle")
    stored = bytearray(bundle.read_bytes())
    stored[stored.index(saves[3]) + 17] ^= 1  # noise lies in an archive as it is
    bundle.write_bytes(stored)
    idents = [hashlib.sha256(save).digest() for save in saves]
    found = dict(ByPlace(world.archive, idents).blocks())
    assert found == {number: save if number != 3 else None for number, save in enumerate(saves)}
    reader = InOrder(world.archive)
    for number, save in enumerate(saves):
        ident = hashlib.sha256(save).hexdigest()
        if number == 3:
            with pytest.raises(Damaged):
                reader.block(ident)
        else:
            assert reader.block(ident) == save
