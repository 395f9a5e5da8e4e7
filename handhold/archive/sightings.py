"""In which snapshots a save stood with which content, over all nights and devices.

Where ``standing`` knows when a content first and last stood somewhere, sightings know each snapshot that
holds it, so that it can be had from there. Each distinct page is read once, whatever number of nights hold
it, and one that speaks of nothing that is looked for is not decoded.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from datetime import datetime
from itertools import filterfalse
from operator import attrgetter
from typing import TYPE_CHECKING, NamedTuple

import msgspec
from msgspec.structs import replace

from handhold.archive.adopted import in_place
from handhold.archive.pages import Glance
from handhold.archive.sameness import Forms, same_save
from handhold.archive.standing import BEGUN, ELSEWHERE, Line, line_of
from handhold.beside import Beside
from handhold.errors import OwnerError
from handhold.model import Entry, Gap, Identity, Kind, Part, Site

if TYPE_CHECKING:
    from handhold.archive.archive import Archive
    from handhold.archive.head import Snapshot
    from handhold.archive.manifest import Manifest


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


#: When so much of all manifests is read, a second process begins to look at the lists that they name: it
#: has as much to do as is left.
_EARLY = 0.6
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
    progress: Callable[[int, int], None] | None = None,
) -> Sightings:
    """Every entry that fits, over every manifest of the archive.

    ``words``, if there are any, are such that what fits has one of them (see ``pages.speaks_of``). ``forms``
    are the homes that hold the same saves in two forms; identities are those of ``same_save``. What cannot
    be read is passed over and named. What was only intended is no sighting. ``progress`` is told the steps
    done and their number: as many for manifests as for pages.
    """
    result = Sightings()
    reading = _Reading()
    snapshots = [
        one for one in in_place(archive.told_apart()) if not (one.kind is Kind.RESTORED and one.note == BEGUN)
    ]
    silent: Beside[str] | None = None
    with contextlib.ExitStack() as stack:
        for done, snapshot in enumerate(snapshots, start=1):
            try:
                reading.note(replace(archive.read(snapshot), snapshot=snapshot), result)
            except OwnerError:
                result.unreadable.append(snapshot.name)
            if progress:
                progress(done, 2 * len(snapshots))
            if words and silent is None and done >= _EARLY * len(snapshots):
                # What was named until now is looked at beside; it stays in front of what comes.
                silent = stack.enter_context(
                    Beside(lambda page: archive.is_silent(page, words), list(reading.pages))
                )
        reading.close()
        finding = _Finding(reading, forms or {}, result)
        search = archive.search(lambda one: finding.knows(one) or fits(one), words)
        every = list(reading.pages)
        beside = len(silent) if silent is not None else 0
        done = 0

        def found(page: str) -> list[Entry] | None:
            nonlocal done
            done += 1
            if progress and done % 256 == 0:
                progress(len(snapshots) + len(snapshots) * done // len(every), 2 * len(snapshots))
            try:
                return search(page)
            except OwnerError:
                return None

        late = [found(page) for page in every[beside:]]
        for at, page in enumerate(every):
            if at >= beside:
                entries = late[at - beside]
            else:
                entries = [] if silent is not None and silent(at) else found(page)
            if entries is None:
                result.unreadable += [one.name for some in reading.pages[page].values() for one in some]
            else:
                finding.take(entries, reading.pages[page])
    result.unreadable = list(dict.fromkeys(result.unreadable))
    return result


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
        now = dict.fromkeys(map(_id_of, manifest.pages))
        self._close(scene, list(filterfalse(now.__contains__, held.since)))
        for page in list(filterfalse(held.since.__contains__, now)):
            held.since[page] = len(held.snapshots)
            self.pages.setdefault(page, {}).setdefault(scene, [])
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
