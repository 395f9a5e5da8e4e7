"""Whether all that snapshots name is there: pages, layouts, recipes, blocks, and whole files."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Sequence
from typing import NamedTuple

from handhold.archive import recipe
from handhold.archive.archive import Archive
from handhold.archive.index import Place
from handhold.archive.manifest import Manifest
from handhold.archive.report import Affected, Findings, coarsened
from handhold.archive.soundness import Meter, Soundness
from handhold.archive.wholes import Wholes
from handhold.errors import Damaged, NotNow, OwnerError
from handhold.model import Entry
from handhold.threads import pool

_EMPTY = hashlib.sha256(b"").hexdigest()
_SIZES = 1 << 16  # about so many are kept
_MISFIT = "a list of files in it does not fit the files that are stored"


class _Lost(NamedTuple):
    """An entry that cannot be given back (without its snapshot), and the files that are to blame."""

    affected: Affected
    causes: tuple[str, ...]


class _Page(NamedTuple):
    """What is known of a page; where it cannot be read, ``causes`` names the files that are to blame."""

    causes: tuple[str, ...] = ()
    entries: int = 0
    bytes: int = 0
    first: tuple[str, str, str] = ("", "", "")
    last: tuple[str, str, str] = ("", "", "")
    lost: tuple[_Lost, ...] = ()


class References:
    """Follows manifests to all that they need; each distinct page, recipe and large file once."""

    def __init__(
        self,
        archive: Archive,
        soundness: Soundness,
        findings: Findings,
        meter: Meter,
        wholes: Wholes | None,
    ) -> None:
        self._archive = archive
        self._soundness = soundness
        self._findings = findings
        self._meter = meter
        self._wholes = wholes  # in a deep check
        self._pages: dict[bytes, _Page] = {}
        self._bare: dict[bytes, _Page] = {}  # of snapshots that were let go
        self._layouts: set[str] = set()
        self._lists: set[str] = set()
        self._recipes: dict[tuple[bytes, int], tuple[str, ...]] = {}
        self._files: dict[tuple[bytes, bytes], bool] = {}
        self._sizes: dict[str, int] = {}  # of blocks that were looked up: most nights name the same ones

    def check(self, manifest: Manifest) -> bool:
        """Whether every file of a snapshot can be given back; what cannot goes to the findings.

        Of one that was let go only the lists of its files are needed.
        """
        snapshot = manifest.snapshot
        own = Affected(snapshot.name, snapshot.device)
        look = self._list_of_files if snapshot.let_go else self._page
        whole = fits = told = True
        total = 0
        last: tuple[str, str, str] | None = None
        for ref in manifest.pages:
            page = look(ref.id)
            for cause in page.causes:
                self._findings.affects(cause, own)
            for lost in page.lost:
                affected = lost.affected._replace(snapshot=own.snapshot, device=own.device)
                for cause in lost.causes:
                    self._findings.affects(cause, affected)
            whole = whole and not page.causes and not page.lost
            if page.causes:
                told = False
                continue
            fits = fits and page.entries == ref.entries and (last is None or page.first > last)
            last = page.last
            total += page.bytes
        if not fits:
            self._findings.damage(snapshot.file, "it does not fit its lists of files")
            self._findings.affects(snapshot.file, own)
        elif told and total != snapshot.bytes:
            self._findings.damage(snapshot.file, "its files have not as many bytes as it says")
        for emulator, ident in manifest.layouts.items():
            self._layout(emulator, ident)
        self._games(manifest)
        return whole and fits

    def _layout(self, emulator: str, ident: str) -> None:
        """A lost layout costs no file: the paths stand in the lists, and the owner may have the layout."""
        if ident in self._layouts:
            return
        self._layouts.add(ident)
        place = self._soundness.find(bytes.fromhex(ident))
        if place is not None and self._readable(ident):
            return
        causes = (place.file,) if place is not None else self._soundness.causes(bytes.fromhex(ident))
        for cause in causes:
            self._findings.damage(cause, f"the layout of {emulator} that stood in it is lost")

    def _games(self, manifest: Manifest) -> None:
        """A lost list of games costs no file: no game was kept by it."""
        if manifest.games is not None:
            what = f"the list of the games on {manifest.snapshot.device} is lost"
            self._list(manifest.games.list, lambda: self._archive.games(manifest), what)

    def _members(self, entry: Entry, block: str) -> None:
        """A lost list of what lies in a zip costs no file: the zip has it too."""
        what = f"the list of what lies in {entry.path} ({entry.emulator}) is lost"
        self._list(block, lambda: self._archive.members(entry), what)

    def _list(self, block: str, read: Callable[[], object], what: str) -> None:
        """Looks once at a list that snapshots name; tells ``what`` if it cannot be read."""
        if block in self._lists:
            return
        self._lists.add(block)
        ident = bytes.fromhex(block)
        place = self._soundness.find(ident)
        if place is not None:
            try:
                read()
                return
            except NotNow:
                raise
            except OwnerError:
                pass
        for cause in (place.file,) if place is not None else self._soundness.causes(ident):
            self._findings.damage(cause, what)

    def _readable(self, ident: str) -> bool:
        try:
            self._archive.block(ident)
        except NotNow:
            raise
        except OwnerError:
            return False
        return True

    def _page(self, page_id: str) -> _Page:
        key = bytes.fromhex(page_id)
        page = self._pages.get(key)
        if page is None:
            page = self._pages[key] = self._look(page_id, key)
        return page

    def _list_of_files(self, page_id: str) -> _Page:
        """The page alone, whatever became of the content of its files."""
        key = bytes.fromhex(page_id)
        page = self._pages.get(key) or self._bare.get(key)
        if page is None:
            found, _ = self._read(page_id, key)
            page = self._bare[key] = found
        return page._replace(lost=())

    def _look(self, page_id: str, key: bytes) -> _Page:
        page, place = self._read(page_id, key)
        if place is None:
            return page
        entries = self._archive.page(page_id)
        causes = {
            entry: found for entry in self._doubtful(entries) if (found := self._causes(entry, place.file))
        }
        for entry in entries:
            if entry.members is not None:
                self._members(entry, entry.members)
        if self._wholes is not None:
            self._prove(self._wholes, [entry for entry in entries if entry.recipe and entry not in causes])
            for entry in entries:
                if entry.recipe and self._files.get(_file(entry)) is False:
                    self._findings.damage(place.file, _MISFIT)
                    causes[entry] = (place.file,)
        lost = [
            _Lost(Affected("", "", entry.emulator, entry.part, entry.game, entry.path), found)
            for entry, found in causes.items()
        ]
        if self._findings.coarse:
            lost = list(dict.fromkeys(_Lost(coarsened(one.affected), one.causes) for one in lost))
        return page._replace(lost=tuple(lost))

    def _read(self, page_id: str, key: bytes) -> tuple[_Page, Place | None]:
        """What a page tells, and where it lies if it can be read."""
        place = self._soundness.find(key)
        if place is None:
            return _Page(self._soundness.causes(key)), None
        try:
            entries = self._archive.page(page_id)
        except NotNow:
            raise
        except OwnerError as error:
            why = error.what.rstrip(".")
            self._findings.damage(place.file, f"a list of files in it cannot be read ({why})")
            return _Page((place.file,)), None
        size = sum(entry.size for entry in entries)
        return _Page((), len(entries), size, entries[0].key, entries[-1].key), place

    def _doubtful(self, entries: Sequence[Entry]) -> list[Entry]:
        """The entries without those of one block that can be had and fits: most."""
        known = self._sizes
        if len(known) > _SIZES:
            known.clear()
        single = dict.fromkeys(entry.sha256 for entry in entries if entry.recipe is None and entry.size)
        new = [sha256 for sha256 in single if sha256 not in known]
        known.update(zip(new, self._soundness.sizes(bytes.fromhex("".join(new))), strict=True))
        return [
            entry
            for entry in entries
            if known.get(entry.sha256) != entry.size or entry.recipe is not None or not entry.size
        ]

    def _causes(self, entry: Entry, page_file: str) -> tuple[str, ...]:
        """The files that are to blame if an entry cannot be given back."""
        if not entry.size:
            fits = entry.sha256 == _EMPTY
        elif entry.recipe is not None:
            key = (bytes.fromhex(entry.recipe), entry.size)
            if key not in self._recipes:
                self._recipes[key] = self._recipe(*key)
            return self._recipes[key]
        else:
            ident = bytes.fromhex(entry.sha256)
            place = self._soundness.find(ident)
            if place is None:
                return self._soundness.causes(ident)
            fits = place.row.plain == entry.size
        if fits:
            return ()
        self._findings.damage(page_file, _MISFIT)
        return (page_file,)

    def _recipe(self, ident: bytes, size: int) -> tuple[str, ...]:
        place = self._soundness.find(ident)
        if place is None:
            return self._soundness.causes(ident)
        causes: set[str] = set()
        trouble = ""
        try:
            ranges = recipe.decode(self._archive.block(ident.hex()), size)
        except Damaged as error:
            ranges, trouble = [], error.what.rstrip(".")
        except ValueError as error:
            ranges, trouble = [], str(error)
        different = dict.fromkeys(one.id for one in ranges)
        sizes = dict(zip(different, self._soundness.sizes(b"".join(different)), strict=True))
        for one, plain in sizes.items():
            if plain < 0:
                causes.update(self._soundness.causes(one))
        if any(0 <= sizes[one.id] < one.offset + one.length for one in ranges):
            trouble = "it asks for more than a block has"
        if trouble:
            self._findings.damage(place.file, f"a list of pieces in it cannot be followed ({trouble})")
            causes.add(place.file)
        return tuple(sorted(causes))

    def _prove(self, wholes: Wholes, entries: list[Entry]) -> None:
        """Compares files of several blocks with their digests; puts those together that did not pass by."""
        new = {_file(entry): entry for entry in entries if _file(entry) not in self._files}
        for file in list(new):
            digest, recipe = file
            if wholes.digests.get(recipe) == digest:
                self._files[file] = True
                del new[file]
        if not new:
            return
        self._meter.total += sum(entry.size for entry in new.values())
        next(self._archive.index.places(bytes(32)), None)  # what hurt bundles hold is read by one thread only
        with pool(_threads(), "handhold-proving") as executor:
            coming_out = executor.map(self._archive.comes_out, new.values())
            for entry, sound in zip(new.values(), coming_out, strict=True):
                self._files[_file(entry)] = sound
                self._meter.step(entry.size)


def _threads() -> int:
    """Those that put files together."""
    return min(4, len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1)


def _file(entry: Entry) -> tuple[bytes, bytes]:
    return bytes.fromhex(entry.sha256), bytes.fromhex(entry.recipe or "")
