"""The records of an archive, cut into shares that can be judged apart, each by whoever has time for it."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from itertools import accumulate, pairwise
from typing import NamedTuple

from handhold.archive.bundle import ROW, columns

#: A share has so many stored bytes, or as many as make it one of ``_MOST``.
LEAST, _MOST = 8 << 20, 64
#: Borders cut files of several blocks of up to this part of all bytes: these have to be read once more.
_CUT = 16


class Span(NamedTuple):
    """Records of which those of a file of ``size`` bytes are the first and the last."""

    begin: int
    end: int
    size: int


class Piece(NamedTuple):
    """Records of one bundle: ``rows`` of its table; the first of them is number ``begin`` of all."""

    file: str
    begin: int
    rows: range


class Share(NamedTuple):
    """Records that are judged by one process, in their order: those from ``begin`` up to ``end``."""

    begin: int
    end: int
    pieces: list[Piece]


def shares(tables: Sequence[tuple[str, bytes]], spans: Iterable[Span]) -> list[Share]:
    """Cuts the records of bundles (files with their tables), counted through, into shares of about one size.

    The records of a file of several blocks stay together, but for few such files where a share would become
    too long. Pure.
    """
    starts = [*accumulate((len(table) // ROW.size for _, table in tables), initial=0)]
    offsets = [columns(table)[0] for _, table in tables]
    positions = [*accumulate((each[-1] for each in offsets), initial=0)]
    total, records = positions[-1], starts[-1]

    def number(position: int) -> int:
        """The record at so many stored bytes."""
        bundle = min(bisect_right(positions, position), len(tables)) - 1
        return starts[bundle] + bisect_left(offsets[bundle], position - positions[bundle])

    count = min(_MOST, total // LEAST)
    files = _Files(spans)
    left = total // _CUT
    borders = [0]
    for at in range(1, count):
        low, ideal, high = (number(total * (2 * at + by) // (2 * count)) for by in (-1, 0, 1))
        size, _, border = files.best(max(low, borders[-1] + 1), ideal, high)
        long = borders[-1] <= number(total * (at - 2) // count)
        if borders[-1] < border < records and size <= (left if long else 0):
            borders.append(border)
            left -= size
            files.cut(border)
    return [_share(begin, end, tables, starts) for begin, end in pairwise([*borders, records])]


def _share(begin: int, end: int, tables: Sequence[tuple[str, bytes]], starts: Sequence[int]) -> Share:
    pieces = []
    for bundle in range(bisect_right(starts, begin) - 1, len(tables)):
        start, behind = starts[bundle], starts[bundle + 1]
        if start >= end:
            break
        first = max(begin, start)
        pieces.append(Piece(tables[bundle][0], first, range(first - start, min(end, behind) - start)))
    return Share(begin, end, pieces)


class _Files:
    """How many bytes of files a border would cut that no other border cuts."""

    def __init__(self, spans: Iterable[Span]) -> None:
        self._uncut = list(spans)
        self._ends = sorted({end for span in self._uncut for end in (span.begin, span.end)})
        self._count()

    def best(self, low: int, ideal: int, high: int) -> tuple[int, int, int]:
        """The best border from ``low`` to ``high``: bytes that it cuts, how far it lies off, and itself."""
        near = self._ends[bisect_left(self._ends, low) : bisect_right(self._ends, high)]
        return min((self._bytes_at(one), abs(one - ideal), one) for one in [ideal, *near])

    def cut(self, border: int) -> None:
        """There is a border here."""
        if self._bytes_at(border):
            self._uncut = [span for span in self._uncut if not span.begin < border < span.end]
            self._count()

    def _bytes_at(self, border: int) -> int:
        return self._bytes[bisect_right(self._at, border)]

    def _count(self) -> None:
        changes: dict[int, int] = {}
        for begin, end, size in self._uncut:
            changes[begin + 1] = changes.get(begin + 1, 0) + size
            changes[end] = changes.get(end, 0) - size
        self._at = sorted(changes)
        self._bytes = [*accumulate(map(changes.__getitem__, self._at), initial=0)]
