"""Cutting large files by their content, so that a file that changed a little costs a little.

Source: W. Xia et al., "The Design of Fast Content-Defined Chunking for Data Deduplication Based Storage
Systems", IEEE TPDS 31(9), 2020 (FastCDC). Readers of an archive need not know how a file was cut.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial
from typing import TYPE_CHECKING, Protocol, runtime_checkable

if TYPE_CHECKING:
    from pyfastcdc import FastCDC

#: Files below this are one block (bytes).
SMALL = 1 << 20
#: The mean piece of a file of up to ``_STEADY`` bytes; beyond, pieces grow with the file, up to the last.
#: Below 24, 12 and 6 MiB they are smaller, down to the first: in memory cards and states a night rewrites a
#: few KiB here and there, and each such place costs a piece or two; a list of still more pieces would cost
#: what they save. No bound lies near a size that cards and states have.
_SMALLEST_MEAN, _MEAN, _STEADY, _LARGEST_MEAN = 8 << 10, 64 << 10, 64 << 20, 4 << 20
_RUN = 256 << 10  # bytes that are read at once
_BESIDE = 1 << 20  # bytes that are held beside the longest piece, at least


class SupportsRead(Protocol):
    """Whatever gives its bytes in runs; an empty run is the end."""

    def read(self, size: int, /) -> bytes:
        """Up to ``size`` bytes."""


@runtime_checkable
class SupportsReadInto(Protocol):
    """Whatever can put its bytes into memory that is there."""

    def readinto(self, room: memoryview, /) -> int:
        """Fills as much of it as it has; how many bytes. None is the end."""


class SupportsHoles(SupportsRead, Protocol):
    """The same, where another place of it can be the next."""

    def seek(self, offset: int, /) -> object:
        """The next run begins here."""


def mean_for(size: int) -> int:
    """The mean length of a piece, in bytes, for a file of ``size`` bytes: a power of two.

    >>> mean_for(1 << 20), mean_for(8 << 20), mean_for(64 << 20), mean_for(1 << 30), mean_for(1 << 40)
    (8192, 16384, 65536, 1048576, 4194304)
    """
    if size <= _STEADY:
        mean = _SMALLEST_MEAN
        while mean < _MEAN and mean * 768 < size:
            mean *= 2
        return mean
    # About a thousand pieces, whatever the size: the list of pieces stays small.
    return min(_LARGEST_MEAN, _MEAN << (-(-size // _STEADY) - 1).bit_length())


def pieces(stream: SupportsRead, size: int) -> Iterator[bytes]:
    """The stream in pieces, none empty, that make it up when put together; memory stays bounded.

    ``size`` is the expected length in bytes and only chooses how it is cut: below ``SMALL`` it is not cut. A
    stream that turns out longer still comes out whole.
    """
    if size < SMALL:
        while piece := _full(stream, SMALL):
            yield piece
        return
    cutter = _cutter(size)
    yield from _cut(cutter, stream, _room_for(cutter))


def sparse_pieces(stream: SupportsHoles, size: int, holes: Iterable[tuple[int, int]]) -> Iterator[bytes]:
    """The very pieces of ``pieces``, of a stream that has holes: what lies deep in them is not read.

    ``holes`` are runs of zeros (offset, length), one behind the other. The pieces that lie in them are one
    and the same object.
    """
    if size < SMALL or not holes:
        yield from pieces(stream, size)
        return
    cutter = _cutter(size)
    room = _room_for(cutter)
    longest: int = cutter.max_size
    zeros = bytes(longest)  # the system gives no memory for zeros that are only read
    blank = zeros[: next(cutter.cut_buf(zeros)).length]  # zeros are cut here, wherever they begin
    at = 0
    for start, length in holes:
        last = start + length - longest  # what begins here at the latest is cut by zeros alone
        if last < max(at, start):
            continue
        if at < start:
            for piece in _cut(cutter, stream, room):
                yield piece
                at += len(piece)
                if at >= start:
                    break
            else:
                return  # it is shorter than it was
        while at <= last:
            yield blank
            at += len(blank)
        stream.seek(at)  # more was read than was cut
    yield from _cut(cutter, stream, room)


def _cut(cutter: FastCDC, stream: SupportsRead, room: memoryview) -> Iterator[bytes]:
    """The rest of the stream in pieces, by way of ``room``; it may be read further than it was cut."""
    longest: int = cutter.max_size
    # Asked once: it takes as long as to read.
    read_into = stream.readinto if isinstance(stream, SupportsReadInto) else partial(_read_into, stream)
    begin = end = 0
    more = True
    while True:
        room[: end - begin] = room[begin:end]
        begin, end = 0, end - begin
        while more and end < len(room):
            got = read_into(room[end : end + _RUN])
            end += got
            more = got > 0
        if begin == end:
            return
        for chunk in cutter.cut_buf(room[:end]):
            piece = bytes(chunk.data)
            begin += len(piece)
            yield piece
            if more and end - begin < longest:
                break  # where it is cut next depends on what was not read yet


def _read_into(stream: SupportsRead, room: memoryview) -> int:
    """Reads the next bytes of a stream, and puts them into memory; how many they were."""
    run = stream.read(len(room))
    room[: len(run)] = run
    return len(run)


def _room_for(cutter: FastCDC) -> memoryview:
    """Memory that holds the longest piece, and enough beside it that what is left is seldom moved."""
    longest: int = cutter.max_size
    return memoryview(bytearray(longest + max(_BESIDE, longest // 2)))


def _cutter(size: int) -> FastCDC:
    from pyfastcdc import FastCDC

    mean = mean_for(size)
    return FastCDC(mean, min_size=mean // 4, max_size=mean * 4, normalized_chunking=2)


def _full(stream: SupportsRead, size: int) -> bytes:
    """``size`` bytes, fewer only at the end of the stream."""
    first = stream.read(size)
    if len(first) == size or not first:
        return first
    runs, got = [first], len(first)
    while got < size and (run := stream.read(size - got)):
        runs.append(run)
        got += len(run)
    return b"".join(runs) if len(runs) > 1 else first
