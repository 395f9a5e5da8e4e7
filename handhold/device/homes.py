"""Where the homes of the layouts lie on a device: only the folders on the way to them are listed."""

from __future__ import annotations

import fnmatch
import os
import re
import stat
from collections import deque
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from handhold.device.listing import Listed, Scan, below, canonical, folded, joined, listed
from handhold.device.trouble import why_unreadable
from handhold.device.ways import Outcome, Way
from handhold.model import Device, Gap, HomeKind, Site, Volume
from handhold.names import native, written

if TYPE_CHECKING:
    from handhold.layouts.layout import Layout

OWN_EXPORT = (
    "Use the emulator's own export, or move its folder out of private storage in the emulator's settings, "
    "or read it over a cable."
)
ALLOW_READING = "Give handhold the right to read it, then run this again."


class Start(NamedTuple):
    """A home where the walk comes upon it."""

    layout: Layout
    home: str  # the home's name in the layout, without any "@"
    site: Site


class Homes(msgspec.Struct):
    """What looking for the homes found."""

    roots: dict[str, Volume]  # by canonical path, in the order of the device's volumes
    sites: list[Site] = []
    starts: dict[str, list[Start]] = {}  # by the canonical path of the home
    gaps: list[Gap] = []
    blocked: dict[str, HomeKind] = {}
    told: set[str] = set()  # folders whose trouble a gap speaks of already
    followed: set[str] = set()  # links that led to a home
    reachable: set[str] = set()  # emulators with a home in no private storage
    ways: list[Way] = []  # what is there is taken to be readable until it is listed

    def within_reach(self, emulator: str) -> bool:
        """Whether the owner has brought its data out of private storage, as the advice says."""
        return emulator in self.reachable

    def add(self, layout: Layout, home: str, site: Site, path: str) -> None:
        """Takes in a home, where it begins."""
        self.sites.append(site)
        self.starts.setdefault(path, []).append(Start(layout, home, site))
        if site.kind in (HomeKind.FOLDER, HomeKind.EXPORT):
            self.reachable.add(site.emulator)

    def where(self, path: str) -> tuple[Volume, str] | None:
        """The innermost volume that holds a canonical path, and the path in it in written form."""
        best: tuple[int, Volume, str] | None = None
        for root, volume in self.roots.items():
            rest = below(root, path)
            if rest is not None and (best is None or len(root) > best[0]):
                best = (len(root), volume, rest)
        return (best[1], written(best[2])) if best else None


def locate(device: Device, layouts: Sequence[Layout]) -> tuple[Site, ...]:
    """Where the homes of these layouts lie now, without walking everything.

    Sorted by emulator, then in the layout's order of homes and places. Of one home at several places the
    first keeps its name; the others are ``name@volume``, ``name@volume@2`` and so on.
    """
    return tuple(find_homes(device, layouts).sites)


class Segment(NamedTuple):
    """One name of a place: as it is written, folded, and what it matches if it holds wildcards."""

    text: str
    folded: str
    wild: re.Pattern[str] | None


@lru_cache(maxsize=4096)
def segment(text: str) -> Segment:
    """One name of a place's path, compiled.

    >>> bool(segment("tin*").wild.fullmatch("tinplate"))
    True
    """
    if "*" not in text and "?" not in text:
        return Segment(text, folded(text), None)
    expression = fnmatch.translate(folded(text).replace("[", "[[]"))  # here "[" has no meaning of its own
    return Segment(text, folded(text), re.compile(expression))


class _Search(NamedTuple):
    """One place of one home on its way down one volume."""

    layout: int
    home: int
    place: int
    volume: int
    segments: tuple[Segment, ...]


class _Folder(msgspec.Struct):
    """What a folder holds, by name."""

    names: list[tuple[str, bool, bool]]  # as the system writes it, whether a folder, whether a link
    by_folded: dict[str, list[tuple[str, bool, bool]]]
    trouble: OSError | None


class _Finder:
    def __init__(self, layouts: Sequence[Layout], homes: Homes, left_out: LeftOut, scan: Scan) -> None:
        self.layouts = layouts
        self.homes = homes
        self.left_out = left_out
        self.scan = scan
        self.folders: dict[str, _Folder] = {}
        self.searches: list[_Search] = []
        self.queue: deque[tuple[str, _Search, int]] = deque()
        self.found: list[tuple[_Search, str]] = []
        self.barred: list[tuple[_Search, str, OSError]] = []

    def run(self) -> None:
        while self.queue:
            path, search, at = self.queue.popleft()
            if self.left_out.holds(path):
                continue
            if at == len(search.segments):
                self.found.append((search, path))
            else:
                self.descend(path, search, at)

    def descend(self, path: str, search: _Search, at: int) -> None:
        wanted = search.segments[at]
        folder = self.folder(path)
        for name, is_folder, is_link in _matches(folder, wanted):
            place = joined(path, name)
            if is_folder:
                self.queue.append((place, search, at + 1))
            elif is_link:
                self.follow(place, search, at)
        if folder.trouble is not None and not isinstance(
            folder.trouble, FileNotFoundError | NotADirectoryError
        ):
            self.try_by_name(path, search, at, folder.trouble)

    def try_by_name(self, path: str, search: _Search, at: int, trouble: OSError) -> None:
        """Some systems refuse to list a folder and still let through whoever knows a name in it."""
        wanted = search.segments[at]
        if wanted.wild is None:
            try:
                place = joined(path, native(wanted.text))
                if stat.S_ISDIR(os.stat(place, follow_symlinks=False).st_mode):
                    self.queue.append((place, search, at + 1))
                    return
            except (OSError, ValueError):
                pass  # the refusal of the folder above is what the owner should hear of
        self.barred.append((search, path, trouble))

    def follow(self, place: str, search: _Search, at: int) -> None:
        """A link on the way to a home: followed if it leads into a volume of the device."""
        why = None
        try:
            target = canonical(place, strict=True)
            if self.homes.where(target) is None:
                why = "it is a link that leads out of the volumes of this device"
            elif self.left_out.covers(target):
                return
            elif os.path.isdir(target):
                self.homes.followed.add(place)
                self.queue.append((target, search, at + 1))
                return
        except OSError:
            why = "it is a link that leads nowhere"
        # A name that a wildcard happens to meet halfway is not known to lead to a home.
        last = at + 1 == len(search.segments)
        if why and (last or search.segments[at].wild is None):
            here = self.homes.where(place)
            assert here is not None  # only folders of volumes are listed
            self.homes.gaps.append(
                Gap(
                    volume=here[0].name,
                    path=here[1],
                    why=why,
                    emulator=self.layouts[search.layout].id,
                    advice="Name the place that it leads to as a volume, or put the folder itself here.",
                )
            )

    def folder(self, path: str) -> _Folder:
        known = self.folders.get(path)
        if known is None:
            entries, trouble = listed(self.scan, path)
            names = [(entry.name, *_sort_of(entry)) for entry in entries]
            by_folded: dict[str, list[tuple[str, bool, bool]]] = {}
            for item in names:
                by_folded.setdefault(folded(written(item[0])), []).append(item)
            known = self.folders[path] = _Folder(names, by_folded, trouble)
        return known


def _matches(folder: _Folder, wanted: Segment) -> list[tuple[str, bool, bool]]:
    if wanted.wild is None:
        return folder.by_folded.get(wanted.folded, [])
    fits = wanted.wild.fullmatch
    return [item for item in folder.names if (item[1] or item[2]) and fits(folded(written(item[0])))]


def _sort_of(entry: Listed) -> tuple[bool, bool]:
    try:
        return entry.is_dir(follow_symlinks=False), entry.is_symlink()
    except OSError:
        return False, False  # the walk comes by and tells


def find_homes(
    device: Device, layouts: Sequence[Layout], leave_out: Sequence[str] = (), scan: Scan = os.scandir
) -> Homes:
    """Where the homes lie, with what was in the way: links that lead out, folders that cannot be listed."""
    ordered = sorted(layouts, key=lambda layout: layout.id)
    homes = Homes(roots={})
    for volume in device.volumes:
        homes.roots.setdefault(canonical(volume.path), volume)
    finder = _Finder(ordered, homes, LeftOut(leave_out), scan)
    for at, layout in enumerate(ordered):
        for h, home in enumerate(layout.homes):
            for p, place in enumerate(home.at):
                names = tuple(segment(name) for name in place.path.split("/")) if place.path else ()
                for v, (root, volume) in enumerate(homes.roots.items()):
                    if place.volume in ("*", volume.name):
                        search = _Search(at, h, p, v, names)
                        finder.searches.append(search)
                        finder.queue.append((root, search, 0))
    finder.run()
    _name_sites(ordered, homes, finder.found)
    _tell_barred(ordered, homes, finder.barred)
    _tell_ways(ordered, homes, finder)
    return homes


def _tell_ways(layouts: Sequence[Layout], homes: Homes, finder: _Finder) -> None:
    """What came of each place that a layout names, on each volume that it can lie on."""
    there: dict[tuple[int, int, int, int], list[str]] = {}
    for search, path in finder.found:
        there.setdefault(search[:4], []).append(path)
    behind = {search[:4] for search, _, _ in finder.barred}
    volumes = list(homes.roots.values())
    for search in finder.searches:
        layout, home = layouts[search.layout], layouts[search.layout].homes[search.home]
        for path in there.get(search[:4], ()):
            here = homes.where(path)
            assert here is not None
            homes.ways.append(Way(layout.id, home.name, home.kind, here[0].name, here[1], Outcome.READ))
        if search[:4] in behind or search[:4] not in there:
            outcome = Outcome.NOT_LISTED if search[:4] in behind else Outcome.NOT_THERE
            place = home.at[search.place].path
            homes.ways.append(
                Way(layout.id, home.name, home.kind, volumes[search.volume].name, place, outcome)
            )


def _name_sites(layouts: Sequence[Layout], homes: Homes, found: list[tuple[_Search, str]]) -> None:
    found.sort(key=lambda item: (item[0][:4], item[1]))
    seen: set[tuple[int, int, str]] = set()
    taken: set[tuple[int, str]] = set()
    numbers: dict[tuple[int, str, str], int] = {}  # the last one that was given
    for search, path in found:
        if (search.layout, search.home, path) in seen:
            continue
        seen.add((search.layout, search.home, path))
        here = homes.where(path)
        assert here is not None  # searches begin at roots, and links are only followed into volumes
        layout, home = layouts[search.layout], layouts[search.layout].homes[search.home]
        name = home.name
        while (search.layout, name) in taken:
            key = (search.layout, home.name, here[0].name)
            number = numbers[key] = numbers.get(key, 0) + 1
            name = f"{home.name}@{here[0].name}" + (f"@{number}" if number > 1 else "")
        taken.add((search.layout, name))
        homes.add(layout, home.name, Site(layout.id, name, home.kind, here[0].name, here[1]), path)


def _tell_barred(layouts: Sequence[Layout], homes: Homes, barred: list[tuple[_Search, str, OSError]]) -> None:
    """Homes that may be there, behind a folder that does not let itself be listed."""
    told: set[tuple[str, str]] = set()
    for search, path, trouble in barred:
        layout = layouts[search.layout]
        home = layout.homes[search.home]
        homes.told.add(path)
        if (layout.id, path) in told:
            continue
        told.add((layout.id, path))
        homes.blocked.setdefault(layout.id, home.kind)
        if home.kind is HomeKind.PRIVATE and homes.within_reach(layout.id):
            continue
        here = homes.where(path)
        assert here is not None
        homes.gaps.append(
            barred_gap(here[0].name, here[1], layout.id, home.kind, trouble, home.at[search.place].path)
        )


def barred_gap(
    volume: str, path: str, emulator: str, kind: HomeKind, trouble: OSError, wanted: str | None = None
) -> Gap:
    """The gap for a home that cannot be listed, or that lies behind ``path``, which cannot."""
    if wanted is None:
        why = f"the folder of {emulator} cannot be listed: {why_unreadable(trouble)}"
    else:
        reason = why_unreadable(trouble)
        why = f"it cannot be listed, and {emulator} may keep its data in it ({wanted}): {reason}"
    advice = OWN_EXPORT if kind is HomeKind.PRIVATE else ALLOW_READING
    return Gap(volume=volume, path=path, why=why, emulator=emulator, advice=advice)


class LeftOut:
    """The folders that are not to be looked into: the archive itself, if it lies on the device."""

    def __init__(self, paths: Sequence[str]) -> None:
        self._paths = {canonical(path) for path in paths}

    def covers(self, path: str) -> bool:
        """Whether this path is one of them, or lies in one."""
        return any(below(left_out, path) is not None for left_out in self._paths)

    def holds(self, path: str) -> bool:
        """Whether this path is one of them."""
        return path in self._paths
