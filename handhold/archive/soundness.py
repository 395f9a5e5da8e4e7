"""Which blocks can be had: what was found of every record of every bundle, and what is said of it."""

from __future__ import annotations

from array import array
from collections import defaultdict
from collections.abc import Callable, Container, Iterator

from handhold.archive import bundle as bundles
from handhold.archive.bundle import (
    END_SIZE,
    HEADER_SIZE,
    ID_SIZE,
    MAGIC,
    ROW,
    Row,
    columns,
    following,
)
from handhold.archive.index import Index, Place
from handhold.archive.judging import Found, Judging, tried
from handhold.archive.report import Findings
from handhold.archive.shares import Piece, Share, shares
from handhold.archive.stock import Stock
from handhold.archive.storage import Storage
from handhold.archive.twofold import judged
from handhold.archive.wholes import Wholes
from handhold.errors import NotNow, OwnerError


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
    """Which blocks can be had, after ``check`` has read all bundles; before it all of them.

    With ``wholes`` the check is a deep one: every block is unpacked and compared with its name, and whole
    files are digested.
    """

    def __init__(
        self, storage: Storage, index: Index, stock: Stock, findings: Findings, wholes: Wholes | None
    ) -> None:
        self._storage = storage
        self._index = index
        self._stock = stock
        self._findings = findings
        self._wholes = wholes
        self._bad: dict[str, set[int]] = {}
        self._strays: dict[bytes, str] = {}
        #: Records that were found, hurt or not.
        self.count = 0
        #: Bundles in which something was found that was asked for.
        self.needed: set[str] = set()
        #: Bundles that were there when the check began, and not when they were read.
        self.vanished: set[str] = set()

    def check(self, meter: Meter, strays: dict[bytes, str], meanwhile: Callable[[], Iterator[None]]) -> None:
        """Reads all bundles; ``strays`` has the blocks of those that bear another name. ``NotNow`` passes.

        ``meanwhile`` is done beside it, step by step, where other processes read.
        """
        self._strays = strays
        tables = dict(self._index.tables())
        found = self._judged(tables, meter, meanwhile)
        for file, size in sorted(self._stock.bundles.items()):
            if file in tables:
                self._tell(file, size, tables[file], found[file], meter)
            elif file in self._index.hurt:
                self._tell_of_hurt(file, size, meter)
            else:
                self._vanished(file)

    def _judged(
        self, tables: dict[str, bytes], meter: Meter, meanwhile: Callable[[], Iterator[None]]
    ) -> dict[str, list[Found]]:
        """What is found of the bundles that are whole."""
        found: dict[str, list[Found]] = defaultdict(list)
        wholes = self._wholes
        order = wholes.bundles if wholes else sorted(tables)
        cut = [
            share._replace(pieces=[one for one in share.pieces if one.file in self._stock.bundles])
            for share in shares([(file, tables[file]) for file in order], wholes.spans() if wholes else ())
        ]
        for result in judged(self._storage, tables, wholes, cut, meter.step, meanwhile):
            for one in result.found:
                found[one.file].append(one)
            if wholes:
                wholes.digests.update(result.digests)
        return found

    def _tell(self, file: str, size: int, table: bytes, found: list[Found], meter: Meter) -> None:
        """Says what was found of the pieces of a bundle with a sound table."""
        if any(one.gone for one in found):
            self._vanished(file)
            return
        total = len(table) // ROW.size
        _, last, stored, *_ = ROW.unpack_from(table, len(table) - ROW.size)
        done = sum(one.done for one in found)
        if done != last + HEADER_SIZE + stored - len(MAGIC):
            raise RuntimeError(f"not every record of {file} was looked at")  # a mistake of ours: never silent
        if not all(one.magic for one in found):
            self._findings.damage(file, "its first bytes are hurt")
        self._tell_of_records(file, total, found)
        headers = sum(one.headers for one in found)
        if headers:
            self._findings.damage(file, f"the beginning of {_of(headers, total)} is hurt")
        meter.step(size - done)

    def _tell_of_hurt(self, file: str, size: int, meter: Meter) -> None:
        """The same of one without a table."""
        try:
            salvaged = self._salvaged(file, size)
        except FileNotFoundError:
            self._stock.incomplete.append(file)  # what was in it is not known
            self._vanished(file)
            return
        rows = b"".join(ROW.pack(*row) for row in salvaged)
        total = len(rows) // ROW.size
        share = Share(0, 0, [Piece(file, 0, range(total))])
        with Judging(self._storage, {file: rows}, self._wholes, 0) as judging:
            ((_, (found, _)),) = judging.results([share], [0], meter.step)
        if any(one.gone for one in found):
            self._vanished(file)
            return
        self._tell_of_records(file, total, found)
        self._findings.damage(file, f"{_amount(total)} can still be told apart in it")
        meter.step(size - sum(one.done for one in found))

    def _tell_of_records(self, file: str, total: int, found: list[Found]) -> None:
        self.count += total
        bad = {offset: why for one in found for offset, why in one.bad.items()}
        if bad:
            self._bad[file] = set(bad)
            first = min(bad)
            what = f"{_of(len(bad), total)} cannot be read"
            self._findings.damage(file, f"{what}, the first at byte {first} ({bad[first]})")

    def find(self, ident: bytes) -> Place | None:
        """Where the block can be had."""
        for place in self._index.places(ident):
            if place.row.offset not in self._bad.get(place.file, ()):
                self.needed.add(place.file)
                return place
        return None

    def sizes(self, idents: bytes) -> list[int]:
        """The plain size in bytes of each block that can be had, -1 where it cannot: ``find`` for many.

        They are named one behind the other. Most are asked for in the order in which they were stored: then
        the next row is the block's.
        """
        found: list[int] = []
        while len(found) * ID_SIZE < len(idents):
            before = len(found)
            ident = idents[before * ID_SIZE : (before + 1) * ID_SIZE]
            run = self._index.run(ident)
            if run is not None:
                file, row, table = run
                found += _sizes_of(idents, before, table, row, self._bad.get(file, ()))
                if len(found) > before:
                    self.needed.add(file)
                    continue
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

    def _salvaged(self, file: str, size: int) -> list[Row]:
        """The records that can be told apart in a bundle without a table."""
        from handhold.archive.strays import rightful_bundle  # seldom

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

    def _vanished(self, file: str) -> None:
        self.vanished.add(file)
        self._findings.notes.add(f"{file}: vanished while the archive was checked. Check again.")


def _sizes_of(idents: bytes, first: int, table: bytes, row: int, bad: Container[int]) -> array[int]:
    """Plain sizes of these blocks from ``first`` on, as far as they are those of the rows from ``row`` on.

    And sound: none of those at offsets that are ``bad``.
    """
    found = array("I")
    many = 64  # are compared at once: more, the longer they follow each other
    while True:
        done = len(found)
        some = table[(row + done) * ROW.size : (row + done + many) * ROW.size]
        fit = following(some, idents[(first + done) * ID_SIZE : (first + done + many) * ID_SIZE])
        offsets, _, plain, _ = columns(some[: fit * ROW.size])
        if bad:
            fit = next((at for at, offset in enumerate(offsets) if offset in bad), fit)
        found += plain[:fit]
        if fit < many:
            return found
        many *= 2


def _gapless(rows: list[Row], size: int, storage: Storage, file: str) -> bool:
    """Whether records fill a bundle up to where its table begins: then it has not lost any."""
    offset = len(MAGIC)
    for row in rows:
        if row.offset != offset:
            return False
        offset += HEADER_SIZE + row.stored
    end = tried(storage, file, max(0, size - END_SIZE), END_SIZE)
    if end is None or len(end) != END_SIZE:
        return False
    return offset + int.from_bytes(end[8:12], "little") + END_SIZE == size


def _amount(count: int) -> str:
    return "1 record" if count == 1 else f"{count} records"


def _of(count: int, total: int) -> str:
    return f"{count} of its {total} records" if total != 1 else "its only record"
