"""What can still be had of a hurt bundle, and the bundle written anew if that is all of it."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec
import xxhash

from handhold.archive.blocks import Sealed, unseal
from handhold.archive.bundle import (
    HEADER_SIZE,
    MAGIC,
    ROW,
    Row,
    name_of,
    pack_end,
    pack_header,
    read_table,
    rows,
    salvage,
    unpack_header,
)
from handhold.archive.parity.mended import Mended
from handhold.errors import OwnerError


class Remains(msgspec.Struct, frozen=True):
    """The records of a bundle that can be told apart, and which of them are sound.

    ``told`` says whether these are all that there were.
    """

    file: str
    view: Mended
    rows: tuple[Row, ...]
    sound: frozenset[int]  # offsets
    told: bool

    @property
    def whole(self) -> bool:
        """Whether the records make up the bundle of that name: its table proves it, whatever lay there."""
        return (
            bool(self.rows)
            and len(self.sound) == len(self.rows)
            and name_of(table_of(self.rows)) == self.file
        )

    def block(self, row: Row) -> Sealed:
        """A record's block; raises ``ValueError`` if it is not sound."""
        stored = self.view.read(self.file, row.offset + HEADER_SIZE, row.stored)
        block = Sealed(row.id, row.codec, stored, row.plain, row.check)
        unseal(block)
        return block

    def anew(self) -> Iterator[bytes]:
        """The bytes of the whole bundle. Raises ``ValueError`` if a record is not sound any more."""
        yield MAGIC
        for row in self.rows:
            block = self.block(row)
            yield pack_header(block)
            yield bytes(block.stored)
        table = table_of(self.rows)
        yield table
        yield pack_end(table)


def table_of(records: tuple[Row, ...]) -> bytes:
    """The table of a bundle with these records."""
    return b"".join(ROW.pack(*row) for row in records)


def remains(view: Mended) -> Remains:
    """Reads a bundle as far as it can be read. Raises ``NotNow``."""
    told = True
    try:
        found = tuple(rows(read_table(view, view.file, view.size)))
    except (ValueError, OwnerError):
        found = tuple(salvage(view, view.file, view.size))
        told = bool(found) and name_of(table_of(found)) == view.file
    sound = frozenset(row.offset for row in found if _is_sound(view, row))
    return Remains(view.file, view, found, sound, told)


def is_untouched(view: Mended) -> bool:
    """Whether a bundle is as it was written, to the last byte: not only its records, but all around them."""
    try:
        table = read_table(view, view.file, view.size)
    except (ValueError, OwnerError):
        return False
    if view.read(view.file, 0, len(MAGIC)) != MAGIC:
        return False
    return all(
        unpack_header(view.read(view.file, row.offset, HEADER_SIZE), row.offset) == row
        and _is_sound(view, row)
        for row in rows(table)
    )


def _is_sound(view: Mended, row: Row) -> bool:
    stored = view.read(view.file, row.offset + HEADER_SIZE, row.stored)
    return len(stored) == row.stored and xxhash.xxh3_64_intdigest(stored) == row.check
