"""What is known of many blocks at once is what is known of each."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from handhold.archive.blocks import Sealed, seal
from handhold.archive.bundle import MAGIC, BundleWriter
from handhold.archive.index import Index
from handhold.archive.report import Findings
from handhold.archive.soundness import Meter, Soundness
from handhold.archive.stock import Stock, take_stock
from handhold.archive.storage import LocalStorage

#: Blocks by their number, bundle by bundle. Runs are shorter and longer than what is compared at once; some
#: lie in two bundles, and none has the last ones.
BUNDLES = (range(300), range(290, 330), range(400, 401), range(500, 564))
COUNT = 600


def content(number: int) -> bytes:
    return b"%d" % number * (number % 7 + 1)


def stored(root: Path) -> tuple[LocalStorage, Stock, dict[tuple[str, int], int]]:
    """Bundles on a medium; and the blocks by where their records lie, as FORMAT.md has it."""
    storage = LocalStorage(str(root))
    lie: dict[tuple[str, int], int] = {}
    for numbers in BUNDLES:
        writer, at = BundleWriter(storage), len(MAGIC)
        sealed: list[Sealed] = [seal(content(number)) for number in numbers]
        for block in sealed:
            writer.add(block)
        file, _ = writer.close()
        for number, block in zip(numbers, sealed, strict=True):
            lie[file, at] = number
            at += 64 + len(block.stored)
    return storage, take_stock(storage, Findings()), lie


def orders(chance: random.Random) -> list[list[int]]:
    """Numbers of blocks as they may be asked for: as they lie, backwards, in runs, and in disorder."""
    every = list(range(COUNT))
    runs = [number for start in chance.sample(every, 60) for number in every[start : start + start % 90]]
    return [[], [599], every, every[::-1], runs, chance.sample(every, COUNT), [5] * 40, every[250:] + every]


@pytest.mark.parametrize("hurt", [0, 1, 40, 300])
def test_the_sizes_of_many_blocks_are_those_of_blocks_that_can_be_had(tmp_path: Path, hurt: int) -> None:
    chance = random.Random(hurt)
    storage, stock, lie = stored(tmp_path)
    places = sorted(lie)
    bad = set(chance.sample(places, hurt))
    whole = {number for place, number in lie.items() if place not in bad}
    for file, at in bad:
        with open(tmp_path / file, "r+b") as bundle:
            bundle.seek(at + 64)
            byte = bundle.read(1)
            bundle.seek(at + 64)
            bundle.write(bytes([byte[0] ^ 1]))
    for asked in orders(chance):
        soundness = Soundness(storage, Index(storage), stock, Findings(), None)
        soundness.check(Meter(None, 0), {}, lambda: iter(()))
        sizes = soundness.sizes(b"".join(seal(content(number)).id for number in asked))
        assert sizes == [len(content(number)) if number in whole else -1 for number in asked]
        needed = {file for (file, at), number in lie.items() if number in asked and (file, at) not in bad}
        assert soundness.needed <= needed
        assert {lie[place] for place in lie if place[0] in soundness.needed} >= {*asked} & whole


class Counted(bytes):
    """Says how many bytes were copied out of it."""

    copied = 0

    def __getitem__(self, key):  # type: ignore[no-untyped-def]
        found = super().__getitem__(key)
        Counted.copied += len(found) if isinstance(key, slice) else 1
        return found


def test_a_long_list_in_disorder_is_not_copied_again_for_each_block(tmp_path: Path) -> None:
    """A stranger's page can name 500,000 blocks: to copy the rest of their names each time took minutes."""
    storage, stock, lie = stored(tmp_path)
    names = {number: seal(content(number)).id for number in lie.values()}
    asked = random.Random(1).choices(sorted(names), k=5000)
    soundness = Soundness(storage, Index(storage), stock, Findings(), None)
    Counted.copied = 0
    sizes = soundness.sizes(Counted(b"".join(names[number] for number in asked)))
    assert sizes == [len(content(number)) for number in asked]
    assert Counted.copied < 5000 * 32 * 100
