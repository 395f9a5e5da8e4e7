"""Pages: the entries of a snapshot, cut into runs that stay the same from night to night, each a block."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import chain, groupby, islice, tee
from operator import attrgetter, itemgetter, lt
from typing import Any, NamedTuple

import msgspec
import xxhash
from msgspec.structs import astuple, force_setattr

from handhold.model import Entry, Part
from handhold.names import is_one_line, trouble_with

#: A page begins at an entry whose key's hash is divisible by this, so this is also a page's mean length.
MEAN = 64
#: No page is longer (entries); with the longest paths it still fits into a block.
LONGEST = 512
#: No entry has fewer bytes: there are seven names and a digest of 64 digits.
SHORTEST = 128
#: Larger files are not believed (bytes): the largest that any supported file system holds.
_LARGEST_FILE = (1 << 63) - 1
EMULATOR = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
DIGEST = re.compile(r"[0-9a-f]{64}")
#: A path that needs no closer look: ordinary characters, no name that begins with a dot. Saves half the time.
_FIRST, _MORE = r"[\w (\[!',&+#~=-]", r"[\w .()\[\]!',&+#~=-]*"
_ORDINARY = re.compile(f"{_FIRST}{_MORE}(?:/{_FIRST}{_MORE})*", re.ASCII)
_ORDINARY_LENGTH = 250
#: The characters of such paths, and of digests.
_ORDINARY_CHARS = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_ .()[]!',&+#~=-/"
_HEX_CHARS = b"0123456789abcdef"
NO_FIT = "the manifest and its lists do not fit"
_OUT_OF_ORDER = "the page's entries are out of order"
#: The order of entries.
key_of: Callable[[Entry], tuple[str, str, str]] = attrgetter("emulator", "home", "path")
_FIRST_BYTE, _LAST_BYTE = itemgetter(0), itemgetter(-1)
_encoder = msgspec.json.Encoder()
_decoder = msgspec.json.Decoder(Entry)


def in_order(entries: Iterable[Entry]) -> list[Entry]:
    """The entries sorted by key."""
    ordered = list(entries)
    put_in_order(ordered)
    return ordered


def put_in_order(entries: list[Entry]) -> None:
    """Sorts entries by key, without a key made for each: of a million those would take 70 MB."""
    for name in ("path", "home", "emulator"):  # sorting is stable
        entries.sort(key=attrgetter(name))


def are_in_order(entries: Iterable[Entry]) -> bool:
    """Whether entries are sorted by key, each once; tells it without a copy of them."""
    keys, following = tee(map(key_of, entries))
    next(following, None)
    return all(map(lt, keys, following))


def cut(entries: Sequence[Entry]) -> Iterator[Sequence[Entry]]:
    """The entries, sorted by key, in pages; a changed entry changes one page.

    A new or vanished entry changes one page too, or two where it is one at which a page begins.
    """
    start = 0
    while start < len(entries):
        page = first(entries, start)
        yield page
        start += len(page)


def first(entries: Sequence[Entry], start: int) -> Sequence[Entry]:
    """The page that begins at ``start``, which is an entry's place."""
    last = min(start + LONGEST, len(entries))
    for end in range(start + 1, last):
        if begins_page(entries[end]):
            return entries[start:end]
    return entries[start:last]


def begins_page(entry: Entry) -> bool:
    """Whether a page begins at this entry; depends on its key alone."""
    return begins((entry.emulator, entry.home, entry.path))


def begins(key: tuple[str, str, str]) -> bool:
    """The same by an entry's key."""
    return xxhash.xxh3_64_intdigest("\0".join(key).encode()) % MEAN == 0


def encode(entries: Sequence[Entry]) -> bytes:
    """A page's bytes: JSON Lines, an entry on each."""
    return _encoder.encode_lines(entries)


class Columns(NamedTuple):
    """What entries say, each in its column."""

    emulators: Sequence[str]
    parts: Sequence[Part]
    homes: Sequence[str]
    paths: Sequence[str]
    sizes: Sequence[int]
    times: Sequence[int]
    digests: Sequence[str]
    games: Sequence[str | None]
    recipes: Sequence[str | None]
    members: Sequence[str | None]

    def blocks(self, at: int, end: int) -> bytes:
        """The names of the blocks of some, one behind the other; nothing where not each is one block.

        An empty file has none.
        """
        if self.sizes[at:end].count(0) or any(self.recipes[at:end]) or any(self.members[at:end]):
            return b""
        return bytes.fromhex("".join(self.digests[at:end]))

    @property
    def runs(self) -> Iterator[tuple[int, int]]:
        """Where (from, up to) they are of one emulator and home."""
        at, count = 0, len(self.paths)
        if len(self.places) == 1:
            yield 0, count
            return
        for _, run in groupby(zip(self.emulators, self.homes, strict=True)):
            end = at + sum(1 for _ in run)
            yield at, end
            at = end

    @property
    def places(self) -> Collection[tuple[str, str]]:
        """All emulators and homes."""
        count = len(self.paths)
        if self.emulators.count(self.emulators[0]) == self.homes.count(self.homes[0]) == count:
            return {(self.emulators[0], self.homes[0])}
        return {*zip(self.emulators, self.homes, strict=True)}

    def are_sound(self) -> bool:
        """Whether all are surely sound: never where ``trouble_of`` has a word about one.

        Not where any needs that closer look. Told column by column, which is faster than entry by entry.
        """
        sizes, times = self.sizes, self.times
        games = list(filter(None, self.games))
        return (
            self.recipes.count(None) == self.members.count(None) == len(self.paths)
            and max(map(len, self.paths)) <= _ORDINARY_LENGTH
            and _are_ordinary(self.paths)
            and all(_trouble_of_home(*each) is None for each in self.places)
            and {*map(len, self.digests)} == {64}
            and not "".join(self.digests).encode(errors="replace").translate(None, _HEX_CHARS)
            and min(sizes) >= 0
            and max(sizes) <= _LARGEST_FILE
            and min(times) >= -_LARGEST_FILE
            and max(times) <= _LARGEST_FILE
            and "".join(games).isprintable()
            and max(map(len, games), default=0) <= _ORDINARY_LENGTH
        )

    def are_in_order(self) -> bool:
        """Whether they are sorted by key, each once."""
        keys: Iterable[Any] = self.paths
        if len(self.places) > 1:
            keys = zip(self.emulators, self.homes, self.paths, strict=True)
        ones, following = tee(keys)
        next(following)
        return all(map(lt, ones, following))


def columns_of(entries: Iterable[Entry]) -> Columns:
    """The columns of entries, of which there is one at least."""
    return Columns._make(zip(*map(astuple, entries), strict=True))


def decode(page: bytes) -> tuple[Entry, ...]:
    """The entries of a page, each checked: names, numbers, digests, and their order.

    Raises ``ValueError`` with what is wrong.
    """
    entries, columns = decode_columns((page,))
    _share_names(entries, columns)
    return entries


def decode_columns(data: Iterable[bytes], lengths: Sequence[int] = ()) -> tuple[tuple[Entry, ...], Columns]:
    """The entries of pages that follow each other, checked like those of one, and their columns.

    Takes less for each of several. Raises ``ValueError`` with what is wrong; also where the pages have not as
    many entries each as ``lengths`` says, if it does.
    """
    decoded = list(map(decode_unchecked, data))
    if not all(decoded):
        raise ValueError("the page is empty")
    if lengths and list(map(len, decoded)) != list(lengths):
        raise ValueError(NO_FIT)
    entries = tuple(chain.from_iterable(decoded))
    columns = columns_of(entries)
    if not columns.are_sound():
        for page in decoded:
            if not all_sound(page):
                for entry in page:
                    _believe(entry)
    if not columns.are_in_order():
        raise ValueError(_OUT_OF_ORDER)
    return entries, columns


def decode_unchecked(page: bytes) -> tuple[Entry, ...]:
    """The entries of a page that was checked, or will be. Raises ``ValueError`` where it has none."""
    try:
        return tuple(_decoder.decode_lines(page))
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise ValueError(f"the page cannot be read ({error})") from error


def decode_line(line: bytes) -> Entry:
    """The entry of one line of a page that was checked before."""
    return _decoder.decode(line)


def are_lines(page: bytes, entries: int) -> bool:
    """Whether a page of so many entries, which was checked, has a line for each.

    ``}``, a line's end and ``{`` lie nowhere but between two entries: in a text no line ends, and in an
    object a comma comes between.
    """
    return page.endswith(b"}\n") and page.count(b"\n") == entries == page.count(b"}\n{") + 1


def _share_names(entries: Sequence[Entry], columns: Columns) -> None:
    """Gives entries that follow each other one text for the same emulator and home.

    In 100,000 entries that is 11 MB. The values are equal, so nothing can see the change.
    """
    emulator, home = columns.emulators[0], columns.homes[0]
    for entry in entries:
        if entry.emulator == emulator and entry.home == home:
            force_setattr(entry, "emulator", emulator)
            force_setattr(entry, "home", home)
        else:
            emulator, home = entry.emulator, entry.home


class KnownLines:
    """The lines of pages that were decoded and checked already, each with its entry.

    From night to night a page changes in a line or two, and only those have to be decoded and believed anew.
    Equal lines give the very same entry, in whatever pages they stand. When it is full, it begins afresh.
    """

    def __init__(self, most: int = 1 << 16, largest: int = 1024, room: int = 24 << 20) -> None:
        self._most, self._largest, self._room = most, largest, room  # lines, and bytes of one and of all
        self._entries: dict[bytes, Entry] = {}
        self._size = 0

    def decode(self, page: bytes) -> tuple[Entry, ...]:
        """What ``pages.decode`` gives, ``ValueError`` included."""
        if page.count(b"\n") * SHORTEST > len(page):  # a stranger's: millions of lines would take a gigabyte
            return decode(page)
        lines = page.split(b"\n")
        if lines.pop() or not lines:
            return decode(page)
        if not any(map(self._entries.__contains__, lines)):
            whole = decode(page)
            if len(whole) == len(lines) and _are_objects(lines):
                self._keep(lines, whole)
            return whole
        try:
            found = self._found(lines)
        except ValueError:  # of the new lines alone: it says another place in the page, or none
            found = None
        if found is None:
            return decode(page)
        entries = tuple(found)
        check_order(entries)
        return entries

    def entries(self, lines: Sequence[bytes]) -> list[Entry]:
        """The entries of single lines, each checked as by ``decode``; ``ValueError`` if one is not sound."""
        found = self._found(lines)
        if found is None:
            raise ValueError("the page cannot be read (a line is not one object)")
        return found

    def _found(self, lines: Sequence[bytes]) -> list[Entry] | None:
        """The entry of each line; None where they are not one object each."""
        found = list(map(self._entries.get, lines))
        fresh = [line for line, entry in zip(lines, found, strict=True) if entry is None]
        if fresh:
            if not _are_objects(fresh):
                return None
            decoded = decode_unchecked(b"\n".join(fresh))
            if len(decoded) != len(fresh):
                return None
            if not all_sound(decoded):
                for entry in decoded:
                    _believe(entry)
            self._keep(fresh, decoded)
            new = iter(decoded)
            return [next(new) if entry is None else entry for entry in found]
        return [entry for entry in found if entry is not None]

    def _keep(self, lines: Sequence[bytes], entries: Sequence[Entry]) -> None:
        some: Iterable[tuple[bytes, Entry]] = zip(lines, entries, strict=True)
        if len(lines) > LONGEST or max(map(len, lines)) > self._largest:  # a stranger's, of any length
            some = (each for each in islice(some, LONGEST) if len(each[0]) <= self._largest)
        kept = dict(some)
        size = sum(map(len, kept))
        if len(self._entries) + len(kept) > self._most or self._size + size > self._room:
            self._entries.clear()
            self._size = 0
        self._entries.update(kept)
        self._size += size


def _are_objects(lines: Sequence[bytes]) -> bool:
    """Whether lines, if they are JSON, hold whole objects only: none that goes on in the next one.

    Inside of an object neither a line break in a text nor ``{`` behind ``}`` is JSON.
    """
    return all(lines) and {*map(_FIRST_BYTE, lines)} == {ord("{")} and {*map(_LAST_BYTE, lines)} == {ord("}")}


def all_sound(entries: Sequence[Entry]) -> bool:
    """Whether all are surely sound (see ``Columns.are_sound``)."""
    return bool(entries) and columns_of(entries).are_sound()


def _are_ordinary(paths: Sequence[str]) -> bool:
    """Whether all paths are ordinary, told of all at once: no empty name, and none that begins with a dot.

    >>> _are_ordinary(["saves/a.sav"]), _are_ordinary(["saves/.a"]), _are_ordinary(["saves/", "a"])
    (True, False, False)
    """
    names = f"/{'/'.join(paths)}/".encode(errors="replace")
    return not names.translate(None, _ORDINARY_CHARS) and b"//" not in names and b"/." not in names


def _believe(entry: Entry) -> None:
    trouble = trouble_of(entry)
    if trouble:
        raise ValueError(f"the page has an entry that cannot be believed: {trouble}")


def check_order(entries: Sequence[Entry]) -> None:
    """Raises ``ValueError`` if entries are not sorted by key, each once."""
    if not are_in_order(entries):
        raise ValueError(_OUT_OF_ORDER)


def has(page: bytes, entries: int) -> bool:
    """Whether a page has that number of entries; they are decoded only where the lines are not as many."""
    return page.count(b"\n") == entries or len(decode(page)) == entries


@lru_cache(maxsize=256)
def _trouble_of_home(emulator: str, home: str) -> str | None:
    if EMULATOR.fullmatch(emulator) is None:
        return "its emulator is no name of one"
    if not 0 < len(home) <= 255 or not home.isprintable() or "/" in home:
        return "its home is no name of one"
    return None


def trouble_of(entry: Entry) -> str | None:
    """Why an entry must not be believed, or None if it is sound."""
    path = entry.path
    if len(path) > _ORDINARY_LENGTH or _ORDINARY.fullmatch(path) is None:
        trouble = trouble_with(path)
        if trouble:
            return f"its path {trouble}"
    trouble = _trouble_of_home(entry.emulator, entry.home)
    if trouble:
        return trouble
    if not 0 <= entry.size <= _LARGEST_FILE:
        return "its size cannot be"
    if not -_LARGEST_FILE <= entry.modified <= _LARGEST_FILE:
        return "its time cannot be"
    if DIGEST.fullmatch(entry.sha256) is None:
        return "its digest is none"
    if entry.recipe is not None and (not entry.size or DIGEST.fullmatch(entry.recipe) is None):
        return "its recipe is none"
    if entry.members is not None and DIGEST.fullmatch(entry.members) is None:
        return "its list of members is none"
    if entry.game is not None and (len(entry.game) > 4096 or not is_one_line(entry.game)):
        return "its game is no name"
    return None
