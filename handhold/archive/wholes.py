"""The digests of whole files of several blocks, worked out while a check has their blocks in hand.

Most such files were stored in one go: their blocks lie one behind the other, at most across the border of two
bundles. Where the bundles are read in the right order the blocks of such a file pass by in the order of the
file. Any other file is left to whoever needs it.
"""

from __future__ import annotations

import hashlib
from bisect import bisect_left
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from heapq import heappop, heappush
from itertools import pairwise
from typing import NamedTuple

from handhold.archive import recipe
from handhold.archive.blocks import Sealed, unseal
from handhold.archive.bundle import HEADER_SIZE, ROW
from handhold.archive.index import Index
from handhold.archive.recipe import Range
from handhold.archive.shares import Span
from handhold.archive.storage import Storage
from handhold.errors import NotNow, OwnerError


class Part(NamedTuple):
    """The records of one file among some that are read at once; ``before`` of its records lie before them."""

    file: _Whole
    before: int
    records: list[int]


class Wholes:
    """Which records make files of several blocks, and the digests of these files.

    ``digests`` takes the SHA-256 of what a recipe (by its block's name) makes, of those whose blocks all came
    by in order and were sound (``Passing``). Records are counted through in the order of ``bundles``.
    """

    def __init__(self, storage: Storage, index: Index) -> None:
        self.digests: dict[bytes, bytes] = {}
        numbers = {file: rows for file, _, rows in index.bundles()}
        found = [
            (ident, sum(one.length for one in ranges), runs)
            for file, table in index.tables()
            for ident, ranges in _recipes(storage, file, table)
            if (runs := _runs(ranges, index))
        ]
        chains = (list(dict.fromkeys(file for file, _ in runs)) for _, _, runs in found)
        self.bundles = in_order(sorted(numbers), chains)
        begins: dict[str, int] = {}  # the number in this order of each bundle's first record
        begin = 0
        for file in self.bundles:
            begins[file] = begin
            begin += len(numbers[file])
        self._files: list[tuple[Span, bytes, list[range]]] = []
        for ident, size, runs in found:
            records = [range(begins[file] + rows.start, begins[file] + rows.stop) for file, rows in runs]
            if all(one.stop <= other.start for one, other in pairwise(records)):
                span = Span(records[0].start, records[-1].stop, size)
                self._files.append((span, ident, records))
        self._files.sort(key=lambda one: one[0].begin)
        self._firsts = [span.begin for span, _, _ in self._files]

    def spans(self) -> list[Span]:
        """Where the files lie of which the digests can be had."""
        return [span for span, _, _ in self._files]

    def between(self, begin: int, end: int) -> Passing:
        """Digests the files that have all of their records between these two numbers."""
        some = self._files[bisect_left(self._firsts, begin) : bisect_left(self._firsts, end)]
        return Passing([(ident, records) for span, ident, records in some if span.end <= end])


class Passing:
    """Takes the blocks of records in their order; ``digests`` has those of files that came by as a whole."""

    def __init__(self, files: Iterable[tuple[bytes, list[range]]]) -> None:
        self.digests: dict[bytes, bytes] = {}
        # By the next record; the number is for order alone. Whatever is sorted is a heap.
        self._due = sorted(
            (records[0].start, number, _Whole(ident, records))
            for number, (ident, records) in enumerate(files)
        )

    def parts(self, begin: int, end: int) -> list[Part]:
        """The files that take any of these records, which are asked for in order."""
        found = []
        while self._due and self._due[0][0] < end:
            _, number, whole = heappop(self._due)
            found.append(whole.part(end))
            if whole.ahead:
                heappush(self._due, (whole.ahead[0].start, number, whole))
        return found

    def take(self, parts: Iterable[Part], plain: Mapping[int, bytes]) -> None:
        """Takes the plain bytes of records, by their numbers; those that are hurt are missing."""
        for part in parts:
            if part.file.take(part, plain):
                self.digests[part.file.recipe] = part.file.digest.digest()


class _Whole:
    """A file that is being digested: the name of its recipe, and runs of records, each behind the last."""

    __slots__ = ("ahead", "asked", "count", "digest", "recipe", "taken")

    def __init__(self, ident: bytes, runs: Sequence[range]) -> None:
        self.recipe = ident
        self.ahead = deque(runs)
        self.count = sum(map(len, runs))
        self.digest = hashlib.sha256()
        self.asked = self.taken = 0

    def part(self, end: int) -> Part:
        """Its next records, those before ``end``."""
        records: list[int] = []
        while self.ahead and self.ahead[0].start < end:
            run = self.ahead.popleft()
            records += run[: max(0, end - run.start)]
            if run.stop > end:
                self.ahead.appendleft(range(max(end, run.start), run.stop))
        before, self.asked = self.asked, self.asked + len(records)
        return Part(self, before, records)

    def take(self, part: Part, plain: Mapping[int, bytes]) -> bool:
        """Digests some blocks; whether that was the last. Where one was missed it never is."""
        if self.taken != part.before:
            return False
        for number in part.records:
            block = plain.get(number)
            if block is None:
                return False
            self.digest.update(block)
            self.taken += 1
        return self.taken == self.count


def in_order(files: Iterable[str], chains: Iterable[Sequence[str]]) -> list[str]:
    """The files in their order, but each behind those before it in the chains, as far as that can be.

    What comes next in a chain comes at once, unless it has to wait for others.

    >>> in_order("abcd", ["ca", "ad"])
    ['c', 'a', 'd', 'b']
    """
    before: dict[str, set[str]] = {}
    behind: dict[str, set[str]] = {}
    for chain in chains:
        for first, second in pairwise(chain):
            before.setdefault(second, set()).add(first)
            behind.setdefault(first, set()).add(second)
    done: dict[str, None] = {}
    seen: set[str] = set()
    for file in files:
        way = [file]
        while way:
            seen.add(way[-1])
            earlier = next((one for one in sorted(before.get(way[-1], ())) if one not in seen), None)
            if earlier is not None:
                way.append(earlier)
                continue
            last = way.pop()
            done[last] = None
            next_ones = behind.get(last, set()) - seen
            way += sorted((one for one in next_ones if before[one] <= done.keys()), reverse=True)
    return list(done)


def _recipes(storage: Storage, file: str, table: bytes) -> Iterator[tuple[bytes, list[Range]]]:
    """The recipes among the blocks of a bundle that can be had; ``NotNow`` passes."""
    for ident, offset, stored, plain, codec, check in ROW.iter_unpack(table):
        if not recipe.can_be(plain, stored):
            continue
        try:
            payload = storage.read(file, offset + HEADER_SIZE, stored)
            yield ident, recipe.decode(unseal(Sealed(ident, codec, payload, plain, check)))
        except NotNow:
            raise
        except (FileNotFoundError, ValueError, OwnerError):
            continue  # most are no recipe; what is hurt is told when all is read


def _runs(ranges: Sequence[Range], index: Index) -> list[tuple[str, range]]:
    """The records of a file of whole blocks: bundles and runs of rows, as they follow each other.

    Nothing for a file of parts of blocks, or that goes back to an earlier block or bundle.
    """
    found: list[tuple[str, range]] = []
    left: set[str] = set()
    at = 0
    while at < len(ranges):
        place = index.run(ranges[at].id)
        if place is None:
            return []
        file, begin, table = place
        if found:
            last, before = found[-1]
            if file in left or (file == last and begin < before.stop):
                return []
            if file != last:
                left.add(last)
        end = begin
        for ident, _, _, plain, _, _ in ROW.iter_unpack(memoryview(table)[begin * ROW.size :]):
            if at == len(ranges) or ranges[at].id != ident:
                break
            if ranges[at].offset or ranges[at].length != plain:
                return []
            at += 1
            end += 1
        found.append((file, range(begin, end)))
    return found
