"""Reads every record of every bundle once, in large runs, and tells which blocks are sound."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future

import xxhash

from handhold.archive import bundle
from handhold.archive.blocks import Sealed, unseal
from handhold.archive.bundle import END_SIZE, HEADER_SIZE, MAGIC, Row
from handhold.archive.index import Index, Place
from handhold.archive.report import Findings
from handhold.archive.stock import Stock, rightful_bundle
from handhold.archive.storage import Storage
from handhold.errors import NotNow, OwnerError

#: A record as it is read: its row, and its payload.
_Record = tuple[Row, memoryview]
#: Bytes that are read at once: large for a card, and small enough to be still at hand when they are summed.
RUN = 1 << 21
#: What may wait for the threads of a deep check, in tasks of about ``RUN`` bytes.
_WAITING = 6


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

    ``executor`` is there for a deep check only: then every block is unpacked and compared with its name.
    """

    def __init__(
        self, storage: Storage, index: Index, stock: Stock, findings: Findings, executor: Executor | None
    ) -> None:
        self._storage = storage
        self._index = index
        self._stock = stock
        self._findings = findings
        self._executor = executor
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
        for file in sorted(self._stock.bundles):
            size = self._stock.bundles[file]
            before = meter.total, self.count
            try:
                if file in tables:
                    self._whole(file, size, tables[file], meter)
                elif file in self._index.hurt:
                    self._hurt(file, size, meter)
                else:
                    raise FileNotFoundError(file)
            except FileNotFoundError:
                meter.total, self.count = before
                self._findings.notes.add(f"{file}: vanished while the archive was checked. Check again.")

    def find(self, ident: bytes) -> Place | None:
        """Where the block can be had."""
        for place in self._index.places(ident):
            if place.row.offset not in self._bad.get(place.file, ()):
                self.needed.add(place.file)
                return place
        return None

    def causes(self, ident: bytes) -> tuple[str, ...]:
        """The files that are to blame if the block cannot be had."""
        files = {place.file for place in self._index.places(ident)}
        if not files and ident in self._strays:
            files = {self._strays[ident]}
        if not files and len(self._stock.incomplete) == 1:
            files = {self._stock.incomplete[0]}
        if not files:
            files = {bundle.FOLDER}
            among = ", or it was in one of those that are hurt" if self._stock.incomplete else ""
            self._findings.damage(
                bundle.FOLDER, f"something that snapshots need is in no bundle: a bundle is missing{among}"
            )
        return tuple(sorted(files))

    def _whole(self, file: str, size: int, table: bytes, meter: Meter) -> None:
        reader = _Reader(self._storage, file, size)
        if bytes(_tried(reader, 0, len(MAGIC)) or b"") != MAGIC:
            self._findings.damage(file, "its first bytes are hurt")
        headers = 0

        def rows() -> Iterator[Row]:
            nonlocal headers
            for row in bundle.rows(table):
                header = _tried(reader, row.offset, HEADER_SIZE)
                if header is None or bundle.unpack_header(header, row.offset) != row:
                    headers += 1
                yield row

        self._records(file, reader, rows(), meter)
        if headers:
            total = len(table) // bundle.ROW.size
            self._findings.damage(file, f"the beginning of {_of(headers, total)} is hurt")
        meter.step(len(MAGIC) + len(table) + END_SIZE)

    def _hurt(self, file: str, size: int, meter: Meter) -> None:
        why = self._index.hurt[file].rstrip(".")
        name = rightful_bundle(self._storage, file, size)
        if name is not None and name != file:
            why += f": it is a bundle by another name, call it {name}"
        self._findings.damage(file, why)
        found: list[Row] = []
        try:
            for row in bundle.salvage(self._storage, file, size):
                found.append(row)
        except NotNow:
            raise
        except OwnerError:
            pass  # what the archive itself can still read is what was found until here
        if not _gapless(found, size, self._storage, file):
            self._stock.incomplete.append(file)
        before = self.count
        done = self._records(file, _Reader(self._storage, file, size), found, meter)
        self._findings.damage(file, f"{_amount(self.count - before)} can still be told apart in it")
        meter.step(size - done)

    def _records(self, file: str, reader: _Reader, rows: Iterable[Row], meter: Meter) -> int:
        """Checks the payloads of some records; the bytes that they take with their headers."""
        bad: dict[int, str] = {}
        batch: list[_Record] = []
        waiting: deque[Future[dict[int, str]]] = deque()
        done = held = total = 0
        for row in rows:
            self.count += 1
            total += 1
            held += HEADER_SIZE + row.stored
            try:
                batch.append((row, reader.take(row.offset + HEADER_SIZE, row.stored)))
            except NotNow:
                raise
            except OwnerError as error:
                bad[row.offset] = error.what.rstrip(".")
            if held >= RUN:
                bad.update(self._judged(batch, waiting))
                meter.step(held)
                done, held, batch = done + held, 0, []
        bad.update(self._judged(batch, waiting))
        for judged in waiting:
            bad.update(judged.result())
        meter.step(held)
        if bad:
            self._bad[file] = set(bad)
            first = min(bad)
            self._findings.damage(
                file, f"{_of(len(bad), total)} cannot be read, the first at byte {first} ({bad[first]})"
            )
        return done + held

    def _judged(self, batch: list[_Record], waiting: deque[Future[dict[int, str]]]) -> dict[int, str]:
        """The records that are hurt, by their offsets, with the reason: of this batch, or of one before it.

        In a deep check a batch is unpacked in a thread, while this one reads on.
        """
        if self._executor is None:
            return _sums(batch)
        waiting.append(self._executor.submit(_contents, batch))
        return waiting.popleft().result() if len(waiting) > _WAITING else {}


def _sums(batch: list[_Record]) -> dict[int, str]:
    return {
        row.offset: "its stored bytes are not what was stored"
        for row, stored in batch
        if len(stored) != row.stored or xxhash.xxh3_64_intdigest(stored) != row.check
    }


def _contents(batch: list[_Record]) -> dict[int, str]:
    bad = {}
    for row, stored in batch:
        try:
            unseal(Sealed(row.id, row.codec, bytes(stored), row.plain, row.check))
        except ValueError as error:
            bad[row.offset] = str(error)
    return bad


def _gapless(rows: list[Row], size: int, storage: Storage, file: str) -> bool:
    """Whether records fill a bundle up to where its table begins: then it has not lost any."""
    offset = len(MAGIC)
    for row in rows:
        if row.offset != offset:
            return False
        offset += HEADER_SIZE + row.stored
    end = _tried(_Reader(storage, file, size), max(0, size - END_SIZE), END_SIZE)
    if end is None or len(end) != END_SIZE:
        return False
    return offset + int.from_bytes(end[8:12], "little") + END_SIZE == size


class _Reader:
    """A file that is read in order and in large runs; where that fails, exactly what is asked for is read."""

    def __init__(self, storage: Storage, file: str, size: int) -> None:
        self._storage, self._file, self._size = storage, file, size
        self._run, self._at, self._careful = memoryview(b""), 0, 0

    def take(self, offset: int, length: int) -> memoryview:
        """The bytes there, fewer where the file ends. Raises ``OwnerError`` and ``FileNotFoundError``."""
        if not self._at <= offset <= offset + length <= self._at + len(self._run):
            if offset < self._careful:
                return memoryview(self._storage.read(self._file, offset, length))
            rest = self._run[offset - self._at :] if self._at <= offset else memoryview(b"")
            begin = offset + len(rest)
            wanted = max(0, min(max(RUN, length - len(rest)), self._size - begin))
            try:
                run = self._storage.read(self._file, begin, wanted)
            except NotNow:
                raise
            except OwnerError:
                self._careful = begin + wanted
                return memoryview(self._storage.read(self._file, offset, length))
            self._run, self._at = memoryview(run), begin
            if rest:  # only what lies across two runs is copied
                return memoryview(b"".join((rest, self._run[: length - len(rest)])))
        return self._run[offset - self._at : offset - self._at + length]


def _tried(reader: _Reader, offset: int, length: int) -> memoryview | None:
    try:
        return reader.take(offset, length)
    except NotNow:
        raise
    except OwnerError:
        return None


def _amount(count: int) -> str:
    return "1 record" if count == 1 else f"{count} records"


def _of(count: int, total: int) -> str:
    return f"{count} of its {total} records" if total != 1 else "its only record"
