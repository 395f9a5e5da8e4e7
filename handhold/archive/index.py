"""Where each block lies: the tables of all bundles, kept as they are, and a few sorted lists over them.

A million blocks take about 64 MB: 56 bytes of table each, and 8 bytes in a list (5 bytes of the block's
name, 3 bytes for the number of its row). Fewer are looked up in a dict, which takes 120 bytes for each
and is made in a third of the time.
"""

from __future__ import annotations

import sys
import threading
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Iterator, Sequence
from heapq import merge
from itertools import compress, count
from operator import ne
from typing import NamedTuple

from handhold.archive.bundle import FOLDER, ROW, Row, read_table, salvage
from handhold.archive.filenames import is_bundle_name
from handhold.archive.storage import Item, Storage
from handhold.errors import Damaged, NotNow, OwnerError

_ROW_BITS = 24
_ROW_MASK = (1 << _ROW_BITS) - 1
_ROW_SIZE = ROW.size
_SCANNED = 64 << 20  # bytes of tables that are looked through before the list is made: that takes as long
_FEW = 1 << 18  # so many rows have a dict; more are sorted
_LOOKS = 16  # times that it is looked where a run of blocks lies, among many
_RUN = 1 << 18  # rows that are sorted together: a number takes 40 bytes until they are
_RECENT = 1 << 14  # that many blocks of this run are looked up the quick way that takes more memory


class Place(NamedTuple):
    """Where a block lies: the bundle's file, and its row there."""

    file: str
    row: Row


def bundle_files(storage: Storage, hurt: dict[str, str] | None = None) -> dict[str, int]:
    """The bundles of an archive with their sizes in bytes; anything else is passed over.

    A folder that the medium cannot list is put into ``hurt`` with the reason; without ``hurt`` it is raised.
    """
    found: dict[str, int] = {}
    for folder in _listed(storage, FOLDER, hurt):
        if folder.is_folder:
            for item in _listed(storage, f"{FOLDER}/{folder.name}", hurt):
                file = f"{FOLDER}/{folder.name}/{item.name}"
                if not item.is_folder and is_bundle_name(file):
                    found[file] = item.size
    return found


def _listed(storage: Storage, folder: str, hurt: dict[str, str] | None) -> list[Item]:
    try:
        return storage.list(folder)
    except (FileNotFoundError, NotADirectoryError):
        return []
    except Damaged as error:
        if hurt is None:
            raise
        hurt[folder] = error.what
        return []


class Index:
    """Every block of the bundles that are whole, by name.

    ``hurt`` has the bundles that are not, with the reason. What can still be found in those is used for
    reading only (``places``), never for deciding that something is stored already (``in``).
    """

    def __init__(self, storage: Storage) -> None:
        self._storage = storage
        self._files: list[str] = []
        self._tables: list[bytes] = []
        self._starts: list[int] = []
        self._rows = 0
        self._runs: list[array[int]] | None = None  # sorted, each on its own; made when they are needed
        self._rows_of: dict[int, int] = {}  # instead, where they are few: a row by the begin of its name
        self._making = threading.Lock()  # a table is either among those that are sorted, or known as added
        self._scanned = 0
        self._recent: dict[bytes, int] = {}  # what was added since the keys were sorted
        # The row behind the one that was found last: blocks are mostly asked for in the order in which they
        # were stored. A guess, always in one piece, so that threads can share it.
        self._next: tuple[bytes, int] = (b"", 0)
        self._behind = 0  # the same as a number, for those that are read
        self.hurt: dict[str, str] = {}
        self._sizes: dict[str, int] = {}
        self._salvaged: dict[bytes, list[Place]] | None = None
        self._load()

    def __contains__(self, ident: bytes) -> bool:
        """Whether the block lies in a whole bundle."""
        table, at = self._next
        if table.startswith(ident, at):
            self._next = (table, at + _ROW_SIZE)
            return True
        if ident in self._recent:
            return True
        for number in self._found(ident):
            bundle = bisect_right(self._starts, number) - 1
            self._next = (self._tables[bundle], (number + 1 - self._starts[bundle]) * _ROW_SIZE)
            return True
        return False

    def has_all(self, idents: Iterable[bytes]) -> bool:
        """Whether all of these blocks lie in whole bundles."""
        table, at = self._next
        for ident in idents:
            if table.startswith(ident, at):  # mostly they follow each other, as in ``in``
                at += _ROW_SIZE
            elif ident in self:
                table, at = self._next
            else:
                return False
        self._next = (table, at)
        return True

    def has_run(self, idents: bytes) -> bool:
        """``has_all`` of blocks by their names one behind the other, mostly in the order of a bundle.

        They are held against its rows all at once; few others among them lie elsewhere.
        """
        count = len(idents) // 32
        table, at = self._next
        others = _unlike(table, at, idents)
        if 2 * len(others) > count:
            if idents[:32] not in self:
                return False
            table, at = self._next
            if not table.startswith(idents[:32], at):  # it was just found: this is the row behind it
                at = max(at - _ROW_SIZE, 0)
            others = _unlike(table, at, idents)
        for number in others:
            if idents[32 * number : 32 * number + 32] not in self:
                return False
        self._next = table, at + count * _ROW_SIZE
        return True

    def have_runs(self, runs: Sequence[bytes]) -> list[bool]:
        """``has_run`` of each of many runs that mostly follow each other, told at once.

        What lies elsewhere is looked up together: nothing is sorted for it.
        """
        table, at = self._next
        elsewhere: list[tuple[int, bytes]] = []
        looks, apart = _LOOKS, 0
        for number, idents in enumerate(runs):
            count = len(idents) // 32
            others = _unlike(table, at, idents)
            apart = apart + 1 if 2 * len(others) > count else 0
            if apart > 1 and looks:  # one may lie by itself, and the next one follow that before it
                looks -= 1
                table, at = self._row(next(self._scan(idents[:32]), 0)) if self._rows else (b"", 0)
                others = _unlike(table, at, idents)
            at += count * _ROW_SIZE
            elsewhere += [(number, idents[32 * one : 32 * one + 32]) for one in others]
        rows = self.rows_of([ident for _, ident in elsewhere])
        missing = {number for (number, _), row in zip(elsewhere, rows, strict=True) if row < 0}
        return [number not in missing for number in range(len(runs))]

    def __len__(self) -> int:
        """The number of records; a block that lies in two bundles counts twice."""
        return self._rows

    def first(self, ident: bytes) -> Place | None:
        """A place of the block in a whole bundle, if there is one: the first that is found."""
        number = self._behind
        if number >= self._rows or not self._is_row(ident, number):
            found = next(self.numbers(ident), None)
            if found is None:
                return None
            number = found
        self._behind = number + 1
        return self.place(number)

    def places(self, ident: bytes) -> Iterator[Place]:
        """Every place where the block should lie, those in whole bundles first."""
        yield from self.places_in_whole(ident)
        if self.hurt:
            yield from self._salvage().get(ident, ())

    def places_in_whole(self, ident: bytes) -> Iterator[Place]:
        """Every place where the block should lie in a whole bundle."""
        for number in self.numbers(ident):
            yield self.place(number)

    def numbers(self, ident: bytes) -> Iterator[int]:
        """The records of the block in whole bundles, by their numbers: 0 up to ``len(index)``."""
        yield from self._found(ident)
        if ident in self._recent:
            yield self._recent[ident]

    def rows_of(self, idents: Sequence[bytes]) -> list[int]:
        """A record of each of many blocks (``numbers``); -1 for one that is in no whole bundle."""
        wanted = {int.from_bytes(ident[:8], sys.byteorder) for ident in idents}
        found: dict[bytes, int] = {}
        for table, start in self._each() if wanted else ():
            words = array("Q", table)[:: _ROW_SIZE // 8]
            for row in compress(count(start), map(wanted.__contains__, words)):
                at = (row - start) * _ROW_SIZE
                found.setdefault(table[at : at + 32], row)
        return [found.get(ident, -1) for ident in idents]

    def tables(self) -> Iterator[tuple[str, bytes]]:
        """The bundles that are whole, each with its table."""
        return zip(self._files, self._tables, strict=True)

    def bundles(self) -> Iterator[tuple[str, int, range]]:
        """The bundles that are whole: file, size in bytes, and the numbers of their records."""
        for file, table, start in zip(self._files, self._tables, self._starts, strict=True):
            yield file, self._sizes[file], range(start, start + len(table) // _ROW_SIZE)

    def run(self, ident: bytes) -> tuple[str, int, bytes] | None:
        """A whole bundle that has the block, its row there (a number from 0), and the table with all rows."""
        number = next(self.numbers(ident), None)
        if number is None:
            return None
        bundle = bisect_right(self._starts, number) - 1
        return self._files[bundle], number - self._starts[bundle], self._tables[bundle]

    def add(self, file: str, table: bytes, size: int) -> None:
        """Takes in a bundle of ``size`` bytes that was just written."""
        self.hurt.pop(file, None)
        self._sizes[file] = size
        with self._making:
            if not self._rows and self._runs is None:
                self._runs = []
            start = self._append(file, table)
            if self._runs is None:
                return  # it is looked through like those that were there before, and sorted with them
        if len(self._recent) + len(table) // _ROW_SIZE > _RECENT:
            self._sort_in(table, start)
            return
        idents = [table[at : at + 32] for at in range(0, len(table), _ROW_SIZE)]
        if not self._recent.keys().isdisjoint(idents):
            self._sort_in()  # a block's earlier copies must not be forgotten
        self._recent.update(zip(idents, range(start, start + len(idents)), strict=True))

    def is_stale(self) -> bool:
        """Whether the archive has other bundles now than those that were read."""
        return bundle_files(self._storage, {}) != self._sizes

    def _sort_in(self, table: bytes = b"", start: int = 0) -> None:
        """Moves what was added into the sorted list, where it takes a tenth of the memory.

        So is ``table``, the first row of which is row ``start`` of all.
        """
        runs = self._sorted()
        keys = [_first_key(ident) | number for ident, number in self._recent.items()]
        if table:
            keys += _keys(table, start)
        keys.sort()
        added = array("Q", keys)
        del keys  # a number in a list takes five times the memory of one in an array
        while runs and len(runs[-1]) <= 2 * len(added):  # so they stay few, and a number moves seldom
            added = array("Q", merge(runs[-1], added))
            runs = runs[:-1]
        # In one step: other threads look blocks up meanwhile.
        self._runs = [*runs, added]
        self._recent.clear()

    def _load(self) -> None:
        self._sizes = bundle_files(self._storage, self.hurt)
        for file, size in self._sizes.items():
            try:
                table = read_table(self._storage, file, size)
            except FileNotFoundError:
                continue  # let go of by another run since the folder was listed
            except ValueError as error:
                self.hurt[file] = str(error)
            except NotNow:
                raise
            except OwnerError as error:
                self.hurt[file] = error.what
            else:
                self._append(file, table)

    def _sorted(self) -> list[array[int]]:
        """The lists of all rows that were read, by name; a list has the rows that come after those before."""
        if self._runs is None:
            with self._making:
                if self._runs is None:  # else another thread was quicker, and may have taken in more since
                    self._rows_of = self._by_name() if self._rows <= _FEW else {}
                    self._runs = [] if self._rows_of else self._in_order()
        return self._runs

    def _by_name(self) -> dict[int, int]:
        """The rows that were read, by the first 8 bytes of their names; none if two have the same ones."""
        found: dict[int, int] = {}
        for table, start in self._each():
            found.update(zip(array("Q", table)[:: _ROW_SIZE // 8], count(start)))
        return found if len(found) == self._rows else {}

    def _in_order(self) -> list[array[int]]:
        runs: list[array[int]] = []
        keys: list[int] = []
        for table, start in self._each():
            if keys and len(keys) + len(table) // _ROW_SIZE > _RUN:
                runs.append(array("Q", sorted(keys)))
                keys.clear()
            keys += _keys(table, start)
        runs.append(array("Q", sorted(keys)))
        return runs

    def _append(self, file: str, table: bytes) -> int:
        start = self._rows
        self._rows += len(table) // _ROW_SIZE
        if self._rows > _ROW_MASK:
            raise OwnerError(
                f"The archive {self._storage.where} holds more than {_ROW_MASK} blocks, too many to read.",
                "Begin another archive: handhold --archive PATH setup",
            )
        self._files.append(file)
        self._tables.append(table)
        self._starts.append(start)
        return start

    def _found(self, ident: bytes) -> Iterable[int]:
        if self._runs is None and self._scanned < _SCANNED:
            return self._scan(ident)
        runs = self._sorted()
        numbers = []
        number = self._rows_of.get(int.from_bytes(ident[:8], sys.byteorder))
        if number is not None and self._is_row(ident, number):
            numbers.append(number)
        first = int.from_bytes(ident[:5], "big") << _ROW_BITS
        for keys in runs:
            at = bisect_left(keys, first)
            while at < len(keys) and keys[at] - first <= _ROW_MASK:
                number = keys[at] & _ROW_MASK
                if self._is_row(ident, number):
                    numbers.append(number)
                at += 1
        return numbers

    def _scan(self, ident: bytes) -> Iterator[int]:
        """The same from the tables alone, which is quicker for a few blocks than to sort all."""
        self._scanned += self._rows * _ROW_SIZE
        for table, start in self._each():
            at = table.find(ident)
            while at >= 0:
                number, inside = divmod(at, _ROW_SIZE)
                if not inside:
                    yield start + number
                at = table.find(ident, at + 1)

    def _each(self) -> Iterator[tuple[bytes, int]]:
        """The tables with the numbers of their first rows, as they are now.

        One may be there without its number yet: what another thread adds meanwhile is known as added.
        """
        return zip(list(self._tables), list(self._starts), strict=False)

    def _row(self, number: int) -> tuple[bytes, int]:
        """Where the row of this number stands: in which table, from which byte on."""
        bundle = bisect_right(self._starts, number) - 1
        return self._tables[bundle], (number - self._starts[bundle]) * _ROW_SIZE

    def _is_row(self, ident: bytes, number: int) -> bool:
        """Whether the row of this number is the block's."""
        table, at = self._row(number)
        return table.startswith(ident, at)

    def place(self, number: int) -> Place:
        """Where the record of this number lies."""
        bundle = bisect_right(self._starts, number) - 1
        row = Row._make(ROW.unpack_from(self._tables[bundle], (number - self._starts[bundle]) * _ROW_SIZE))
        return Place(self._files[bundle], row)

    def _salvage(self) -> dict[bytes, list[Place]]:
        if self._salvaged is None:
            found: dict[bytes, list[Place]] = {}
            for file in self.hurt:
                try:
                    for row in salvage(self._storage, file, self._sizes.get(file, 0)):
                        found.setdefault(row.id, []).append(Place(file, row))
                except (OwnerError, FileNotFoundError):
                    continue  # nothing more can be had from that one
            self._salvaged = found  # whole at once: another thread may ask meanwhile
        return self._salvaged


def _unlike(table: bytes, at: int, idents: bytes) -> Collection[int]:
    """Which of some blocks, by their numbers, are not those of the rows from ``at`` on, in turn.

    Where most are not, all are told.
    """
    count = len(idents) // 32
    rows, names = array("Q", table[at : at + count * _ROW_SIZE]), array("Q", idents)
    step = _ROW_SIZE // 8
    others = set(range(len(rows) // step, count))
    for word in range(4):  # of each row the first ones are the name
        some, wanted = rows[word::step], names[word::4]
        for number in others:  # what differs in one word mostly does in all
            if number < len(some):
                some[number] = wanted[number]
        if some != wanted:
            others.update(compress(range(count), map(ne, some, wanted)))
            if 2 * len(others) > count:
                return range(count)
    return others


def _keys(table: bytes, start: int) -> list[int]:
    """The keys of a table's rows, the first of which is row ``start`` of all."""
    words = array("Q", table)
    if sys.byteorder == "little":
        words.byteswap()  # names are compared by their first byte first
    return [first & ~_ROW_MASK | number for number, first in enumerate(words[:: _ROW_SIZE // 8], start)]


def _first_key(ident: bytes) -> int:
    """The lowest key that a block of this name can have."""
    return int.from_bytes(ident[:5], "big") << _ROW_BITS
