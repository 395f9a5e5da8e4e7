"""Reads every record of every bundle once, in large runs, and tells which blocks are sound."""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Callable, Container, Iterable, Iterator
from concurrent.futures import Executor, Future
from typing import NamedTuple

import msgspec

from handhold.archive import bundle as bundles
from handhold.archive.bundle import END_SIZE, HEADER_SIZE, MAGIC, ROW, Fields, Row, header_of
from handhold.archive.index import Index, Place
from handhold.archive.records import Judged, judge, runs
from handhold.archive.report import Findings
from handhold.archive.stock import Stock, rightful_bundle
from handhold.archive.storage import Storage
from handhold.archive.wholes import Part, Wholes
from handhold.errors import NotNow, OwnerError

#: Bytes that are read at once: large for a card, and small enough to be still at hand when they are summed.
RUN = 1 << 21
#: What may be at work or wait in the threads: runs, and bytes of unpacked blocks that are wanted.
_WAITING, _KEPT = 8, 16 << 20


class _Bundle(msgspec.Struct):
    """A bundle that is being read."""

    file: str
    size: int
    rows: bytes  # of its records, as its table has them
    whole: bool  # whether its table is sound
    begin: int  # the number of its first record, where records are counted
    total: int = 0  # records
    done: int = 0  # bytes
    headers: int = 0  # that are hurt
    bad: dict[int, str] = {}
    gone: bool = False


class _Run(NamedTuple):
    """Records of a bundle that are being judged in a thread."""

    bundle: _Bundle
    begin: int  # the number of the first
    length: int  # bytes
    parts: list[Part]
    kept: int  # bytes
    judged: Future[Judged]


class Meter:
    """Tells how many bytes are done, of how many."""

    def __init__(self, tell: Callable[[int, int], None] | None, total: int) -> None:
        self._tell = tell
        self._done, self.total = 0, total

    def step(self, count: int) -> None:
        """So many bytes more are done."""
        self._done += count
        if self._tell is not None:
            self._tell(self._done, max(self.total, self._done))


class Soundness:
    """Which blocks can be had, after ``check`` has read all bundles.

    With ``wholes`` the check is a deep one: every block is unpacked and compared with its name, and handed to
    ``wholes``.
    """

    def __init__(
        self,
        storage: Storage,
        index: Index,
        stock: Stock,
        findings: Findings,
        executor: Executor,
        wholes: Wholes | None,
    ) -> None:
        self._storage = storage
        self._index = index
        self._stock = stock
        self._findings = findings
        self._executor = executor
        self._wholes = wholes
        self._bad: dict[str, set[int]] = {}
        self._strays: dict[bytes, str] = {}
        #: Records that were found, hurt or not.
        self.count = 0
        #: Bundles in which something was found that was asked for.
        self.needed: set[str] = set()

    def check(self, meter: Meter, strays: dict[bytes, str]) -> None:
        """Reads all bundles; ``strays`` has the blocks of those that bear another name. ``NotNow`` passes."""
        self._strays = strays
        tables = dict(self._index.tables())
        first = [file for file in self._wholes.bundles if file in self._stock.bundles] if self._wholes else []
        waiting: deque[_Run | _Bundle] = deque()
        kept = 0

        def settle() -> None:
            """Takes in what was found of the oldest run, or of a whole bundle."""
            nonlocal kept
            oldest = waiting.popleft()
            if isinstance(oldest, _Run):
                kept -= oldest.kept
                self._take(oldest)
                meter.step(oldest.length)
            else:
                meter.step(self._told(oldest))

        # A system that has seen so large a piece come and go keeps what a run leaves for the next one: pages
        # that are asked for anew have to be cleared.
        bytes(4 * RUN)
        # Threads go on with the next bundle while the last runs of the one before are still at work.
        for file in dict.fromkeys([*first, *sorted(self._stock.bundles)]):
            try:
                bundle = self._begun(file, self._stock.bundles[file], tables)
            except FileNotFoundError:
                self._vanished(file)
                continue
            for run in self._runs(bundle):
                waiting.append(run)
                kept += run.kept
                while len(waiting) > _WAITING or kept > _KEPT:
                    settle()
                if bundle.gone:
                    break
            waiting.append(bundle)
        while waiting:
            settle()

    def find(self, ident: bytes) -> Place | None:
        """Where the block can be had."""
        for place in self._index.places(ident):
            if place.row.offset not in self._bad.get(place.file, ()):
                self.needed.add(place.file)
                return place
        return None

    def sizes(self, idents: Iterable[bytes]) -> list[int]:
        """The plain size in bytes of each block that can be had, -1 where it cannot: ``find`` for many.

        Most are asked for in the order in which they were stored: then the next row is the block's.
        """
        found = []
        file = ""
        rows: Iterator[Fields] = iter(())
        bad: Container[int] = ()
        for ident in idents:
            row = next(rows, None)
            if row is None or row[0] != ident:
                run = self._index.run(ident)
                if run is not None:
                    file, _, rows = run
                    bad = self._bad.get(file, ())
                    row = next(rows)
                    if row[1] not in bad:
                        self.needed.add(file)
            if row is not None and row[0] == ident and row[1] not in bad:
                found.append(row[3])
            else:
                place = self.find(ident)
                found.append(-1 if place is None else place.row.plain)
        return found

    def causes(self, ident: bytes) -> tuple[str, ...]:
        """The files that are to blame if the block cannot be had."""
        files = {place.file for place in self._index.places(ident)}
        if not files and ident in self._strays:
            files = {self._strays[ident]}
        if not files and len(self._stock.incomplete) == 1:
            files = {self._stock.incomplete[0]}
        if not files:
            files = {bundles.FOLDER}
            among = ", or it was in one of those that are hurt" if self._stock.incomplete else ""
            self._findings.damage(
                bundles.FOLDER, f"something that snapshots need is in no bundle: a bundle is missing{among}"
            )
        return tuple(sorted(files))

    def _begun(self, file: str, size: int, tables: dict[str, bytes]) -> _Bundle:
        """A bundle before its records are read; what is found of the rest goes to the findings."""
        table = tables.get(file)
        if table is not None:
            if _tried(self._storage, file, 0, len(MAGIC)) != MAGIC:
                self._findings.damage(file, "its first bytes are hurt")
            begin = self._wholes.begins[file] if self._wholes else 0
            return _Bundle(file, size, table, True, begin)
        if file in self._index.hurt:
            rows = b"".join(ROW.pack(*row) for row in self._salvaged(file, size))
            return _Bundle(file, size, rows, False, 0)
        raise FileNotFoundError(file)

    def _salvaged(self, file: str, size: int) -> list[Row]:
        """The records that can be told apart in a bundle without a table."""
        why = self._index.hurt[file].rstrip(".")
        name = rightful_bundle(self._storage, file, size)
        if name is not None and name != file:
            why += f": it is a bundle by another name, call it {name}"
        self._findings.damage(file, why)
        found: list[Row] = []
        try:
            for row in bundles.salvage(self._storage, file, size):
                found.append(row)
        except NotNow:
            raise
        except OwnerError:
            pass  # what the archive itself can still read is what was found until here
        if not _gapless(found, size, self._storage, file):
            self._stock.incomplete.append(file)
        return found

    def _runs(self, bundle: _Bundle) -> Iterator[_Run]:
        """Has the records of a bundle read and judged, in the order in which they lie."""
        deep = self._wholes is not None
        begin = bundle.begin
        for rows, length in runs(bundle.rows, RUN, 2 * RUN if deep else sys.maxsize):
            count = len(rows) // ROW.size
            bundle.total += count
            parts = self._wholes.parts(begin, begin + count) if self._wholes and bundle.whole else []
            wanted = {number - begin for part in parts for number in part.records}
            judged = self._executor.submit(self._read, bundle.file, rows, length, wanted, deep)
            kept = sum(ROW.unpack_from(rows, at * ROW.size)[3] for at in wanted)
            yield _Run(bundle, begin, length, parts, kept, judged)
            begin += count

    def _read(self, file: str, rows: bytes, length: int, wanted: Container[int], deep: bool) -> Judged:
        """Reads some records and judges them, in a thread; the blocks that are wanted are kept."""
        try:
            data = self._storage.read(file, ROW.unpack_from(rows)[1], length)
        except NotNow:
            raise
        except OwnerError:
            return self._one_by_one(file, rows, deep)
        return judge(rows, data, deep, wanted)

    def _take(self, run: _Run) -> None:
        """Waits for a run, and takes in what was found."""
        bundle = run.bundle
        try:
            bad, headers, plain = run.judged.result()
        except FileNotFoundError:
            bundle.gone = True
            return
        bundle.bad.update(bad)
        bundle.headers += headers
        bundle.done += run.length
        if self._wholes is not None and run.parts:
            self._wholes.take(run.parts, {run.begin + at: block for at, block in plain.items()})

    def _told(self, bundle: _Bundle) -> int:
        """Says what was found of a bundle; gives its bytes that are no records."""
        file, total = bundle.file, bundle.total
        if bundle.gone:
            self._vanished(file)
            return 0
        self.count += total
        if bundle.bad:
            self._bad[file] = set(bundle.bad)
            first = min(bundle.bad)
            found = f"{_of(len(bundle.bad), total)} cannot be read"
            self._findings.damage(file, f"{found}, the first at byte {first} ({bundle.bad[first]})")
        if not bundle.whole:
            self._findings.damage(file, f"{_amount(total)} can still be told apart in it")
        elif bundle.headers:
            self._findings.damage(file, f"the beginning of {_of(bundle.headers, total)} is hurt")
        return bundle.size - bundle.done

    def _vanished(self, file: str) -> None:
        self._findings.notes.add(f"{file}: vanished while the archive was checked. Check again.")

    def _one_by_one(self, file: str, rows: bytes, deep: bool) -> Judged:
        """The same where a run cannot be read at once: exactly what is asked for is read."""
        bad: dict[int, str] = {}
        headers = 0
        for row in ROW.iter_unpack(rows):
            _, offset, stored, *_ = row
            header = _tried(self._storage, file, offset, HEADER_SIZE) or b""
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


def _gapless(rows: list[Row], size: int, storage: Storage, file: str) -> bool:
    """Whether records fill a bundle up to where its table begins: then it has not lost any."""
    offset = len(MAGIC)
    for row in rows:
        if row.offset != offset:
            return False
        offset += HEADER_SIZE + row.stored
    end = _tried(storage, file, max(0, size - END_SIZE), END_SIZE)
    if end is None or len(end) != END_SIZE:
        return False
    return offset + int.from_bytes(end[8:12], "little") + END_SIZE == size


def _tried(storage: Storage, file: str, offset: int, length: int) -> bytes | None:
    try:
        return storage.read(file, offset, length)
    except NotNow:
        raise
    except OwnerError:
        return None


def _amount(count: int) -> str:
    return "1 record" if count == 1 else f"{count} records"


def _of(count: int, total: int) -> str:
    return f"{count} of its {total} records" if total != 1 else "its only record"
