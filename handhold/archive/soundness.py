"""Reads every record of every bundle once, in large runs, and tells which blocks are sound."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future

import xxhash

from handhold.archive import bundle
from handhold.archive.blocks import Sealed, unseal
from handhold.archive.bundle import END_SIZE, HEADER_SIZE, MAGIC, ROW, Row, header_of
from handhold.archive.index import Index, Place
from handhold.archive.report import Findings
from handhold.archive.stock import Stock, rightful_bundle
from handhold.archive.storage import Storage
from handhold.errors import NotNow, OwnerError

#: What a row has (see ``Row``), without its names: there are many of them.
_Fields = tuple[bytes, int, int, int, int, int]
#: Records with a hurt payload, by their offsets, with the reason; and how many headers are hurt.
_Judged = tuple[dict[int, str], int]
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
        if _tried(self._storage, file, 0, len(MAGIC)) != MAGIC:
            self._findings.damage(file, "its first bytes are hurt")
        headers = self._records(file, ROW.iter_unpack(table), meter)[1]
        if headers:
            total = len(table) // ROW.size
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
        done = self._records(file, found, meter)[0]
        self._findings.damage(file, f"{_amount(self.count - before)} can still be told apart in it")
        meter.step(size - done)

    def _records(self, file: str, rows: Iterable[_Fields], meter: Meter) -> tuple[int, int]:
        """Checks some records, in the order in which they lie.

        Gives the bytes that they take, and how many of their headers do not fit their rows.
        """
        bad: dict[int, str] = {}
        waiting: deque[Future[_Judged]] = deque()
        done = total = headers = 0

        def judged(result: _Judged) -> None:
            nonlocal headers
            bad.update(result[0])
            headers += result[1]

        for run, length in _runs(rows):
            self.count += len(run)
            total += len(run)
            try:
                data = self._storage.read(file, run[0][1], length)
            except NotNow:
                raise
            except OwnerError:
                judged(self._one_by_one(file, run))
            else:
                if self._executor is None:
                    judged(_judge(run, data, False))
                else:  # a run is unpacked in a thread, while this one reads on
                    waiting.append(self._executor.submit(_judge, run, data, True))
                    if len(waiting) > _WAITING:
                        judged(waiting.popleft().result())
                del data  # before the next run is read: its memory serves again, and needs no clearing
            done += length
            meter.step(length)
        for future in waiting:
            judged(future.result())
        if bad:
            self._bad[file] = set(bad)
            first = min(bad)
            self._findings.damage(
                file, f"{_of(len(bad), total)} cannot be read, the first at byte {first} ({bad[first]})"
            )
        return done, headers

    def _one_by_one(self, file: str, run: list[_Fields]) -> _Judged:
        """The same where a run cannot be read at once: exactly what is asked for is read."""
        bad: dict[int, str] = {}
        headers = 0
        for row in run:
            offset, stored = row[1], row[2]
            header = _tried(self._storage, file, offset, HEADER_SIZE) or b""
            try:
                payload = self._storage.read(file, offset + HEADER_SIZE, stored)
            except NotNow:
                raise
            except OwnerError as error:
                bad[offset] = error.what.rstrip(".")
                headers += header != header_of(row)
            else:
                hurt, unfit = _judge(
                    [row], header.ljust(HEADER_SIZE, b"\0") + payload, self._executor is not None
                )
                bad.update(hurt)
                headers += unfit
        return bad, headers


def _runs(rows: Iterable[_Fields]) -> Iterator[tuple[list[_Fields], int]]:
    """Records that lie without a gap, with the bytes that they take: ``RUN`` and up to one block more."""
    run: list[_Fields] = []
    begin = end = 0
    for row in rows:
        offset = row[1]
        if run and (offset != end or end - begin >= RUN):
            yield run, end - begin
            run = []
        if not run:
            begin = offset
        run.append(row)
        end = offset + HEADER_SIZE + row[2]
    if run:
        yield run, end - begin


def _judge(run: list[_Fields], data: bytes, deep: bool) -> _Judged:
    """Holds the bytes of some records against their rows.

    Gives those with a hurt payload, by their offsets, with the reason, and the number of hurt headers.
    No object is made for a record but what its sums need: most archives have many small ones.
    """
    bad: dict[int, str] = {}
    headers = at = 0
    view, summed = memoryview(data), xxhash.xxh3_64_intdigest
    for row in run:
        ident, offset, stored, plain, codec, check = row
        begin = at + HEADER_SIZE
        if data[at:begin] != header_of(row):
            headers += 1
        at = begin + stored
        if deep:
            try:
                unseal(Sealed(ident, codec, data[begin:at], plain, check))
            except ValueError as error:
                bad[offset] = str(error)
        elif summed(view[begin:at]) != check or at > len(data):
            bad[offset] = "its stored bytes are not what was stored"
    return bad, headers


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
