"""Writing into an archive: blocks into bundles, and the manifest last."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from functools import partial
from itertools import accumulate, chain, pairwise
from types import TracebackType
from typing import TYPE_CHECKING

from msgspec import structs

from handhold import __version__
from handhold.ahead import Ahead, Task
from handhold.archive import head as heads
from handhold.archive import inventory, pages, recipe
from handhold.archive import manifest as manifests
from handhold.archive.archive import Archive
from handhold.archive.blocks import Sealed, block_id, seal_all
from handhold.archive.bundle import END_SIZE, MAGIC, ROW, BundleWriter
from handhold.archive.description import ADVICE
from handhold.archive.head import Emptied, GamesNote, Snapshot, VolumeNote
from handhold.archive.inventory import Game
from handhold.archive.listed import Listed, Standing
from handhold.archive.manifest import PageRef
from handhold.archive.opening import FOLDERS
from handhold.archive.paging import Changed, paged
from handhold.archive.parity.sheet import FOLDER as PARITY
from handhold.archive.putting import Putting
from handhold.archive.spare import use_spares
from handhold.archive.storage import is_temporary
from handhold.errors import Damaged, OwnerError
from handhold.model import Entry, Gap, Kind, Part, Site
from handhold.threads import pool

if TYPE_CHECKING:
    from concurrent.futures import Future, ThreadPoolExecutor

#: What writes snapshots, as their manifests say it.
TOOL = f"handhold {__version__}"
#: How hard pages are packed, however hard files are: what repeats in them lies near, and the rest is digests.
#: Of the pages of 100,000 files (24.5 MB) level 1 made 4.39 MB, level 3 4.52 MB in half as much time again,
#: level 13 4.45 MB, and level 19 4.28 MB in 180 times as much.
_PAGE_LEVEL = 1
#: So many bytes of pages are checked and sealed at a time, about.
_AT_ONCE = 1 << 20
#: So many bytes of them wait to be packed.
_PAGES_WAITING = 4 << 20
#: So many blocks that a run put into whole bundles are remembered by name.
_REMEMBERED = 1 << 17


class Writer(Putting):
    """Writes one run's blocks and manifests; from ``Archive.writer``. Not for two threads at once.

    >>> with archive.locked("example"), archive.writer() as writer:      # doctest: +SKIP
    ...     sha256 = writer.put_plain(b"a save")
    """

    def __init__(self, archive: Archive, level: int) -> None:
        self._archive = archive
        self._storage = archive.storage
        self.level = level
        self._index = archive.index
        self._first = not len(self._index)  # nothing was there before this run
        self._bundle: BundleWriter | None = None
        self._closing: tuple[BundleWriter, Future[tuple[str, bytes]]] | None = None
        self._closer: ThreadPoolExecutor | None = None
        # By this run, into the open bundle and into the one that is being closed. Threads look into the first
        # before the second, and into the index last: that is the way that a block takes.
        self._put: set[bytes] = set()
        self._put_before: set[bytes] = set()
        # By this run, into bundles that are whole by now; None once they are too many to remember.
        self._put_whole: set[bytes] | None = set()
        self._tried: dict[bytes, bool] = {}  # stored earlier: whether the archive still gives it back
        #: Blocks and bytes that this run has added to the archive.
        self.new_blocks = 0
        #: Bundles that this run has written.
        self.bundles: list[str] = []
        self.stored_bytes = 0

    def __enter__(self) -> Writer:
        self._tidy()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                self.settle()
        finally:
            if self._closer is not None:
                self._closer.shutdown()  # it must not be at work on what is abandoned
            for bundle in (self._bundle, self._closing and self._closing[0]):
                if bundle is not None:
                    bundle.abandon()
            self._bundle = self._closing = None

    def known(self, ident: bytes) -> bool:
        """Whether the block was put in this run, or can be had from a whole bundle of the archive.

        That a bundle names it proves nothing about a card that ages: its stored form is read back and
        checked, once in a run. May be asked by several threads.
        """
        if ident in self._put or ident in self._put_before:
            return True
        whole = self._put_whole
        if whole is not None:
            if ident in whole:
                return True
            if self._first:
                return False
        if ident not in self._index:
            return False
        sound = self._tried.get(ident)
        if sound is None:
            own = any(place.file in self.bundles for place in self._index.places_in_whole(ident))
            sound = self._tried[ident] = own or self._archive.gives_back(ident)
        return sound

    def named(self, ident: bytes) -> bool:
        """Whether the block was put in this run, or stands in the table of a whole bundle."""
        return ident in self._put or ident in self._put_before or ident in self._index

    @property
    def moment(self) -> int:
        """A number that changes when blocks of this run come to lie in a whole bundle; see ``put_all``."""
        return len(self.bundles)

    def put_all(self, blocks: Iterable[Sealed], moment: int) -> None:
        """``put`` for many blocks, none of which was known when it was asked for, at ``moment`` or since.

        ``moment`` is -1 where nobody has asked. Else only what this run put since then is looked for, and the
        archive is not asked once more, as long as that can be told.
        """
        if self._closing is not None and self._closing[1].done():
            self._closed()  # as soon as can be: what is remembered of its blocks takes room
        since: Collection[bytes] | None = () if moment == len(self.bundles) else self._put_whole
        if moment < 0:
            since = None
        fresh: dict[bytes, Sealed] = {}
        for block in blocks:
            ident = block.id
            if ident in self._put or ident in self._put_before:
                continue
            if not (self.known(ident) if since is None else ident in since):
                fresh[ident] = block
        idents, sealed, at = [*fresh], [*fresh.values()], 0
        while at < len(sealed):
            bundle = self._bundle
            if bundle is None:
                bundle = self._bundle = BundleWriter(self._storage)
                self.stored_bytes += len(MAGIC) + END_SIZE
            before = bundle.size
            took = bundle.add_all(sealed[at:])
            self._put.update(idents[at : at + took])
            self.new_blocks += took
            self.stored_bytes += bundle.size - before + took * ROW.size
            at += took
            if bundle.full:
                self._close()

    def put_again(self, entry: Entry) -> Entry:
        """The entry so that it can be listed: what of it only hurt bundles have is stored once more.

        A list of members that is lost is left out. Raises ``Damaged`` if the content is lost.
        """
        whole = bytes.fromhex(entry.recipe or entry.sha256)
        if not entry.size or whole in self._put or whole in self._put_before or self._archive.holds(entry):
            return entry
        try:
            ranges = recipe.decode(self._archive.block(entry.recipe), entry.size) if entry.recipe else []
        except ValueError as error:
            raise Damaged(f"{entry.path} ({entry.emulator}) cannot be read: {error}.", ADVICE) from error
        for ident in dict.fromkeys([*(one.id for one in ranges), whole]):
            if not self.named(ident):
                self.put_plain(self._archive.block(ident.hex()))
        lost = entry.members is not None and not self.named(bytes.fromhex(entry.members))
        return structs.replace(entry, members=None) if lost else entry

    def finish(
        self,
        *,
        device: str,
        kind: Kind,
        taken: datetime,
        volumes: Sequence[VolumeNote],
        sites: Sequence[Site],
        layouts: Mapping[str, bytes],
        entries: Iterable[Entry],
        gaps: Sequence[Gap],
        standing: Standing | None = None,
        note: str = "",
        base: str | None = None,
        safety: str | None = None,
        games: Sequence[Game] = (),
        versions: Mapping[str, str] | None = None,
        left_out: Iterable[Part] = (),
        only_layouts: bool = False,
        emptied: Sequence[Emptied] = (),
        recognised: Iterable[str] | None = None,
        sequence: float | None = None,
    ) -> Snapshot:
        """Writes pages and layouts, closes the bundle, and writes the manifest last: then it is there.

        ``entries`` in any order, each with blocks that are known; and those of an earlier snapshot that was
        read in this run which stand again, none at the place of another. ``games`` are listed, not
        kept, as long as the list can be read back; ``versions`` are those of the known emulators;
        ``left_out`` and ``only_layouts`` are what the night was told not to look at, ``emptied`` the saves
        that have no content any more, ``recognised`` the emulators with a layout of which there are entries
        that no rule names (None: unknown). ``sequence`` is given for what is adopted (see
        ``adopted_sequence``), else it is the next one.

        Raises ``ValueError`` for entries that could not be read back, ``OwnerError`` if it cannot be written.
        """
        taken = heads.with_plain_offset(taken)
        standing = standing or Standing(Listed())
        files, size = len(standing), standing.bytes
        entries = list(entries) if not isinstance(entries, list) else entries
        files += len(entries)
        size += sum(entry.size for entry in entries)
        refs = self._put_pages(entries, standing)
        layout_ids = {emulator: self.put_plain(layout) for emulator, layout in layouts.items()}
        listed = self._put_games(games)
        self.settle()
        head = heads.make_head(
            name=self._free_name(device, taken),
            device=device,
            sequence=self._archive.next_sequence() if sequence is None else sequence,
            kind=kind,
            taken=taken,
            tool=TOOL,
            files=files,
            bytes=size,
            pages=len(refs),
            gaps=len(gaps),
            volumes=volumes,
            sites=sites,
            layouts=layout_ids,
            note=note,
            base=base,
            safety=safety,
            games=listed,
            versions=versions,
            left_out=left_out,
            only_layouts=only_layouts,
            emptied=emptied,
            recognised=recognised,
            origin=self._archive.origin
            if device == self._archive.device and kind is not Kind.ADOPTED
            else "",
        )
        try:
            plain = manifests.encode(head, refs, gaps)
        except manifests.TooLarge as error:
            raise OwnerError(
                f"This snapshot of {device} cannot be written: its list of {len(sites):,} homes and "
                f"{len(gaps):,} gaps would be larger than any that is read back.",
                "Where one place of a layout fits thousands of folders, name the folder above them instead.",
            ) from error
        packed = manifests.pack(plain)
        file = manifests.file_name(device, taken, packed)
        # What could not be read back must not be written: this is the reader's own check.
        snapshot = manifests.decode(file, packed).snapshot
        pending = self._storage.begin(heads.FOLDER)
        try:
            pending.write(packed)
            pending.commit(file)
        finally:
            pending.abandon()
        self.stored_bytes += len(packed)
        self._archive.protect(file, len(packed))
        return snapshot

    def settle(self) -> None:
        """Closes the bundle that is being written: what was put until now can be read back from here on."""
        self._closed()
        if self._bundle is not None:
            bundle, self._bundle = self._bundle, None
            self._put_before, self._put = self._put, set()
            self._add(bundle, bundle.close)

    def _close(self) -> None:
        """Has the full bundle closed while the next one is written: a medium takes its time to flush it."""
        self._closed()
        assert self._bundle is not None
        if self._closer is None:
            self._closer = pool(1, "handhold-closing")  # few nights fill a bundle
        self._closing = self._bundle, self._closer.submit(self._bundle.close)
        self._bundle = None
        self._put_before, self._put = self._put, set()

    def _closed(self) -> None:
        """Waits for the bundle that is being closed."""
        if self._closing is not None:
            bundle, closing = self._closing
            closing.exception()
            self._closing = None
            self._add(bundle, closing.result)

    def _add(self, bundle: BundleWriter, close: Callable[[], tuple[str, bytes]]) -> None:
        try:
            file, table = close()
            self._index.add(file, table, bundle.size)
            self.bundles.append(file)
            if self._put_whole is not None:
                self._put_whole |= self._put_before
                if len(self._put_whole) > _REMEMBERED:
                    self._put_whole = None
        except BaseException:
            self._put = set()  # what lies in a bundle that is none was not put
            raise
        finally:
            self._put_before = set()
            bundle.abandon()
        self._archive.protect(file, bundle.size)

    def _put_games(self, games: Sequence[Game]) -> GamesNote | None:
        if not games:
            return None
        try:
            data = inventory.encode(games)
        except ValueError:
            return None
        return GamesNote(self.put_list(data), len(games))

    def _put_pages(self, entries: list[Entry], standing: Standing) -> list[PageRef]:
        """Stores the pages.

        Those that stand were read from the archive in this run, and checked; where no bundle is hurt, they
        were read from whole ones. Where only some entries of one changed, only those are checked.
        """
        if self._index.hurt or len(standing.listed.pages) != standing.listed.page_count:
            entries, standing = [*standing.entries(), *entries], Standing(Listed())
        ordered = entries if pages.are_in_order(entries) else pages.in_order(entries)
        refs: list[PageRef] = []
        runs = self._runs_of_pages(paged(standing, ordered), refs)
        with Ahead(runs, lambda put: put(), most=_PAGES_WAITING, threads=2) as stored:
            for _ in stored:
                pass
        return refs

    def _runs_of_pages(
        self, found: Iterable[PageRef | Changed], refs: list[PageRef]
    ) -> Iterator[Task[Callable[[], None]]]:
        """What packs runs of those that are to be stored; ``refs`` get all of them."""
        changed: list[tuple[bytes, Changed]] = []
        size = 0
        for page in found:
            if isinstance(page, PageRef):
                refs.append(page)
                continue
            ident = block_id(page.data)
            refs.append(PageRef(ident.hex(), page.entries))
            changed.append((ident, page))
            size += len(page.data)
            if size >= _AT_ONCE:
                yield self._sealing(changed, size)
                changed, size = [], 0
        if changed:
            yield self._sealing(changed, size)

    def _sealing(self, changed: Sequence[tuple[bytes, Changed]], size: int) -> Task[Callable[[], None]]:
        """Packs and puts those pages that are not known, by their ids; fresh entries are checked."""
        moment = self.moment
        new = [(ident, page) for ident, page in changed if not self.known(ident)]
        self._check_fresh([page.fresh for _, page in new if page.fresh])
        plains, idents = [page.data for _, page in new], [ident for ident, _ in new]
        return Task(lambda: partial(self.put_all, seal_all(plains, _PAGE_LEVEL, idents), moment), size)

    def _check_fresh(self, runs: Sequence[Sequence[Entry]]) -> None:
        """Raises ``ValueError`` unless entries, which follow each other run by run, could be read back."""
        if not runs:
            return
        fresh = list(chain.from_iterable(runs))
        columns = pages.columns_of(fresh)
        for entry in () if columns.are_sound() else fresh:
            if trouble := pages.trouble_of(entry):
                raise ValueError(f"an entry cannot be kept, {trouble}: {entry.path}")
        for at, end in pairwise(accumulate(map(len, runs), initial=0)):
            blocks = columns.blocks(at, end)
            if not (blocks and self._index.has_run(blocks)):
                for entry in fresh[at:end]:
                    self._check_put(entry)
        for one, other in () if columns.are_in_order() else pairwise(fresh):
            if one.key == other.key:
                raise ValueError(f"two entries have the same place: {one.key}")

    def _check_put(self, entry: Entry) -> None:
        needed = entry.recipe or entry.sha256
        if entry.size and not self.named(bytes.fromhex(needed)):
            raise ValueError(f"an entry's content was not put: {entry.path}")
        if entry.members is not None and not self.named(bytes.fromhex(entry.members)):
            raise ValueError(f"the list of an entry's members was not put: {entry.path}")

    def _free_name(self, device: str, taken: datetime) -> str:
        """The snapshot's name, with a number behind it if it is not the first of its second."""
        name = f"{device}.{heads.stamp(taken)}"
        used = {one.name.casefold() for one in self._archive.records()}
        if name.casefold() not in used:
            return name
        number = 2
        while f"{name}-{number}".casefold() in used:
            number += 1
        return f"{name}-{number}"

    def _tidy(self) -> None:
        """Removes what runs that were cut off left behind; nobody else writes while the lock is held."""
        use_spares(self._storage)
        for one in self._archive.superseded():
            self._archive.delete(one.file)
        for folder in ("", *FOLDERS, PARITY):
            try:
                items = self._storage.list(folder)
            except (FileNotFoundError, NotADirectoryError):
                continue
            for item in items:
                if not item.is_folder and is_temporary(item.name):
                    try:
                        self._storage.delete(os.path.join(folder, item.name))
                    except OwnerError:
                        pass  # it takes room and does no harm; what really hinders shows when writing
