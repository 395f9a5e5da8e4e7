"""Reads the records of shares once, in large runs, and holds them against their rows."""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from functools import partial
from itertools import chain, repeat
from typing import TYPE_CHECKING, NamedTuple

from handhold.archive.bundle import HEADER_SIZE, MAGIC, ROW, header_of
from handhold.archive.mapped import MappedStorage
from handhold.archive.records import Judged, judge, runs
from handhold.archive.shares import Piece, Share
from handhold.archive.storage import Storage
from handhold.archive.wholes import Part, Passing, Wholes
from handhold.errors import NotNow, OwnerError
from handhold.threads import pool

if TYPE_CHECKING:
    from concurrent.futures import ThreadPoolExecutor

#: Bytes that are read at once: large for a card, and small enough to be still at hand when they are summed.
RUN = 1 << 21
#: Bytes that are looked at in memory at once.
LOOK = 1 << 23
#: What may be at work or wait in the threads: runs, and bytes of unpacked blocks that are wanted.
_WAITING, _KEPT = 8, 16 << 20
#: Runs that may be read ahead.
_AHEAD = 2


class Found(NamedTuple):
    """What was found of a piece."""

    file: str
    gone: bool  # the bundle is not there any more
    magic: bool  # its first bytes are as they should be, if they belong to the piece
    done: int  # bytes that were read
    headers: int  # that are hurt
    bad: dict[int, str]  # records with a hurt payload, by their offsets, with the reason


class Result(NamedTuple):
    """What was found of the pieces of a share, and the digests of whole files, by their recipes."""

    found: list[Found]
    digests: dict[bytes, bytes]


class _Piece:
    """A piece that is being read."""

    def __init__(self, file: str, magic: bool, gone: bool) -> None:
        self.file, self.magic, self.gone = file, magic, gone
        self.done = self.headers = 0
        self.bad: dict[int, str] = {}

    def found(self) -> Found:
        return Found(self.file, self.gone, self.magic, self.done, self.headers, self.bad)


class _Run(NamedTuple):
    """Records of a piece that are being read or judged."""

    piece: _Piece
    passing: Passing
    parts: list[Part]
    begin: int  # the number of the first
    length: int  # bytes
    kept: int  # bytes
    judged: Callable[[], Judged]


class _Share(NamedTuple):
    """A share all runs of which are being read or judged."""

    number: int
    pieces: list[_Piece]
    passing: Passing
    kept: int = 0


class Judging:
    """Judges records; needs ``with``.

    So many ``threads`` judge them, and whoever asks digests whole files meanwhile. With none of them whoever
    asks does it all, and a thread only reads ahead: that takes the least of the processor. What a
    ``MappedStorage`` has at hand is not read. With ``wholes`` every block is unpacked and compared with its
    name.
    """

    def __init__(
        self, storage: Storage, tables: Mapping[str, bytes], wholes: Wholes | None, threads: int
    ) -> None:
        self._storage = storage
        self._mapped = storage if isinstance(storage, MappedStorage) else None
        self._tables = tables
        self._wholes = wholes
        self._threads = threads
        self._threads_begun: ThreadPoolExecutor | None = None

    def __enter__(self) -> Judging:
        return self

    def __exit__(self, *_: object) -> None:
        if self._threads_begun is not None:
            self._threads_begun.shutdown(cancel_futures=True)

    @property
    def _executor(self) -> ThreadPoolExecutor:
        if self._threads_begun is None:
            self._threads_begun = pool(max(1, self._threads), "handhold-judging")
            # A system that has seen so large a piece come and go keeps what a run leaves for the next one:
            # pages that are asked for anew have to be cleared.
            bytes(4 * RUN)
        return self._threads_begun

    def results(
        self, shares: Sequence[Share], numbers: Iterable[int], step: Callable[[int], None]
    ) -> Iterator[tuple[int, Result]]:
        """What is found of these of the shares, with their numbers; ``step`` gets the bytes of each run.

        Goes on with the next share while the last runs of the one before are at work. ``NotNow`` passes.
        """
        waiting: deque[_Run | _Share] = deque()
        kept = 0
        most = _WAITING if self._threads else _AHEAD
        for last in chain(self._begun(shares, numbers), repeat(None)):
            if last is not None:
                waiting.append(last)
                kept += last.kept
            while waiting and (last is None or len(waiting) > most or kept > _KEPT):
                oldest = waiting.popleft()
                kept -= oldest.kept
                if isinstance(oldest, _Run):
                    self._take(oldest)
                    step(oldest.length)
                else:
                    found = [piece.found() for piece in oldest.pieces]
                    yield oldest.number, Result(found, oldest.passing.digests)
            if last is None:
                return

    def _begun(self, shares: Sequence[Share], numbers: Iterable[int]) -> Iterator[_Run | _Share]:
        """Has the records read and judged, in the order in which they lie."""
        for number in numbers:
            share = shares[number]
            passing = self._wholes.between(share.begin, share.end) if self._wholes else Passing(())
            pieces = []
            for piece in share.pieces:
                one = self._opened(piece)
                pieces.append(one)
                yield from self._runs(piece, one, passing)
            yield _Share(number, pieces, passing)

    def _opened(self, piece: Piece) -> _Piece:
        """A piece before its records are read."""
        if piece.rows.start:
            return _Piece(piece.file, True, False)
        try:
            return _Piece(piece.file, tried(self._storage, piece.file, 0, len(MAGIC)) == MAGIC, False)
        except FileNotFoundError:
            return _Piece(piece.file, True, True)

    def _runs(self, piece: Piece, into: _Piece, passing: Passing) -> Iterator[_Run]:
        table = self._tables[piece.file][piece.rows.start * ROW.size : piece.rows.stop * ROW.size]
        begin = piece.begin
        for rows, there, length in self._cut(piece.file, table):
            if into.gone:
                return
            count = len(rows) // ROW.size
            parts = passing.parts(begin, begin + count)
            wanted = {number - begin for part in parts for number in part.records if number >= begin}
            kept = sum(ROW.unpack_from(rows, at * ROW.size)[3] for at in wanted) if self._threads else 0
            judged = self._asked(piece.file, rows, length, wanted, there)
            yield _Run(into, passing, parts, begin, length, kept, judged)
            begin += count

    def _cut(self, file: str, table: bytes) -> Iterator[tuple[bytes, memoryview | None, int]]:
        """Runs of records: their rows, the bytes of those that are at hand, and how many bytes there are."""
        most = 2 * RUN if self._wholes else sys.maxsize
        if self._mapped is None:
            for rows, length in runs(table, RUN, most):
                yield rows, None, length
            return
        for some, size in runs(table, LOOK, most):
            there = self._mapped.at_hand(file, ROW.unpack_from(some)[1], size)
            if there is not None:
                yield some, there, size
                continue
            for rows, length in runs(some, RUN, most):
                yield rows, None, length

    def _asked(
        self, file: str, rows: bytes, length: int, wanted: Container[int], there: memoryview | None
    ) -> Callable[[], Judged]:
        """Has records judged, or at least read; the blocks that are wanted are kept."""
        if there is not None:
            judged = partial(self._judged, file, rows, wanted, there)
            return self._executor.submit(judged).result if self._threads else judged
        read = partial(self._read, file, rows, length)
        if self._threads:
            return self._executor.submit(lambda: self._judged(file, rows, wanted, read())).result
        reading = self._executor.submit(read)
        return lambda: self._judged(file, rows, wanted, reading.result())

    def _read(self, file: str, rows: bytes, length: int) -> bytes | None:
        """The bytes of records; None where they cannot be read at once."""
        try:
            return self._storage.read(file, ROW.unpack_from(rows)[1], length)
        except NotNow:
            raise
        except OwnerError:
            return None

    def _judged(
        self, file: str, rows: bytes, wanted: Container[int], data: bytes | memoryview | None
    ) -> Judged:
        deep = self._wholes is not None
        return self._one_by_one(file, rows, deep) if data is None else judge(rows, data, deep, wanted)

    def _take(self, run: _Run) -> None:
        """Waits for a run, and takes in what was found."""
        piece = run.piece
        try:
            bad, headers, plain = run.judged()
        except FileNotFoundError:
            piece.gone = True
            return
        piece.bad.update(bad)
        piece.headers += headers
        piece.done += run.length
        if run.parts:
            run.passing.take(run.parts, {run.begin + at: block for at, block in plain.items()})

    def _one_by_one(self, file: str, rows: bytes, deep: bool) -> Judged:
        """The same where a run cannot be read at once: exactly what is asked for is read."""
        bad: dict[int, str] = {}
        headers = 0
        for row in ROW.iter_unpack(rows):
            _, offset, stored, *_ = row
            header = tried(self._storage, file, offset, HEADER_SIZE) or b""
            try:
                payload = self._storage.read(file, offset + HEADER_SIZE, stored)
            except NotNow:
                raise
            except OwnerError as error:
                bad[offset] = error.what.rstrip(".")
                headers += header != header_of(row)
            else:
                one = judge(ROW.pack(*row), header.ljust(HEADER_SIZE, b"\0") + payload, deep)
                bad.update(one.bad)
                headers += one.headers
        return Judged(bad, headers, {})


def tried(storage: Storage, file: str, offset: int, length: int) -> bytes | None:
    """What can be read there, None if the medium cannot. ``NotNow`` and ``FileNotFoundError`` pass."""
    try:
        return storage.read(file, offset, length)
    except NotNow:
        raise
    except OwnerError:
        return None
