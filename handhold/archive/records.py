"""The records of a bundle, held against the rows of its table: many at once, as most are sound."""

from __future__ import annotations

import struct
from bisect import bisect_left, bisect_right
from collections.abc import Container, Iterator
from itertools import accumulate, compress, count, repeat
from operator import add, ne
from typing import NamedTuple

import xxhash

from handhold.archive.blocks import UNSOUND, opened
from handhold.archive.bundle import HEADER_SIZE, ROW, checks, columns, headers_of

_HEADER = struct.Struct(f"{HEADER_SIZE}s")


class Run(NamedTuple):
    """Records that lie without a gap: their rows, and the bytes that they take."""

    table: bytes
    length: int


class Judged(NamedTuple):
    """What was found of some records.

    ``bad`` has those with a hurt payload, by their offsets, with the reason; ``headers`` are hurt; ``plain``
    has the blocks that were to be kept, by their place among the records.
    """

    bad: dict[int, str]
    headers: int
    plain: dict[int, bytes]


def runs(table: bytes, most: int, plain: int) -> Iterator[Run]:
    """Cuts records into runs of ``most`` stored bytes, headers too, and up to one record more.

    ``plain`` bytes of plain blocks end a run, too. The rows of a table lie without a gap; those of records
    that were found by their headers may not, and no run goes across a gap.
    """
    offsets, stored, sizes, _ = columns(table)
    ends = list(map(add, map(add, offsets, stored), repeat(HEADER_SIZE)))
    unpacked = list(accumulate(sizes, initial=0))
    begin = 0
    for gap in [*compress(count(1), map(ne, ends, offsets[1:])), len(ends)]:
        while begin < gap:
            end = min(
                bisect_left(offsets, offsets[begin] + most, begin + 1, gap),
                bisect_left(unpacked, unpacked[begin] + plain, begin + 1, gap),
            )
            yield Run(table[begin * ROW.size : end * ROW.size], ends[end - 1] - offsets[begin])
            begin = end


def judge(table: bytes, data: bytes | memoryview, deep: bool, wanted: Container[int] = ()) -> Judged:
    """Holds the bytes of a run against its rows; ``deep`` also unpacks each block and looks at its content.

    The blocks that are ``wanted`` are kept, by a deep look that finds them sound. Nothing is done in a loop
    of the interpreter that a library can do for all: most archives have many small records.
    """
    offsets, stored, _, _ = columns(table)
    ends = list(accumulate(map(add, stored, repeat(HEADER_SIZE))))
    begins = [0, *ends[:-1]]
    behind = [begin + HEADER_SIZE for begin in begins]  # each header
    view = memoryview(data)
    found = b"".join(map(view.__getitem__, map(slice, begins, behind)))
    headers = 0
    if found != headers_of(table):
        found = found.ljust(len(begins) * HEADER_SIZE, b"\0")
        headers = sum(map(ne, _HEADER.iter_unpack(found), _HEADER.iter_unpack(headers_of(table))))
    payloads = list(map(view.__getitem__, map(slice, behind, ends)))
    hurt = set(compress(count(), map(ne, map(xxhash.xxh3_64_intdigest, payloads), checks(table))))
    hurt.update(range(bisect_right(ends, len(data)), len(ends)))  # what the file breaks off in
    bad = {offsets[number]: UNSOUND for number in hurt}
    kept: dict[int, bytes] = {}
    if deep:
        rows = zip(count(), ROW.iter_unpack(table), payloads)
        for number, (ident, offset, _, plain, codec, _), payload in rows:
            if number not in hurt:
                try:
                    block = opened(ident, codec, payload, plain)
                except ValueError as error:
                    bad[offset] = str(error)
                else:
                    if number in wanted:
                        kept[number] = block
    return Judged(bad, headers, kept)
