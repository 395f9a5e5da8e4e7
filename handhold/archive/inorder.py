"""Blocks in the order in which they were stored, or about that: many are read at a time."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator, Sequence
from hashlib import sha256
from typing import TYPE_CHECKING

from handhold.archive.blocks import unpack
from handhold.archive.bundle import HEADER_SIZE, ROW, Fields, Row
from handhold.errors import Damaged

if TYPE_CHECKING:
    from handhold.archive.contents import Contents

#: A block by its number among those that are asked for, its file and its row.
_Placed = tuple[int, str, Row]
#: Bytes that are read at once where one block was followed by the next one.
_STRETCH = 1 << 20
#: Bytes that are read along between two blocks: to ask once more takes longer.
_BETWEEN = 32 << 10


class ByPlace:
    """Many blocks, by their names, about in the order in which they lie.

    Lists that changed lie behind others, night by night. Where all lie is looked up at once.
    """

    def __init__(self, contents: Contents, idents: Sequence[bytes]) -> None:
        self._contents = contents
        rows = contents.index.rows_of(idents)
        order = sorted(range(len(idents)), key=rows.__getitem__)
        self._nowhere = [at for at in order if rows[at] < 0]
        places = [(at, *contents.index.place(rows[at])) for at in order if rows[at] >= 0]
        self._stretches = [*_stretches(places)]

    def blocks(
        self, done: Callable[[], Container[bytes]] = frozenset, *, backwards: bool = False
    ) -> Iterator[tuple[int, bytes | None]]:
        """The plain bytes of each with its number, checked.

        None for one that cannot be had so, which ``Contents.block`` may still find, or tell what is wrong.
        What is ``done`` by then, by name, is left out. ``backwards``: from the last one on, by stretches.
        """
        yield from ((at, None) for at in self._nowhere)
        for stretch in reversed(self._stretches) if backwards else self._stretches:
            over = done()
            if wanted := [placed for placed in stretch if placed[2].id not in over]:
                yield from self._read(wanted)

    def _read(self, stretch: Sequence[_Placed]) -> Iterator[tuple[int, bytes | None]]:
        _, file, first = stretch[0]
        begin, end = first.offset + HEADER_SIZE, max(map(_end, stretch))
        try:
            data = memoryview(self._contents.storage.read(file, begin, end - begin))
        except (FileNotFoundError, Damaged):
            data = memoryview(b"")
        for at, _, (ident, offset, size, plain_size, codec, check) in stretch:
            start = offset + HEADER_SIZE - begin
            try:
                plain = unpack(codec, data[start : start + size], plain_size, check)
            except ValueError:
                yield at, None
            else:
                yield at, plain if sha256(plain).digest() == ident else None


def _stretches(places: Sequence[_Placed]) -> Iterator[Sequence[_Placed]]:
    """Those that are read at once: neighbours in one file, until there are enough bytes."""
    first = 0
    for at in range(1, len(places)):
        _, file, row = places[at]
        _, before, began = places[first]
        if (
            file != before
            or row.offset > _end(places[at - 1]) + _BETWEEN
            or _end(places[at]) > began.offset + _STRETCH
        ):
            yield places[first:at]
            first = at
    if places:
        yield places[first:]


def _end(placed: _Placed) -> int:
    """Where a block's stored bytes end."""
    row = placed[2]
    return row.offset + HEADER_SIZE + row.stored


class InOrder:
    """Gives the blocks of ``contents``; for one thread.

    Where a block is the one behind the block that was asked for before, it is not looked up, and mostly read
    already. Whatever is wrong with one is left to ``Contents.block``, which tries every copy.
    """

    def __init__(self, contents: Contents) -> None:
        self._contents = contents
        self._file = ""
        self._rows: Iterator[Fields] = iter(())  # of that file, behind the block that was asked for last
        self._data = memoryview(b"")
        self._begin = 0  # where these bytes lie in the file

    def block(self, block_id: str) -> bytes:
        """The plain bytes of a block, checked. Raises ``Damaged``."""
        plain = self._unpacked(block_id)
        if plain is None or sha256(plain).hexdigest() != block_id:
            return self._contents.block(block_id)
        return plain

    def unpacked(self, block_id: str) -> bytes:
        """The same without a look at whether the content is the one that its name says."""
        plain = self._unpacked(block_id)
        return self._contents.block(block_id) if plain is None else plain

    def _unpacked(self, block_id: str) -> bytes | None:
        try:
            found = self._stored(bytes.fromhex(block_id))
            if found is None:
                return None
            (_, _, _, plain, codec, check), stored = found
            return unpack(codec, stored, plain, check)
        except (FileNotFoundError, ValueError, Damaged):
            return None

    def _stored(self, ident: bytes) -> tuple[Fields, memoryview] | None:
        """The row of a block and its stored bytes; None if no whole bundle has it."""
        row = next(self._rows, None)
        behind = row is not None and row[0] == ident
        if row is None or not behind:
            run = self._contents.index.run(ident)
            if run is None:
                self._rows = iter(())
                return None
            self._file, number, table = run
            self._rows = ROW.iter_unpack(memoryview(table)[number * ROW.size :])
            self._data = memoryview(b"")
            row = next(self._rows)
        begin, size = row[1] + HEADER_SIZE, row[2]
        at = begin - self._begin
        if not 0 <= at <= len(self._data) - size:
            length = max(size, _STRETCH) if behind else size
            self._data = memoryview(self._contents.storage.read(self._file, begin, length))
            self._begin, at = begin, 0
        return row, self._data[at : at + size]
