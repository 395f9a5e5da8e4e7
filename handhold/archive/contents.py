"""What an archive holds, by its ids: blocks, lists, the content of entries. Every byte is checked."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence, Set
from typing import Protocol

from handhold.archive import inventory, members, pages, recipe, searching
from handhold.archive.blocks import Sealed, unpack, unseal
from handhold.archive.bundle import HEADER_SIZE
from handhold.archive.description import ADVICE
from handhold.archive.index import Index, Place
from handhold.archive.inorder import ByPlace, InOrder
from handhold.archive.inventory import Game
from handhold.archive.listed import Listed
from handhold.archive.manifest import Manifest, PageRef
from handhold.archive.members import Member
from handhold.archive.storage import Storage
from handhold.beside import Beside
from handhold.errors import Damaged
from handhold.model import Entry

#: So many pages of a list are checked at once, or as many as have so many bytes: a stranger's can be long.
_TOGETHER, _TOGETHER_BYTES = 8, 1 << 20
#: So many bytes of pages may wait until all before them were checked: those of a million files.
_WAITING = 256 << 20
#: From so many pages on two processes look through them.
_MANY = 200
PAGES_KEPT, _ENTRIES_KEPT = 256, 1 << 17  # the pages of a stranger can be far longer than ours
#: What a line of a page says depends on nothing else. Kept to the end: to take it apart takes long.
_LINES = pages.KnownLines()


class Look(Protocol):
    """Gives the entries of a page that fit, by its id. Raises ``Damaged``."""

    def __call__(self, page_id: str) -> list[Entry]: ...


class Blocks(Protocol):
    """A way to read blocks, by their ids. Raises ``Damaged``."""

    def block(self, block_id: str) -> bytes:
        """The plain bytes of a block, checked."""

    def unpacked(self, block_id: str) -> bytes:
        """The same without a look at whether the content is the one that its name says."""


class _Gone(Damaged):
    """A bundle that was there is not there any more."""


def _unreadable(entry: Entry, what: str) -> Damaged:
    return Damaged(f"{entry.path} ({entry.emulator}) cannot be read: {what}", ADVICE)


class Contents:
    """Reads what lies in the bundles of a storage; of their ``index``, if somebody has read it already."""

    def __init__(self, storage: Storage, index: Index | None = None) -> None:
        self.storage = storage
        self._index = index
        self._lines = _LINES
        self._pages: OrderedDict[str, tuple[Entry, ...]] = OrderedDict()
        self._kept = 0  # entries of these pages
        self._held = False  # by this run: no other one deletes anything

    @property
    def index(self) -> Index:
        """Where the blocks lie; read from the bundles when it is first needed."""
        if self._index is None:
            self._index = Index(self.storage)
        return self._index

    def page(self, page_id: str) -> tuple[Entry, ...]:
        """The entries of a page; the last ones that were asked for are kept in memory. Raises ``Damaged``."""
        found = self._pages.get(page_id)
        if found is not None:
            self._pages.move_to_end(page_id)
            return found
        try:
            found = self._lines.decode(self.block(page_id))
        except ValueError as error:
            raise Damaged(f"A list of files in the archive is hurt: {error}.", ADVICE) from error
        self._pages[page_id] = found
        self._kept += len(found)
        while len(self._pages) > PAGES_KEPT or (self._kept > _ENTRIES_KEPT and len(self._pages) > 1):
            self._kept -= len(self._pages.popitem(last=False)[1])
        return found

    def listed(self, refs: Iterable[PageRef]) -> Listed:
        """What pages list, which follow each other in a manifest, for a reader that goes through it once.

        Raises ``Damaged``.
        """
        refs, listed = list(refs), Listed()
        try:
            data = self._first_read(refs)
            some: list[bytes] = []
            for at, ref in enumerate(refs):
                plain = data.pop(at, None)
                some.append(self.block(ref.id) if plain is None else plain)
                if len(some) == _TOGETHER or sum(map(len, some)) >= _TOGETHER_BYTES or at + 1 == len(refs):
                    listed.add(refs[at + 1 - len(some) : at + 1], some)
                    some = []
        except ValueError as error:
            raise Damaged(f"A list of files in the archive is hurt: {error}.", ADVICE) from error
        return listed

    def _first_read(self, refs: Sequence[PageRef]) -> dict[int, bytes]:
        """The plain bytes of pages by their numbers, all or as many as may wait. Raises ``Damaged``."""
        found: dict[int, bytes] = {}
        waiting = 0
        for at, plain in ByPlace(self, [bytes.fromhex(ref.id) for ref in refs]).blocks():
            found[at] = self.block(refs[at].id) if plain is None else plain
            waiting += len(found[at])
            if waiting > _WAITING:
                break
        return found

    def search(self, fits: Callable[[searching.Glance | Entry], bool], words: Collection[str] = ()) -> Look:
        """A look for entries in the pages of many years.

        Only what has one of the ``words`` in its path, game or emulator can fit, if there are any (see
        ``searching.Search``). No page is kept in memory.
        """
        search, blocks = searching.Search(self._lines, fits, words), InOrder(self)

        def found(page_id: str) -> list[Entry]:
            try:
                return search.found(blocks.block(page_id))
            except ValueError as error:
                raise Damaged(f"A list of files in the archive is hurt: {error}.", ADVICE) from error

        return found

    def search_all(
        self,
        refs: Sequence[PageRef],
        fits: Callable[[searching.Glance | Entry], bool],
        words: Collection[str] = (),
    ) -> list[list[Entry] | None]:
        """``search`` in all pages of a manifest: what of each one fits, None for one that cannot be read."""
        idents = [bytes.fromhex(ref.id) for ref in refs]
        by_place = ByPlace(self, idents)

        def each(
            over: Callable[[], Set[bytes]], backwards: bool = False
        ) -> Iterator[tuple[int, list[Entry] | None]]:
            search = searching.Search(self._lines, fits, words)
            for at, plain in by_place.blocks(over, backwards=backwards):
                try:
                    data = self.block(refs[at].id) if plain is None else plain
                    yield at, search.found(data) if pages.has(data, refs[at].entries) else None
                except (ValueError, Damaged):
                    yield at, None

        def silent() -> Iterator[bytes]:
            return (idents[at] for at, some in each(frozenset, backwards=True) if some == [])

        if not words or len(idents) < _MANY or len(set(idents)) < len(idents):
            found = dict(each(frozenset))
            return [found[at] for at in range(len(refs))]
        # Two of them, from both ends: most pages speak of nothing that is looked for.
        with Beside(silent, len(idents[0])) as beside:
            found = dict(each(beside.found))
            over = beside.found()
        return [[] if ident in over else found[at] for at, ident in enumerate(idents)]

    def entries(self, manifest: Manifest) -> Iterator[Entry]:
        """Every entry of a manifest, by key. Raises ``Damaged``."""
        last: tuple[str, str, str] | None = None
        for page in manifest.pages:
            found = self.page(page.id)
            if len(found) != page.entries or (last is not None and found[0].key <= last):
                raise Damaged(f"The manifest of {manifest.snapshot.name} and its lists do not fit.", ADVICE)
            last = found[-1].key
            yield from found

    def holds(self, entry: Entry) -> bool:
        """Whether every block that the entry needs lies in a whole bundle."""
        if entry.members is not None and bytes.fromhex(entry.members) not in self.index:
            return False
        if entry.recipe is None:
            return not entry.size or bytes.fromhex(entry.sha256) in self.index
        if bytes.fromhex(entry.recipe) not in self.index:
            return False
        try:
            ranges = recipe.decode(self.block(entry.recipe), entry.size)
        except (ValueError, Damaged):
            return False
        return self.index.has_all(one.id for one in ranges)

    def have_runs(self, runs: Sequence[bytes]) -> list[bool]:
        """Of each run of blocks, by their names one behind the other, whether all lie in whole bundles."""
        return self.index.have_runs(runs)

    def hold_all(self, entries: Sequence[Entry]) -> bool:
        """Whether every block that any of the entries needs lies in a whole bundle (``holds``)."""
        single = [
            bytes.fromhex(entry.sha256)
            for entry in entries
            if entry.size and entry.recipe is None and entry.members is None
        ]
        return self.index.has_all(single) and (
            len(single) == len(entries)
            or all(self.holds(entry) for entry in entries if entry.recipe or entry.members)
        )

    def gives(self, entry: Entry) -> bool:
        """Whether every block of the entry can be had; those that only a hurt bundle has are read to tell."""
        if not entry.size or self.holds(entry):
            return True
        try:
            if entry.recipe is None:
                needed = {entry.sha256}
            else:
                needed = {one.id.hex() for one in recipe.decode(self.block(entry.recipe), entry.size)}
            for ident in needed:
                self.block(ident)
        except (ValueError, Damaged):
            return False
        return True

    def content(self, entry: Entry) -> Iterator[bytes]:
        """The bytes of an entry, run by run; each checked against its block, the whole against its digest.

        Raises ``Damaged``, also after the last run: believe nothing before the end.
        """
        return self.proven(entry, self._runs(entry, self.block, self.block))

    def unproven(self, entry: Entry, blocks: Blocks) -> Iterator[bytes]:
        """The bytes of an entry, read by ``blocks``: those of a file of several blocks are not proven.

        That is left to ``proven``, at half the cost of ``content``. Where it raises at the end, ``content``
        may find another copy of the block that was wrong. Raises ``Damaged``.
        """
        return self._runs(entry, blocks.block, blocks.unpacked)

    def proven(self, entry: Entry, runs: Iterable[bytes]) -> Iterator[bytes]:
        """The same bytes, the whole held against its digest, as they are taken: by whichever thread does.

        Raises ``Damaged`` behind the last run.
        """
        if entry.size and entry.recipe is None:
            yield from runs  # its only block was held against its name, which is the digest of the whole
            return
        digest = hashlib.sha256()
        size = 0
        for run in runs:
            digest.update(run)
            size += len(run)
            yield run
        if size != entry.size or digest.hexdigest() != entry.sha256:
            raise Damaged(f"{entry.path} ({entry.emulator}) does not come out as it went in.", ADVICE)

    def comes_out(self, entry: Entry) -> bool:
        """Whether a file of several blocks comes out as it went in, by the digest of the whole alone.

        Where the first copy of a block has another content than its name says, there may be a right one.
        """
        return self._digested(entry, self._unpacked) or self._digested(entry, self.block)

    def _digested(self, entry: Entry, read: Callable[[str], bytes]) -> bool:
        """Whether a file of several blocks has its digest."""
        digest = hashlib.sha256()
        try:
            assert entry.recipe is not None
            ranges = recipe.decode(self.block(entry.recipe), entry.size)
            for run in self.ranges(ranges, read):
                digest.update(run)
        except (ValueError, Damaged):
            return False
        return digest.hexdigest() == entry.sha256

    def _unpacked(self, block_id: str) -> bytes:
        """A block whose content is not compared with its name, which is sound already or told otherwise."""
        first = self.index.first(bytes.fromhex(block_id))
        if first is not None:
            file, row = first
            try:
                stored = self.storage.read(file, row.offset + HEADER_SIZE, row.stored)
                return unpack(row.codec, stored, row.plain, row.check)
            except (FileNotFoundError, ValueError, Damaged):
                pass
        return self.block(block_id)

    def _only(self, entry: Entry, block: Callable[[str], bytes]) -> bytes:
        """The content of a file of one block, whose name is the digest of the file."""
        try:
            plain = block(entry.sha256)
        except Damaged as error:
            raise _unreadable(entry, error.what) from error
        if len(plain) != entry.size:
            raise Damaged(f"{entry.path} ({entry.emulator}) does not come out as it went in.", ADVICE)
        return plain

    def _runs(
        self, entry: Entry, block: Callable[[str], bytes], read: Callable[[str], bytes]
    ) -> Iterator[bytes]:
        """The only block, by ``block``, or the ranges of several, by ``read``."""
        if not entry.size:
            return
        if entry.recipe is None:
            yield self._only(entry, block)
            return
        try:
            yield from self.ranges(recipe.decode(self.block(entry.recipe), entry.size), read)
        except (ValueError, Damaged) as error:
            what = error.what if isinstance(error, Damaged) else f"{error}."
            raise _unreadable(entry, what) from error

    def ranges(
        self, ranges: Iterable[recipe.Range], read: Callable[[str], bytes] | None = None
    ) -> Iterator[bytes]:
        """The bytes of ranges, one after the other, by ``read``. Raises ``Damaged`` and ``ValueError``."""
        read = read or self.block
        # Two blocks are kept: a zip goes to and fro between its members and what stands between them.
        ident, plain = b"", b""
        last, last_plain = b"", b""
        for one in ranges:
            if one.id != ident:
                ident, plain, last, last_plain = last, last_plain, ident, plain
            if one.id != ident:
                ident, plain = one.id, read(one.id.hex())
            if one.offset + one.length > len(plain):
                raise ValueError("its recipe asks for more than a block has")
            whole = one.length == len(plain)
            yield plain if whole else plain[one.offset : one.offset + one.length]

    def members(self, entry: Entry) -> tuple[Member, ...]:
        """What lies in a zip, as its directory has it; nothing for what is none. Raises ``Damaged``."""
        if entry.members is None:
            return ()
        try:
            return members.decode(self.listing(entry.members))
        except ValueError as error:
            raise Damaged(
                f"What lies in {entry.path} ({entry.emulator}) is not known: {error}.", ADVICE
            ) from error

    def games(self, manifest: Manifest) -> tuple[Game, ...]:
        """The games on the device that night, by emulator, home and path. Raises ``Damaged``."""
        if manifest.games is None:
            return ()
        try:
            games = inventory.decode(self.listing(manifest.games.list))
            if len(games) != manifest.games.count:
                raise ValueError("it is not as long as the manifest says")
        except ValueError as error:
            name = manifest.snapshot.name
            raise Damaged(f"Which games {name} had is not known: {error}.", ADVICE) from error
        return games

    def listing(self, ident: str) -> bytes:
        """A list, stored as a block or as the recipe of several. Raises ``Damaged`` and ``ValueError``."""
        data = self.block(ident)
        if not data.startswith(recipe.MAGIC):
            return data
        ranges = recipe.decode(data)
        if sum(one.length for one in ranges) > members.LARGEST_LIST:
            raise ValueError("the list is too long")
        return b"".join(self.ranges(ranges))

    def block(self, block_id: str) -> bytes:
        """The plain bytes of a block, checked; every copy in the archive is tried. Raises ``Damaged``."""
        ident = bytes.fromhex(block_id)
        first = self.index.first(ident)
        if first is not None:
            try:
                return self._sound(first)
            except (FileNotFoundError, ValueError, Damaged):
                pass  # every copy is tried, and what is wrong is told
        try:
            return self._first_sound(self.index.places(ident))
        except _Gone:
            if self._held or not self.index.is_stale():
                raise
        self.look_anew()  # another run has put it into another bundle since this one began to read
        return self._first_sound(self.index.places(ident))

    def look_anew(self) -> None:
        """Where blocks lie is looked up anew when it is next asked, for bundles were deleted."""
        self._index = None

    def gives_back(self, ident: bytes) -> bool:
        """Whether a whole bundle gives the block now: its stored form is read, and checked to the last."""
        try:
            self._first_sound(self.index.places_in_whole(ident))
        except Damaged:
            return False
        return True

    def _sound(self, place: Place) -> bytes:
        """The block there, checked. Raises ``FileNotFoundError``, ``ValueError`` and ``Damaged``."""
        file, row = place
        stored = self.storage.read(file, row.offset + HEADER_SIZE, row.stored)
        return unseal(Sealed(row.id, row.codec, stored, row.plain, row.check))

    def _first_sound(self, places: Iterable[Place]) -> bytes:
        trouble, gone = "it is in no bundle", False
        for place in places:
            try:
                return self._sound(place)
            except FileNotFoundError:
                trouble, gone = f"{place.file} is gone", True
            except ValueError as error:
                trouble = f"{error} ({place.file})"
            except Damaged as error:
                trouble = error.what.rstrip(".")
        kind = _Gone if gone else Damaged
        raise kind(f"A block of the archive cannot be read: {trouble}.", ADVICE)

    def layout(self, manifest: Manifest, emulator: str) -> bytes | None:
        """The layout of an emulator as stored with a snapshot; None if none was. Raises ``Damaged``."""
        ident = manifest.layouts.get(emulator)
        return None if ident is None else self.block(ident)
