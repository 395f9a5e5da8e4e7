"""What a snapshot lists, in columns: most of its entries are never made an object each.

A device has a hundred thousand files, of which a night finds nearly all as they were. Of a list that was
checked, names, sizes and times are kept folder by folder, and its bytes: an entry is made for who asks.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from itertools import accumulate, chain, compress, pairwise
from typing import NamedTuple, cast

from handhold.archive import pages
from handhold.archive.manifest import PageRef
from handhold.columns import Files
from handhold.model import Entry, Part

#: (emulator, home, path)
Key = tuple[str, str, str]
#: So many rows of a page are worth to have all of it made.
_MANY = 16
#: Of a page with more bytes than this for each of its entries no more is kept than what these say.
_LONG = 2 << 10
#: So many paths are looked at whether they lie in one folder: where some lie deeper, that is done for each.
_LOOKED_AT = 128
#: So many entries that were asked for one by one are kept.
_REMEMBERED = 1 << 14


class Folder:
    """The files that lie right in one folder of a home; ``rows`` are their places in the whole list."""

    def __init__(self) -> None:
        self.rows: list[range] = []
        self.parts: set[Part] = set()
        self._firsts: list[int] = []  # which file each of these ranges begins with
        self._names: list[str] = []
        self._sizes, self._times = array("q"), array("q")
        self._files: Files | None = None

    def add(
        self, rows: range, names: str, sizes: Sequence[int], times: Sequence[int], parts: set[Part]
    ) -> None:
        """Adds files behind those that are there; their ``names`` are lines."""
        if self.rows and self.rows[-1].stop == rows.start:
            self.rows[-1] = range(self.rows[-1].start, rows.stop)
        else:
            self.rows.append(rows)
            self._firsts.append(len(self._sizes))
        self._names.append(names)
        self._sizes.extend(sizes)
        self._times.extend(times)
        self.parts |= parts

    @property
    def files(self) -> Files:
        """Name, size and time of each, all added."""
        if self._files is None:
            self._files = Files("\n".join(self._names), self._sizes, self._times)
            self._names = []
        return self._files

    def row(self, name: str) -> int | None:
        """The place of the file of that name."""
        at = self.files.number(name)
        return None if at is None else self.row_of(at)

    def row_of(self, file: int) -> int:
        """The place of a file by its number in the folder."""
        run = bisect_right(self._firsts, file) - 1
        return self.rows[run].start + file - self._firsts[run]


class _Page(NamedTuple):
    start: int  # the row of its first entry
    first: Key
    data: bytes  # as it was checked; or nothing, and
    entries: Sequence[Entry]  # the entries themselves
    idents: bytes  # of the blocks, where each file is one block, in the order of the entries


def _in_one_folder(paths: Sequence[str], at: int, last: int) -> tuple[int, str]:
    """How far paths lie right in the folder of the one ``at``, and their names, as lines.

    They are sorted from there up to ``last``; some more may lie there where it is told of many.

    >>> _in_one_folder(["a/b", "a/c", "a/d/e", "b"], 0, 4), _in_one_folder(["a/d/e", "b"], 1, 2)
    ((1, 'b'), (2, 'b'))
    >>> _in_one_folder(["a/b", "a/c", "b"], 0, 3)
    (2, 'b\\nc')
    """
    folder, slash, name = paths[at].rpartition("/")
    last = min(last, at + _LOOKED_AT)
    # All that begins with the folder and a slash stands before what begins with the next character, a "0".
    end = bisect_left(paths, f"{folder}0", at, last) if slash else last
    text = "\n".join(paths[at:end])
    if text.count("/") != (end - at) * (folder.count("/") + 1 if slash else 0):
        return at + 1, name  # some lie deeper
    return end, f"\n{text}".replace(f"\n{folder}/", "\n")[1:] if slash else text


class Listed(Mapping[Key, Entry]):
    """Entries by their keys, and in the order of these, each with its place (row), counted from 0."""

    def __init__(self) -> None:
        self.folders: dict[Key, Folder] = {}
        #: The pages of all entries, one after the other; none where they are not just those of pages.
        self.pages: list[PageRef] = []
        self._pages: list[_Page] = []
        self._starts: list[int] = []
        self._rows = 0
        self._last: Key | None = None
        self._lined = -1, False  # the page that was asked for last, and whether it has a line for each entry
        self._held: dict[int, bool] | None = None  # whether the blocks of pages are there, once it was told
        self._made: dict[int, Entry] = {}  # those that were asked for one by one, mostly several times
        self._known: dict[Key, Entry] = {}  # the same by their keys
        self._spans: dict[int, tuple[int, int]] = {}  # where the lines of these lie in their pages

    @staticmethod
    def of(entries: Sequence[Entry]) -> Listed:
        """Entries that are sorted by key, each once."""
        listed = Listed()
        if entries:
            listed._take([b""], [len(entries)], pages.columns_of(entries), entries)
        return listed

    def add(self, refs: Sequence[PageRef], data: Sequence[bytes]) -> None:
        """Adds the next pages by their bytes, all checked; several at once take less for each.

        Raises ``ValueError`` with what is wrong.
        """
        lengths = [ref.entries for ref in refs]
        entries, columns = pages.decode_columns(data, lengths)
        if self._last is not None and entries[0].key <= self._last:
            raise ValueError(pages.NO_FIT)
        self._take(data, lengths, columns)
        self._last = entries[-1].key
        self.pages += refs

    def _take(
        self,
        data: Sequence[bytes],
        lengths: Sequence[int],
        columns: pages.Columns,
        entries: Sequence[Entry] = (),
    ) -> None:
        """Notes the entries of pages with these lengths."""
        start, paths = self._rows, columns.paths
        for page, (at, end) in zip(data, pairwise(accumulate(lengths, initial=0)), strict=True):
            first = columns.emulators[at], columns.homes[at], paths[at]
            if len(page) > _LONG * (end - at):  # a stranger's, which may be blanks for the most part
                page = pages.encode(pages.decode_unchecked(page))
            self._starts.append(start + at)
            self._pages.append(_Page(start + at, first, page, entries, columns.blocks(at, end)))
        self._rows += len(paths)
        for at, last in columns.runs:
            while at < last:
                end, names = _in_one_folder(paths, at, last)
                self._folder(columns.emulators[at], columns.homes[at], paths[at]).add(
                    range(start + at, start + end),
                    names,
                    columns.sizes[at:end],
                    columns.times[at:end],
                    {*columns.parts[at:end]},
                )
                at = end

    def _folder(self, emulator: str, home: str, path: str) -> Folder:
        """The folder that a file lies in."""
        key = emulator, home, path.rpartition("/")[0]
        folder = self.folders.get(key)
        if folder is None:
            folder = self.folders[key] = Folder()
        return folder

    def __len__(self) -> int:
        return self._rows

    def __iter__(self) -> Iterator[Key]:
        return (entry.key for entry in self.entries())

    def __getitem__(self, key: Key) -> Entry:
        entry = self._known.get(key)
        if entry is None:
            row = self.row(key)
            if row is None:
                raise KeyError(key)
            if len(self._known) >= _REMEMBERED:
                self._known.clear()
            entry = self._known[key] = self.entry(row)
        return entry

    def __contains__(self, key: object) -> bool:
        return self.row(cast(Key, key)) is not None

    def row(self, key: Key) -> int | None:
        """The place of an entry."""
        place, _, name = key[2].rpartition("/")
        folder = self.folders.get((key[0], key[1], place))
        return None if folder is None else folder.row(name)

    def entry(self, row: int) -> Entry:
        """The entry in a row."""
        made = self._made.get(row)
        if made is None:
            if len(self._made) >= _REMEMBERED:
                self._made.clear()
                self._spans.clear()
            made = self._made[row] = self._entry(row)
        return made

    def _entry(self, row: int) -> Entry:
        number = bisect_right(self._starts, row) - 1
        at = row - self._starts[number]
        data = self._pages[number].data
        if self._lined[0] != number:
            self._lined = number, pages.are_lines(data, len(self.of_page(number)))
        if not self._lined[1]:
            return self._of_page(number)[at]
        begin = 0
        for _ in range(at):
            begin = data.index(b"\n", begin) + 1
        end = data.index(b"\n", begin)
        self._spans[row] = begin, end
        return pages.decode_line(data[begin:end])

    def entries(self, rows: Iterable[int] | None = None) -> Iterator[Entry]:
        """The entries in some rows, which are sorted; all of them where none are given."""
        if rows is None:
            for number in range(len(self._pages)):
                yield from self._of_page(number)
            return
        number, some = -1, list[int]()
        for row in rows:
            if number < 0 or row >= self.end(number):
                yield from self._some(number, some)
                number, some = bisect_right(self._starts, row) - 1, []
            some.append(row)
        yield from self._some(number, some)

    def _some(self, number: int, rows: Sequence[int]) -> Iterable[Entry]:
        if len(rows) < _MANY:
            return map(self.entry, rows)
        start, made = self._starts[number], self._of_page(number)
        return [made[row - start] for row in rows]

    def _of_page(self, number: int) -> Sequence[Entry]:
        page = self._pages[number]
        return page.entries or pages.decode_unchecked(page.data)

    def without(self, page: int, rows: Iterable[int]) -> list[bytes] | None:
        """What lies before, between and behind the lines of some of a page's entries, which are sorted.

        None of a page that has no line for each entry.
        """
        data = self._pages[page].data
        between, at = [], 0
        for row in rows:
            self.entry(row)
            span = self._spans.get(row)
            if span is None:
                return None
            between.append(data[at : span[0]])
            at = span[1]
        between.append(data[at:])
        return between

    def first(self, page: int) -> Key:
        """The key of a page's first entry."""
        return self._pages[page].first

    def end(self, page: int) -> int:
        """The row behind a page's last entry."""
        return self._starts[page + 1] if page + 1 < len(self._starts) else self._rows

    def of_page(self, page: int) -> range:
        """The rows of a page."""
        return range(self._starts[page], self.end(page))

    @property
    def page_count(self) -> int:
        """The number of pages."""
        return len(self._pages)

    def are_held(
        self,
        rows: Collection[range],
        have: Callable[[Sequence[bytes]], Sequence[bool]],
        holds: Callable[[Sequence[Entry]], bool],
    ) -> bool:
        """Whether all of the pages that have some rows are held, which is told once for each.

        ``have`` tells it of runs of blocks, by their names one behind the other; of all pages at once, where
        each file is one block. ``holds`` tells it of entries.
        """
        if self._held is None:
            plain = [number for number, page in enumerate(self._pages) if page.idents]
            held_too = have([self._pages[number].idents for number in plain])
            self._held = dict(zip(plain, held_too, strict=True))
        for each in rows:
            first, last = (bisect_right(self._starts, row) - 1 for row in (each.start, each.stop - 1))
            for number in range(first, last + 1):
                held = self._held.get(number)
                if held is None:
                    held = self._held[number] = holds(self._of_page(number))
                if not held:
                    return False
        return True


class Standing:
    """Those entries of a list that stand again, as they are."""

    def __init__(self, listed: Listed) -> None:
        self.listed = listed
        self._marks = bytearray(len(listed))

    def add(self, row: int) -> None:
        """The one in a row stands."""
        self._marks[row] = 1

    def drop(self, row: int) -> None:
        """The one in a row does not."""
        self._marks[row] = 0

    def add_all(self, rows: Iterable[range]) -> None:
        """All of these stand."""
        for each in rows:
            self._marks[each.start : each.stop] = b"\1" * len(each)

    def __len__(self) -> int:
        return self._marks.count(1)

    def __contains__(self, key: object) -> bool:
        row = self.listed.row(cast(Key, key))
        return row is not None and bool(self._marks[row])

    def all_of(self, rows: range) -> bool:
        """Whether all of these stand."""
        return self._marks.find(0, rows.start, rows.stop) < 0

    def rows(self, among: range | None = None) -> Iterable[int]:
        """The places of those that stand, in order; of all or ``among`` some."""
        every = range(len(self._marks)) if among is None else among
        return compress(every, self._marks[every.start : every.stop])

    def others(self, among: range | None = None) -> Iterator[int]:
        """The places of those that do not, in order; of all or ``among`` some."""
        every = range(len(self._marks)) if among is None else among
        at = self._marks.find(0, every.start, every.stop)
        while at >= 0:
            yield at
            at = self._marks.find(0, at + 1, every.stop)

    def entries(self, emulators: Collection[str] | None = None) -> Iterator[Entry]:
        """Those that stand; of all emulators, in order, or of some."""
        if emulators is None:
            return self.listed.entries(self.rows())
        some = (folder for key, folder in self.listed.folders.items() if key[0] in emulators)
        return self.listed.entries(
            sorted(row for folder in some for rows in folder.rows for row in self.rows(rows))
        )

    @property
    def homes(self) -> set[tuple[str, str]]:
        """The emulators and homes that any of them belongs to."""
        return {
            (emulator, home)
            for (emulator, home, _), folder in self.listed.folders.items()
            if any(self._marks.find(1, rows.start, rows.stop) >= 0 for rows in folder.rows)
        }

    @property
    def bytes(self) -> int:
        """The sum of their sizes."""
        total = 0
        for folder in self.listed.folders.values():
            sizes = folder.files.sizes
            if all(map(self.all_of, folder.rows)):
                total += sum(sizes)
            else:
                marks = chain.from_iterable(self._marks[rows.start : rows.stop] for rows in folder.rows)
                total += sum(compress(sizes, marks))
        return total
