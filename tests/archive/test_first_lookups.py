"""Where blocks lie, as the first look-ups tell it from the tables and later ones from the sorted list."""

from __future__ import annotations

import random
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from handhold.archive import index
from handhold.archive.blocks import Sealed, seal
from handhold.archive.bundle import MAGIC, ROW, BundleWriter, Row
from handhold.archive.index import Index
from handhold.archive.storage import LocalStorage


def bundle_of(storage: LocalStorage, blocks: list[Sealed]) -> str:
    """The file of a bundle with these blocks."""
    writer = BundleWriter(storage)
    for block in blocks:
        writer.add(block)
    return writer.close()[0]


#: Blocks of three bundles, some of which lie in two, and some in none; and the same with each in one at most.
SHARED = (range(30), range(20, 50), range(10, 25))
APART = (range(30), range(30, 50), range(53, 55))


@pytest.mark.parametrize("bundles", [SHARED, APART])
@pytest.mark.parametrize("few", [0, 1 << 17])
@pytest.mark.parametrize("run", [1, 40, 1 << 18])
@pytest.mark.parametrize("scanned", [0, 1, 3000, 1 << 30])
def test_first_look_ups_tell_what_later_ones_tell(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    scanned: int,
    run: int,
    few: int,
    bundles: tuple[range, ...],
) -> None:
    monkeypatch.setattr(index, "_SCANNED", scanned)
    monkeypatch.setattr(index, "_FEW", few)
    monkeypatch.setattr(index, "_RUN", run)  # rows that are sorted together
    chance = random.Random(5)
    contents = [b"block %d" % number for number in range(60)]
    storage = LocalStorage(str(tmp_path))
    lies: dict[bytes, set[tuple[str, int]]] = {}
    for some in bundles:
        sealed = [seal(contents[number]) for number in some]
        file = bundle_of(storage, sealed)
        at = len(MAGIC)
        for one in sealed:
            lies.setdefault(one.id, set()).add((file, at))
            at += 64 + len(one.stored)  # a header has 64 bytes (FORMAT.md)
    asked = [seal(content).id for content in contents]
    for order in (asked, chance.sample(asked, len(asked)), asked[::-1]):
        found = Index(storage)
        for ident in order:
            expected = lies.get(ident, set())
            assert {(place.file, place.row.offset) for place in found.places(ident)} == expected
            assert len(list(found.numbers(ident))) == len(expected)
            begun = found.run(ident)
            assert (begun is None) == (not expected)
            if begun is not None:
                file, row, table = begun
                lowest = Row(*ROW.unpack_from(table, row * ROW.size))
                assert (file, lowest[1]) in expected and lowest[0] == ident
                assert found.place(min(found.numbers(ident))) == (file, lowest)
            first = found.first(ident)
            assert (first is None) == (not expected)
            assert first is None or (first.file, first.row.offset) in expected
            assert (ident in found) == bool(expected)


def test_a_name_inside_of_rows_is_no_row(tmp_path: Path) -> None:
    """The 32 bytes from the middle of a row on are nobody's name."""
    storage = LocalStorage(str(tmp_path))
    bundle_of(storage, [seal(b"one"), seal(b"two")])
    found = Index(storage)
    ((_, table),) = found.tables()
    inside = table[8:40]
    assert len(table) == 2 * ROW.size and inside in table
    assert inside not in found and found.first(inside) is None


@pytest.mark.parametrize("few", [0, 1 << 17])
@pytest.mark.parametrize("scanned", [0, 3000, 1 << 30])
@pytest.mark.parametrize("before", [0, 1, 2])
def test_what_is_added_is_found_beside_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, scanned: int, before: int, few: int
) -> None:
    """Whether or not anything was looked up, or sorted, before it was added."""
    monkeypatch.setattr(index, "_SCANNED", scanned)
    monkeypatch.setattr(index, "_FEW", few)
    storage = LocalStorage(str(tmp_path))
    bundles = [
        [seal(b"block %d" % number) for number in some] for some in (range(9), range(5, 20), range(30))
    ]
    for blocks in bundles[:before]:
        bundle_of(storage, blocks)
    found = Index(storage)
    for blocks in bundles[before:]:
        assert (bundles[0][7].id in found) == (len(found) > 0)
        writer = BundleWriter(storage)
        for block in blocks:
            writer.add(block)
        file, table = writer.close()
        found.add(file, table, storage.size(file))
    for number in range(40):
        ident = seal(b"block %d" % number).id
        expected = sum(ident in [block.id for block in blocks] for blocks in bundles)
        assert len(list(found.places(ident))) == len({*found.places(ident)}) == expected
        assert (ident in found) == bool(expected)


@pytest.mark.parametrize("few", [0, 1 << 17])
def test_what_is_added_while_others_look_up_is_not_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, few: int
) -> None:
    """One thread adds while another one's look-up has the list made."""
    monkeypatch.setattr(index, "_SCANNED", 0)
    monkeypatch.setattr(index, "_FEW", few)
    storage = LocalStorage(str(tmp_path))
    bundle_of(storage, [seal(b"first %d" % number) for number in range(50)])
    writer = BundleWriter(storage)
    writer.add(seal(b"added"))
    file, table = writer.close()
    storage.delete(file)  # so that only what is added tells of it
    found = Index(storage)
    size, each = len(table), Index._each
    adding: list[threading.Thread] = []

    def slowly(looking: Index) -> Iterator[tuple[bytes, int]]:
        tables = list(each(looking))
        if not adding:
            adding.append(threading.Thread(target=found.add, args=(file, table, size)))
            adding[0].start()
            adding[0].join(0.2)
        return iter(tables)

    monkeypatch.setattr(Index, "_each", slowly)
    assert seal(b"first 3").id in found
    adding[0].join()
    assert seal(b"added").id in found and seal(b"first 3").id in found
    assert [place.file for place in found.places(seal(b"added").id)] == [file]
