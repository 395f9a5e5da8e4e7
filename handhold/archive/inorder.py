"""Blocks for a reader that takes them in about the order in which they were stored: read many at a time."""

from __future__ import annotations

from collections.abc import Iterator
from hashlib import sha256
from typing import TYPE_CHECKING

from handhold.archive.blocks import unpack
from handhold.archive.bundle import HEADER_SIZE, Fields
from handhold.errors import Damaged

if TYPE_CHECKING:
    from handhold.archive.contents import Contents

#: Bytes that are read at once where one block was followed by the next one.
_STRETCH = 1 << 20


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
            self._file, _, self._rows = run
            self._data = memoryview(b"")
            row = next(self._rows)
        begin, size = row[1] + HEADER_SIZE, row[2]
        at = begin - self._begin
        if not 0 <= at <= len(self._data) - size:
            length = max(size, _STRETCH) if behind else size
            self._data = memoryview(self._contents.storage.read(self._file, begin, length))
            self._begin, at = begin, 0
        return row, self._data[at : at + size]
