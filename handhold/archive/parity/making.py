"""Making the parity of a file that is whole, and putting it into the archive."""

from __future__ import annotations

from collections.abc import Iterator

import xxhash

from handhold.archive.parity.code import encoded
from handhold.archive.parity.shape import LARGEST_PROTECTED, SECTOR, Shape, shape_for
from handhold.archive.parity.sheet import FOLDER, is_small, parity_file, sheets_of
from handhold.archive.storage import Storage
from handhold.errors import Damaged

#: Bytes of the file that are in memory at once.
_HELD = 16 << 20


def parity_of(storage: Storage, file: str, size: int) -> Iterator[bytes]:
    """The bytes of the parity file of a file, which the caller has checked.

    Holds 16 MiB of the file and all of its parity in memory. Raises ``ValueError`` for a file that is empty
    or too large, ``Damaged`` if it cannot be read, ``FileNotFoundError``, and ``NoParity``.
    """
    if not 0 < size <= LARGEST_PROTECTED:
        raise ValueError(f"a file of {size} bytes cannot have parity")
    shape = shape_for(size)
    if is_small(shape):
        (sheet,) = sheets_of(file, shape, _exactly(storage, file, 0, size))
        yield sheet.ljust(SECTOR, b"\0")
        yield sheet
        return
    checks = [0] * shape.sectors
    rows = [bytearray() for _ in range(shape.spare)]
    together = max(1, _HELD // (shape.width * SECTOR))
    for first in range(0, shape.stripes, together):
        count = min(together, shape.stripes - first)
        blocks = [
            _row(storage, file, shape, position, first, count, checks) for position in range(shape.width)
        ]
        for row, made in zip(rows, encoded(blocks, shape.spare), strict=True):
            row += made
    for row in rows:
        checks += [xxhash.xxh3_64_intdigest(row[at : at + SECTOR]) for at in range(0, len(row), SECTOR)]
    sheets = sheets_of(file, shape, checks)
    for sheet in sheets:
        yield sheet.ljust(SECTOR, b"\0")
    yield from map(bytes, rows)
    for sheet in sheets[:-1]:
        yield sheet.ljust(SECTOR, b"\0")
    yield sheets[-1]


def _row(
    storage: Storage, file: str, shape: Shape, position: int, first: int, count: int, checks: list[int]
) -> bytes:
    """The sectors at one position of ``count`` stripes, which lie side by side; zeros beyond the end."""
    begin = position * shape.stripes + first
    there = max(0, min(count, shape.sectors - begin))
    length = max(0, min(there * SECTOR, shape.size - begin * SECTOR))
    data = _exactly(storage, file, begin * SECTOR, length) if there else b""
    for at in range(there):
        checks[begin + at] = xxhash.xxh3_64_intdigest(data[at * SECTOR : (at + 1) * SECTOR])
    return data.ljust(count * SECTOR, b"\0")


def _exactly(storage: Storage, file: str, offset: int, length: int) -> bytes:
    data = storage.read(file, offset, length)
    if len(data) != length:
        raise Damaged(f"{file} is shorter than it was.", "handhold verify says what is hurt.")
    return data


def write_parity(storage: Storage, file: str, size: int) -> int:
    """Writes the parity of a file; its size in bytes. Raises as ``parity_of`` does, and ``OwnerError``."""
    pending = storage.begin(FOLDER)
    written = 0
    try:
        for run in parity_of(storage, file, size):
            pending.write(run)
            written += len(run)
        pending.commit(parity_file(file))
    finally:
        pending.abandon()
    return written
