"""Reads a stored file at any place, by its recipe, without putting the whole of it together."""

from __future__ import annotations

from bisect import bisect_right
from collections import OrderedDict
from collections.abc import Iterator
from itertools import accumulate

from handhold.archive import recipe
from handhold.archive.archive import Archive
from handhold.archive.recipe import Range
from handhold.errors import Damaged
from handhold.model import Entry

_KEPT = 8  # blocks in memory


class Slices:
    """One entry of an archive, open for reading. Every method raises ``Damaged``."""

    def __init__(self, archive: Archive, entry: Entry) -> None:
        self._archive = archive
        self.entry = entry
        self.size = entry.size
        self._blocks: OrderedDict[bytes, bytes] = OrderedDict()
        if not entry.size:
            self._ranges: list[Range] = []
        elif entry.recipe is None:
            self._ranges = [Range(bytes.fromhex(entry.sha256), 0, entry.size)]
        else:
            try:
                self._ranges = recipe.decode(archive.block(entry.recipe), entry.size)
            except ValueError as error:
                raise Damaged(f"{entry.path} ({entry.emulator}) cannot be read: {error}.") from error
        self._starts = [0, *accumulate(one.length for one in self._ranges)]

    def ranges(self, offset: int, length: int) -> Iterator[Range]:
        """The ranges of blocks that hold these bytes of the file."""
        length = max(0, min(length, self.size - offset))
        at = bisect_right(self._starts, offset) - 1
        while length:
            one = self._ranges[at]
            skipped = offset - self._starts[at]
            taken = min(length, one.length - skipped)
            yield Range(one.id, one.offset + skipped, taken)
            offset += taken
            length -= taken
            at += 1

    def runs(self, offset: int, length: int) -> Iterator[bytes]:
        """These bytes of the file, run by run; fewer only where it ends."""
        for one in self.ranges(offset, length):
            plain = self._block(one.id)
            if one.offset + one.length > len(plain):
                raise Damaged(
                    f"{self.entry.path} ({self.entry.emulator}) cannot be read: its recipe is hurt."
                )
            yield plain[one.offset : one.offset + one.length]

    def read(self, offset: int, length: int) -> bytes:
        """These bytes of the file; fewer only where it ends."""
        return b"".join(self.runs(offset, length))

    def _block(self, ident: bytes) -> bytes:
        plain = self._blocks.get(ident)
        if plain is None:
            plain = self._blocks[ident] = self._archive.block(ident.hex())
            if len(self._blocks) > _KEPT:
                self._blocks.popitem(last=False)
        else:
            self._blocks.move_to_end(ident)
        return plain
