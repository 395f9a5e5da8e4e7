"""A new zip of some members of another: what stands for each member is taken as it is, the directory is new.

Nothing is unpacked or packed again, so that encrypted members and unknown ways of packing come through.
Source: APPNOTE.TXT, .ZIP File Format Specification, version 6.3.10, sections 4.3.12 to 4.3.16 and 4.5.3
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence

from handhold.archive.ziptree import Held, ZipTree

_OFFSET_AT, _NAME_AT = 42, 46
_FULL_16, _FULL_32 = 0xFFFF, 0xFFFFFFFF
_VERSION = 45  # of the specification, for zip64


def excerpt(tree: ZipTree, picked: Sequence[Held]) -> tuple[list[tuple[int, int]], bytes]:
    """The runs of the old file (offset, length) with which the new one begins, and its last bytes.

    ``picked`` are members of ``tree``. The new zip keeps their order, both in the file and in the directory.
    """
    runs: list[tuple[int, int]] = []
    places: dict[int, int] = {}
    size = 0
    for held in sorted(picked, key=lambda one: one.header):
        places[held.header] = size
        runs.append((held.header, held.end - held.header))
        size += held.end - held.header
    records = list(_records(tree, places))
    directory = b"".join(records)
    return runs, directory + _end(len(records), len(directory), size, tree.comment)


def _records(tree: ZipTree, places: dict[int, int]) -> Iterator[bytes]:
    for held in tree.members:
        if held.header not in places:
            continue
        record = bytearray(tree.directory[held.record : held.record_end])
        place = places[held.header]
        wide = _wide_offset(record)
        if wide is None:
            struct.pack_into("<L", record, _OFFSET_AT, place)  # it is not beyond the old one, which fitted
        else:
            struct.pack_into("<Q", record, wide, place)
        yield bytes(record)


def _wide_offset(record: bytearray) -> int | None:
    """Where the offset stands in the zip64 field of a record, if it does."""
    stored, size = struct.unpack_from("<2L", record, 20)
    names, extras = struct.unpack_from("<2H", record, 28)
    (offset,) = struct.unpack_from("<L", record, _OFFSET_AT)
    if offset != _FULL_32:
        return None
    at, end = _NAME_AT + names, _NAME_AT + names + extras
    while at + 4 <= end:
        ident, length = struct.unpack_from("<2H", record, at)
        if ident == 1:
            return int(at + 4 + 8 * ((size == _FULL_32) + (stored == _FULL_32)))
        at += 4 + length
    return None


def _end(count: int, directory: int, at: int, comment: bytes) -> bytes:
    wide = b""
    if count >= _FULL_16 or at >= _FULL_32 or directory >= _FULL_32:
        wide = struct.pack(
            "<4sQ2H2L4Q", b"PK\x06\x06", 44, _VERSION, _VERSION, 0, 0, count, count, directory, at
        ) + struct.pack("<4sLQL", b"PK\x06\x07", 0, at + directory, 1)
    here = min(count, _FULL_16)
    return (
        wide
        + struct.pack(
            "<4s4H2LH",
            b"PK\x05\x06",
            0,
            0,
            here,
            here,
            min(directory, _FULL_32),
            min(at, _FULL_32),
            len(comment),
        )
        + comment
    )
