"""What tells one night from the next: whether times can be believed, what dropped out, what was emptied.

Pure: decided from entries, sites and gaps.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from enum import StrEnum
from typing import NamedTuple

from handhold.device.times import UNSHOWN_NS
from handhold.model import EARLIEST_NS, Entry, Gap, Part, Site

_FARTHEST = (1 << 63) - 1


def times_count(last_ns: int, now_ns: int) -> bool:
    """Whether file times say anything about what changed since the last night, by when both nights began.

    A clock that starts again (its battery ran empty) gives the times of earlier files to new ones, and a
    night that was taken with the clock ahead has times behind it that are still to come. In both cases this
    night does not begin after the last one, and every file has to be read.

    >>> times_count(1, 2), times_count(2, 2), times_count(3, 2)
    (True, False, False)
    """
    return last_ns < now_ns


def is_quiet(entry: Entry, size: int, modified: int, taken_ns: int, step_ns: int) -> bool:
    """Whether a file can be taken to be what the last night kept, without reading it.

    Size and time must agree, and the time must lie before that night's start by more than the volume's step,
    and by more than writing can go on without another stamp (``UNSHOWN_NS``): until then the file may have
    changed after it was read without showing it. A time at the bounds of what an entry holds stands for any
    time beyond them, and tells nothing. Nor does that of a save or state by a clock that starts in the same
    year each time: it can come again.
    """
    return entry.size == size and entry.modified == modified and may_be_quiet(entry, taken_ns, step_ns)


def may_be_quiet(entry: Entry, taken_ns: int, step_ns: int) -> bool:
    """Whether ``is_quiet`` can be true of a file of the entry's size and time."""
    return may_all_be_quiet(entry.modified, entry.modified, (entry.part,), taken_ns, step_ns)


def may_all_be_quiet(
    earliest_ns: int, latest_ns: int, parts: Collection[Part], taken_ns: int, step_ns: int
) -> bool:
    """The same of several entries: of these parts, from the earliest of their times to the latest."""
    if earliest_ns < EARLIEST_NS and (Part.SAVES in parts or Part.STATES in parts):
        return False
    return latest_ns + max(step_ns, UNSHOWN_NS) < taken_ns and earliest_ns > -_FARTHEST


class Covered:
    """The places that the gaps of a night speak of: nothing can be said about what lies there."""

    def __init__(self, gaps: Iterable[Gap]) -> None:
        self._places: set[tuple[str, str]] = set()
        self._above: set[tuple[str, str]] = set()
        self.emulators: set[str] = set()
        for gap in gaps:
            self._places.add((gap.volume, gap.path))
            self._above.update((gap.volume, folder) for folder in _upward(gap.path))
            if gap.emulator is not None:
                self.emulators.add(gap.emulator)

    def covers(self, volume: str, path: str) -> bool:
        """Whether a gap speaks of this place, or of a folder that it lies in."""
        return any((volume, folder) in self._places for folder in _upward(path))

    def touches(self, volume: str, path: str) -> bool:
        """Whether a gap speaks of this place, or of anything below it or above it."""
        return (volume, path) in self._above or self.covers(volume, path)


def _upward(path: str) -> Iterator[str]:
    """The path, each folder above it, and the root.

    >>> list(_upward("a/b"))
    ['a/b', 'a', '']
    """
    while path:
        yield path
        path = path.rpartition("/")[0]
    yield ""


def recorded(
    sites: Sequence[Site], kept: Collection[tuple[str, str]], gaps: Iterable[Gap]
) -> tuple[Site, ...]:
    """The sites that a night has to record: those that have entries, or that a gap speaks of.

    ``kept`` are the emulators and homes of all its entries.
    """
    covered = Covered(gaps)
    return tuple(
        site
        for site in sites
        if (site.emulator, site.home) in kept or covered.touches(site.volume, site.path)
    )


class Went(StrEnum):
    """What became of a file that the last night held and this one does not."""

    GONE = "gone"
    RENAMED = "renamed"  # its content, or its path in another home, is kept under another name now
    UNNAMED = "unnamed"  # it is where it was, and no layout has it kept any more


class Lost(NamedTuple):
    """A save or state that the last night held and this one does not."""

    emulator: str
    part: Part
    game: str | None
    path: str  # in the home
    what: Went


class Suspicious(NamedTuple):
    """A save that had content on an earlier night and has none now; told as long as it stays so."""

    emulator: str
    part: Part
    game: str | None
    path: str
    what: str  # "empty", "all zero" or "all 0xFF"
    last_good: str  # the last snapshot that has its content; "" if none has it any more
    home: str


def dropped(
    missing: Iterable[Entry], sites: Sequence[Site], gaps: Iterable[Gap]
) -> list[tuple[Entry, str, str]]:
    """Of the entries of a night that this one has not, those that dropped out, each with its volume and path.

    ``sites`` are those of that night. What lies where this night has a gap is no news.
    """
    lie = {(site.emulator, site.home): site for site in sites}
    covered = Covered(gaps)
    found = []
    for entry in missing:
        site = lie.get((entry.emulator, entry.home))
        if site is None:
            continue
        path = f"{site.path}/{entry.path}" if site.path else entry.path
        if not covered.covers(site.volume, path):
            found.append((entry, site.volume, path))
    return found


def told_lost(gone: Iterable[tuple[Entry, bool]], new: Iterable[Entry]) -> tuple[Lost, ...]:
    """What became of the saves and states that dropped out; with each, whether a file is still at its place.

    ``new`` are this night's entries that the last one did not have at their place.
    """
    dropped = [(entry, is_there) for entry, is_there in gone if entry.part in (Part.SAVES, Part.STATES)]
    if not dropped:  # of a first night, with which everything is new
        return ()
    contents: set[tuple[Part, str]] = set()
    identities: set[tuple[str, Part, str]] = set()
    for entry in new:
        if entry.size:
            contents.add((entry.part, entry.sha256))
        identities.add(entry.identity)
    lost = []
    for entry, is_there in dropped:
        renamed = (entry.part, entry.sha256) in contents or entry.identity in identities
        what = Went.RENAMED if renamed else Went.UNNAMED if is_there else Went.GONE
        lost.append(Lost(entry.emulator, entry.part, entry.game, entry.path, what))
    return tuple(lost)
