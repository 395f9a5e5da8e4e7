"""In which snapshots a save stood with which content, over all nights and devices.

Where ``standing`` knows when a content first and last stood somewhere, sightings know each snapshot that
holds it, so that it can be had from there. Each distinct page is read once, whatever number of nights hold
it, and one that speaks of nothing that is looked for is not decoded.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence, Set
from contextlib import AbstractContextManager, nullcontext, suppress
from datetime import datetime
from itertools import compress, filterfalse
from operator import attrgetter, is_not
from typing import TYPE_CHECKING, NamedTuple

import msgspec
from msgspec.structs import replace

from handhold.archive.adopted import in_place
from handhold.archive.sameness import Forms, same_save
from handhold.archive.searching import Glance
from handhold.archive.standing import BEGUN, ELSEWHERE, Line, line_of
from handhold.beside import Beside
from handhold.errors import OwnerError
from handhold.model import Entry, Gap, Identity, Kind, Part, Site

if TYPE_CHECKING:
    from handhold.archive.archive import Archive
    from handhold.archive.head import Snapshot
    from handhold.archive.manifest import Manifest, PageRef


class Held(msgspec.Struct):
    """Snapshots that hold something: in runs, each in its order, as they come from the pages."""

    runs: list[Sequence[Snapshot]]

    @property
    def first(self) -> Snapshot:
        """The earliest of them."""
        return min((run[0] for run in self.runs), key=in_order)

    @property
    def last(self) -> Snapshot:
        """The latest of them."""
        return max((run[-1] for run in self.runs), key=in_order)

    @property
    def all(self) -> tuple[Snapshot, ...]:
        """Each of them once, in their order."""
        return tuple(self.runs[0]) if len(self.runs) == 1 else together([self])

    def has(self, snapshot: Snapshot) -> bool:
        """Whether it is one of them."""
        return any(one.file == snapshot.file for run in self.runs for one in run)


def together(several: Iterable[Held]) -> tuple[Snapshot, ...]:
    """The snapshots of several, each once, in the order of the archive."""
    every = {one.file: one for held in several for run in held.runs for one in run}
    return tuple(sorted(every.values(), key=in_order))


#: From so many snapshots on, a second process looks through their lists from the last one backwards.
_MANY = 100
_ID = 32  # bytes of a page's id
_ASKED = 16  # pages that are read until it is asked again what the second process has found
#: The order of the archive: by sequence, never by the clock alone.
in_order: Callable[[Snapshot], tuple[float, datetime, str]] = attrgetter("sequence", "taken", "file")


class Sighting(NamedTuple):
    """A content of a save at one place, as an entry that has it, and the snapshots that hold it there."""

    entry: Entry
    line: Line
    held: Held


class View(NamedTuple):
    """What a snapshot looked at, and what it was told not to look at."""

    snapshot: Snapshot
    sites: frozenset[Site]
    gaps: tuple[Gap, ...]
    left_out: frozenset[Part]
    only_layouts: bool
    layouts: frozenset[str]  # the emulators that it knew by a layout


class Sightings(msgspec.Struct):
    """What was found, by save. ``unreadable`` names snapshots that could not be read, whole or in part."""

    found: dict[Identity, list[Sighting]] = {}
    #: Of every snapshot, in their order, and of what is remembered of nights that were let go.
    views: list[View] = []
    unreadable: list[str] = []


def sightings(
    archive: Archive,
    fits: Callable[[Glance | Entry], bool],
    *,
    words: Collection[str] = (),
    forms: Forms | None = None,
    ahead: Beside | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Sightings:
    """Every entry that fits, over every manifest of the archive.

    ``words``, if there are any, are such that what fits has one of them (``searching.speaks_of``). ``forms``
    are the homes that hold the same saves in two forms; identities are those of ``same_save``. ``ahead`` is
    a look ahead for the same. What cannot be read is passed over and named. What was only intended is
    no sighting. ``progress`` is told the steps done and their number: as many for manifests as for pages.
    """
    result = Sightings()
    reading = _Reading()
    snapshots = [
        one for one in in_place(archive.told_apart()) if not (one.kind is Kind.RESTORED and one.note == BEGUN)
    ]
    found: Callable[[], Set[bytes]] = frozenset if ahead is None else ahead.found
    for done, snapshot in enumerate(snapshots, start=1):
        try:
            reading.note(replace(archive.read(snapshot), snapshot=snapshot), result)
        except OwnerError:
            result.unreadable.append(snapshot.name)
        found()
        if progress:
            progress(done, 2 * len(snapshots))
    reading.close()
    finding = _Finding(reading, forms or {}, result)
    search = archive.search(lambda one: finding.knows(one) or fits(one), words)
    for done, (page, held) in enumerate(reading.pages.items(), start=1):
        if progress and done % 256 == 0:
            progress(len(snapshots) + len(snapshots) * done // len(reading.pages), 2 * len(snapshots))
        if done % _ASKED == 1:
            silent = found()
        if bytes.fromhex(page) in silent:
            continue
        try:
            finding.take(search(page), held)
        except OwnerError:
            result.unreadable += [one.name for some in held.values() for one in some]
    result.unreadable = list(dict.fromkeys(result.unreadable))
    return result


def look_ahead(
    archive: Archive, fits: Callable[[Glance | Entry], bool], words: Collection[str]
) -> AbstractContextManager[Beside | None]:
    """A look through the pages of all snapshots for what ``sightings`` is to find, in a second process.

    To be begun before any other look at the snapshots. Nothing where that is not worth a process.
    """
    files = archive.manifest_files() if words else []
    if len(files) < _MANY:
        return nullcontext()
    return Beside(lambda: _silent(archive, files, fits, words), _ID)


def _silent(
    archive: Archive, files: Sequence[str], fits: Callable[[Glance | Entry], bool], words: Collection[str]
) -> Iterator[bytes]:
    """The ids of the pages that can be read and have nothing that fits.

    From the last manifest backwards, for whoever reads them from the first one on: each where it came anew.
    What cannot be read is passed over.
    """
    later: dict[str, dict[bytes, None]] = {}  # by device: the pages of its manifest that was looked at last
    seen: set[str] = set()
    search = archive.search(fits, words)

    def silent(pages: Iterable[bytes]) -> Iterator[bytes]:
        for line in pages:
            page = line[:64].decode("ascii", "replace")
            if page in seen:
                continue
            seen.add(page)
            with suppress(OwnerError, ValueError):  # what is no id is told where it counts
                if not search(page):
                    yield bytes.fromhex(page)

    for file in reversed(files):
        device = file.partition(".")[0]
        with suppress(OwnerError):
            pages = dict.fromkeys(archive.pages_named(file))
            gone = list(filterfalse(pages.__contains__, later.get(device, {})))
            later[device] = pages
            yield from silent(gone)
    for pages in later.values():
        yield from silent(pages)


class _Finding:
    """Puts entries and the snapshots that hold them to their sightings.

    The same entry comes again on page after page (``pages.KnownLines``); where it belongs is found once.
    """

    def __init__(self, reading: _Reading, forms: Forms, result: Sightings, most: int = 1 << 16) -> None:
        self._reading, self._forms, self._result, self._most = reading, forms, result, most
        self._contents: dict[tuple[Identity, Line, str], list[Sequence[Snapshot]]] = {}
        #: By an entry's id, which is its own as long as the entry is held: the runs of its sighting by scene.
        self._known: dict[int, tuple[Entry, dict[int, list[Sequence[Snapshot]]]]] = {}

    def knows(self, one: Glance | Entry) -> bool:
        """Whether this very entry was taken already."""
        return id(one) in self._known

    def take(self, entries: Iterable[Entry], held: Mapping[int, Sequence[Snapshot]]) -> None:
        """Notes the entries of a page; ``held``: by scene, the snapshots that hold it."""
        if len(self._known) > self._most:
            self._known.clear()
        for entry in entries:
            known = self._known.get(id(entry))
            if known is None:
                known = self._known[id(entry)] = entry, {}
            for scene, some in held.items():
                runs = known[1].get(scene)
                if runs is None:
                    runs = known[1][scene] = self._runs(entry, scene)
                runs.append(some)

    def _runs(self, entry: Entry, scene: int) -> list[Sequence[Snapshot]]:
        identity, folder = same_save(entry, self._forms)
        line = self._reading.line(scene, entry, folder)
        if line.volume == ELSEWHERE:
            return []  # no sighting
        key = (identity, line, entry.sha256)
        runs = self._contents.get(key)
        if runs is None:
            runs = self._contents[key] = []
            self._result.found.setdefault(identity, []).append(Sighting(entry, line, Held(runs)))
        return runs


_id_of = attrgetter("id")


class _Scene:
    """What a device's snapshots hold page by page while its homes lie where they lie."""

    def __init__(self) -> None:
        self.snapshots: list[Snapshot] = []
        self.pages: tuple[PageRef, ...] = ()  # of the last one
        self.since: dict[str, int] = {}  # the pages of the last one, and from which one on it held them


class _Reading:
    """Which snapshots hold which page, by the scene: the device, and where its homes lay.

    From night to night most pages stay: of those nothing is noted until they are gone.
    """

    def __init__(self) -> None:
        self.pages: dict[str, dict[int, list[Snapshot]]] = {}
        self._held: list[_Scene] = []
        self._scenes: dict[tuple[str, frozenset[Site]], int] = {}
        self._lines: dict[tuple[int, str, str, str], Line] = {}
        self._lying: list[tuple[str, Mapping[tuple[str, str], Site]]] = []

    def note(self, manifest: Manifest, result: Sightings) -> None:
        """Takes in what one manifest says."""
        snapshot, sites = manifest.snapshot, frozenset(manifest.sites)
        result.views.append(
            View(
                snapshot, sites, manifest.gaps, manifest.left_out, manifest.only_layouts,
                frozenset(manifest.layouts),
            )
        )  # fmt: skip
        scene = self._scenes.setdefault((snapshot.device, sites), len(self._scenes))
        if scene == len(self._lying):
            self._lying.append((snapshot.device, {(site.emulator, site.home): site for site in sites}))
            self._held.append(_Scene())
        held = self._held[scene]
        before: Iterable[str] = held.since
        now: Iterable[PageRef] = manifest.pages
        if len(held.pages) == len(manifest.pages) == len(held.since):  # each once, mostly in the same place
            others = list(map(is_not, held.pages, manifest.pages))
            before, now = map(_id_of, compress(held.pages, others)), compress(manifest.pages, others)
        there = dict.fromkeys(map(_id_of, now))
        self._close(scene, list(filterfalse(there.__contains__, before)))
        for page in filterfalse(held.since.__contains__, there):
            held.since[page] = len(held.snapshots)
            self.pages.setdefault(page, {}).setdefault(scene, [])
        held.pages = manifest.pages
        held.snapshots.append(snapshot)

    def close(self) -> None:
        """No further manifest comes: ``pages`` has all."""
        for scene, held in enumerate(self._held):
            self._close(scene, list(held.since))

    def _close(self, scene: int, gone: Iterable[str]) -> None:
        """Notes the snapshots that held some pages, down to the last one."""
        held = self._held[scene]
        for page in gone:
            self.pages[page][scene] += held.snapshots[held.since.pop(page) :]

    def line(self, scene: int, entry: Entry, folder: str) -> Line:
        """Where an entry stood in a scene."""
        key = (scene, entry.emulator, entry.home, folder)
        line = self._lines.get(key)
        if line is None:
            device, lying = self._lying[scene]
            site = lying.get((entry.emulator, entry.home))
            line = self._lines[key] = line_of(device, entry.home, site, folder)
        return line
