"""What differs between two states of a device, or of two devices. Pure.

A file is the same file by its place in its emulator's home; across devices and homes by its path there.
One that is at neither place but whose content is there under another name was moved.
"""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import NamedTuple

import msgspec

from handhold.model import Entry, Gap, Part, Site
from handhold.unseen import Unseen


class State(msgspec.Struct, frozen=True):
    """What a device held at one time: a snapshot, or the device as it is now."""

    name: str
    device: str
    taken: datetime
    entries: tuple[Entry, ...]
    sites: tuple[Site, ...]
    gaps: tuple[Gap, ...] = ()
    hidden: tuple[Unseen, ...] = ()  # what it could not see or was told not to look at
    layouts: frozenset[str] = frozenset()  # the emulators that it knew by a layout
    is_now: bool = False  # the device, and no snapshot

    def place(self, entry: Entry) -> tuple[str, str] | None:
        """Volume and path of a file of it; None where the state does not say where its home lies."""
        for site in self.sites:
            if site.emulator == entry.emulator and site.home == entry.home:
                return site.volume, f"{site.path}/{entry.path}" if site.path else entry.path
        return None


class What(StrEnum):
    """What became of a file; scripts rely on these words."""

    NEW = "new"
    CHANGED = "changed"
    GONE = "gone"
    MOVED = "moved"
    UNKNOWN = "unknown"  # the other state could not see it, or was told not to look


class Difference(NamedTuple):
    """A file that is not the same in both. ``before`` is None for a new one, ``after`` for one that is gone.

    With ``UNKNOWN`` the one that is there is what the other state could not see.
    """

    what: What
    before: Entry | None
    after: Entry | None

    @property
    def entry(self) -> Entry:
        """The later of the two."""
        found = self.after or self.before
        assert found is not None
        return found


class Differences(msgspec.Struct, frozen=True):
    """Saves before everything else, then by emulator and path. ``same`` is the number of equal files."""

    found: tuple[Difference, ...]
    same: int

    def of(self, what: What) -> list[Difference]:
        """Those of one kind."""
        return [one for one in self.found if one.what is what]


def differences(before: State, after: State) -> Differences:
    """What differs from one state to the other."""
    left = {entry.key: entry for entry in before.entries}
    right = {entry.key: entry for entry in after.entries}
    pairs = [(left.pop(key), right.pop(key)) for key in left.keys() & right.keys()]
    moved: list[tuple[Entry, Entry]] = []
    for a, b in _by_path(left, right):
        elsewhere = before.device == after.device and before.place(a) != after.place(b)
        (moved if elsewhere and a.sha256 == b.sha256 else pairs).append((a, b))
    found = [Difference(What.CHANGED, a, b) for a, b in pairs if a.sha256 != b.sha256]
    same = len(pairs) - len(found)
    found += [Difference(What.MOVED, a, b) for a, b in (*moved, *_by_content(left, right))]
    found += [Difference(_news(What.GONE, one, before, after), one, None) for one in left.values()]
    found += [Difference(_news(What.NEW, one, after, before), None, one) for one in right.values()]
    return Differences(tuple(sorted(found, key=_order)), same)


def _by_path(
    left: dict[tuple[str, str, str], Entry], right: dict[tuple[str, str, str], Entry]
) -> list[tuple[Entry, Entry]]:
    """Takes out the files that are at the same path in another home of their emulator, the first of each."""
    there: dict[tuple[str, str], list[Entry]] = {}
    for entry in right.values():
        there.setdefault((entry.emulator, entry.path), []).append(entry)
    pairs = []
    for entry in list(left.values()):
        others = there.get((entry.emulator, entry.path))
        if others:
            pairs.append((left.pop(entry.key), right.pop(others.pop(0).key)))
    return pairs


def _by_content(
    left: dict[tuple[str, str, str], Entry], right: dict[tuple[str, str, str], Entry]
) -> list[tuple[Entry, Entry]]:
    """Takes out the files whose content is under another name now; an empty file is like any other."""
    there: dict[str, list[Entry]] = {}
    for entry in right.values():
        if entry.size:
            there.setdefault(entry.sha256, []).append(entry)
    pairs = []
    for entry in list(left.values()):
        others = there.get(entry.sha256)
        if others:
            other = max(others, key=lambda one: _likeness(entry, one))
            others.remove(other)
            pairs.append((left.pop(entry.key), right.pop(other.key)))
    return pairs


def _likeness(one: Entry, other: Entry) -> tuple[bool, bool, bool]:
    """How much speaks for one file having become the other."""
    name = one.path.rpartition("/")[2]
    return one.part is other.part, name == other.path.rpartition("/")[2], one.emulator == other.emulator


def _news(what: What, entry: Entry, own: State, other: State) -> What:
    """What to call a file that only one of the states has, if the other could not see its place."""
    place = own.place(entry) if other.hidden else None
    if place is None:
        return what
    recognised = entry.emulator not in other.layouts
    return What.UNKNOWN if any(s.holds(place, entry.part, recognised) for s in other.hidden) else what


#: Saves before everything else.
_PARTS = {part: at for at, part in enumerate(Part)}


def _order(one: Difference) -> tuple[int, str, str, str]:
    entry = one.entry
    return _PARTS[entry.part], entry.emulator, entry.path, entry.home
