"""Sheets: the sectors of a parity file that say what it protects, and hold the checksums of all sectors.

Every sheet stands by itself: it has its own checksum, and tells the whole shape. All of them stand twice.
"""

from __future__ import annotations

import hashlib
import re
import struct
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import xxhash

from handhold.archive.filenames import PARITY
from handhold.archive.parity.shape import LEAST_SPARE, SECTOR, Shape
from handhold.archive.storage import LARGEST_FILE

FOLDER = PARITY
MAGIC = b"\x89HHP1\r\n\x1a"
#: magic, XXH3-64 of all that follows it, number of this sheet, number of sheets, size of the file, stripes,
#: width, spare, length of what follows the name, zero, name of the file
_HEAD = struct.Struct("<8sQIIIIHHHH100s")
_CHECKED_FROM = 16
#: Bytes in a sheet behind its head: checksums, or the whole of a small file.
ROOM = SECTOR - _HEAD.size
CHECKS = ROOM // 8
#: The files that can have parity.
_PROTECTED = re.compile(r"[A-Za-z0-9._-]{1,99}|(?:bundles/[0-9a-f]{2}|manifests)/[A-Za-z0-9._-]{1,87}")
_BUNDLE = re.compile(r"bundles/[0-9a-f]{2}/([0-9a-f]{32})\.bundle")


class Sheet(NamedTuple):
    """What one sheet says; ``body`` is checksums, or the file itself if that is a small one."""

    file: str
    shape: Shape
    number: int
    sheets: int
    body: bytes

    @property
    def facts(self) -> tuple[str, Shape]:
        """What all sheets of one parity file say alike."""
        return self.file, self.shape


def parity_file(file: str) -> str:
    """The file with the parity of a bundle, a manifest, or one of the archive's own files.

    >>> parity_file("bundles/98/985e4b3b02ef1929de493cf76ccfd780.bundle")
    'parity/985e4b3b02ef1929de493cf76ccfd780.parity'
    """
    bundle = _BUNDLE.fullmatch(file)
    ident = bundle[1] if bundle else hashlib.sha256(file.encode()).hexdigest()[:32]
    return f"{FOLDER}/{ident}.parity"


def is_small(shape: Shape) -> bool:
    """Whether the file fits into a sheet: then the two sheets are its parity, and hold all of it."""
    return shape.size <= ROOM


def sheets_for(shape: Shape) -> int:
    """How many sheets hold the checksums of all sectors, those of the file first."""
    return 1 if is_small(shape) else -(-(shape.sectors + shape.parity_sectors) // CHECKS)


def parity_size(shape: Shape) -> int:
    """The size of the parity file in bytes: sheets, parity, and the sheets again, the last one cut short."""
    sheets = sheets_for(shape)
    if is_small(shape):
        last, between = shape.size, 0
    else:
        last = (shape.sectors + shape.parity_sectors - (sheets - 1) * CHECKS) * 8
        between = shape.parity_sectors
    return (2 * sheets - 1 + between) * SECTOR + _HEAD.size + last


def sheets_of(file: str, shape: Shape, body: Sequence[int] | bytes) -> list[bytes]:
    """The sheets, without what fills them up to a sector; ``body`` is checksums or a small file's bytes."""
    data = body if isinstance(body, bytes) else struct.pack(f"<{len(body)}Q", *body)
    count = sheets_for(shape)
    if len(data) > count * ROOM or not _PROTECTED.fullmatch(file):
        raise ValueError(f"{file} cannot have parity")
    return [
        _sheet(Sheet(file, shape, number, count, data[number * CHECKS * 8 :][: CHECKS * 8]))
        if not is_small(shape)
        else _sheet(Sheet(file, shape, 0, 1, data))
        for number in range(count)
    ]


def _sheet(sheet: Sheet) -> bytes:
    size, stripes, width, spare = sheet.shape
    head = _HEAD.pack(
        MAGIC,
        0,
        sheet.number,
        sheet.sheets,
        size,
        stripes,
        width,
        spare,
        len(sheet.body),
        0,
        sheet.file.encode(),
    )
    rest = head[_CHECKED_FROM:] + sheet.body
    return MAGIC + struct.pack("<Q", xxhash.xxh3_64_intdigest(rest)) + rest


def read_sheet(sector: bytes) -> Sheet | None:
    """The sheet in a sector, None if there is no sound one. It is checked as a stranger's would be."""
    if len(sector) < _HEAD.size or not sector.startswith(MAGIC):
        return None
    _, check, number, sheets, size, stripes, width, spare, length, zero, name = _HEAD.unpack_from(sector)
    end = _HEAD.size + length
    if end > len(sector) or any(sector[end:]) or zero:
        return None
    if xxhash.xxh3_64_intdigest(sector[_CHECKED_FROM:end]) != check:
        return None
    file = name.rstrip(b"\0").decode("ascii", "replace")
    shape = Shape(size, stripes, width, spare)
    if not shape.possible or size > LARGEST_FILE or _PROTECTED.fullmatch(file) is None:
        return None
    if number >= sheets or sheets != sheets_for(shape) or (is_small(shape) and spare != LEAST_SPARE):
        return None
    body = sector[_HEAD.size : end]
    if length != (size if is_small(shape) else 8 * _checks_in(shape, number, sheets)):
        return None
    return Sheet(file, shape, number, sheets, body)


def _checks_in(shape: Shape, number: int, sheets: int) -> int:
    total = shape.sectors + shape.parity_sectors
    return CHECKS if number < sheets - 1 else total - number * CHECKS


def checks(sheet: Sheet) -> Iterator[tuple[int, int]]:
    """The checksums of a sheet: number of the sector (those of parity behind those of the file), checksum."""
    first = sheet.number * CHECKS
    return enumerate((check for (check,) in struct.iter_unpack("<Q", sheet.body)), first)
