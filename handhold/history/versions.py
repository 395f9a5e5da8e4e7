"""The versions of one save over all nights and devices, from the sightings of it. Pure: no clock, no I/O.

A version is one content. Versions are numbered by when they were first seen, so a number stays what it is as
nights come. Which is newer is told by ``standing``: from what stood where in which order.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property
from typing import NamedTuple

import msgspec

from handhold.archive.head import Snapshot
from handhold.archive.sightings import Held, in_order, together
from handhold.archive.standing import Line, Order, Span, order
from handhold.model import Entry, Identity, Kind, Part

#: The kinds of snapshots that an owner can go back to by name: whole ones before others.
_NAMED = ((Kind.NIGHT, Kind.ADOPTED), (Kind.SAFETY,))


class Seen(NamedTuple):
    """One content of a save at one place, and the snapshots that hold it there.

    ``content`` tells it from others: the digest of a file, the checksum and size of a member of a zip.
    ``span`` is when it stood there as the newest.
    """

    content: str
    line: Line
    held: Held
    span: Span
    entry: Entry
    size: int
    modified: int | None  # nanoseconds; None if it is not known


class Stay(msgspec.Struct, frozen=True):
    """How long a version stood at one place."""

    line: Line
    first: Snapshot
    last: Snapshot
    nights: int  # snapshots that hold it there, without what restores wrote and what was let go


class Version(msgspec.Struct, frozen=True, dict=True):
    """One content of a save, and all sightings of it.

    ``first`` and ``last`` can be nights that were let go: what stood when is remembered.
    """

    number: int
    content: str
    seen: tuple[Seen, ...]
    first: Snapshot
    last: Snapshot
    stands: tuple[Line, ...]  # where it stands, as far as was seen last
    newest: bool  # nothing is newer; where several are, the save is a fork

    @property
    def size(self) -> int:
        """Bytes."""
        return self.seen[0].size

    @property
    def modified(self) -> int | None:
        """The time of the file when it was first seen, in nanoseconds."""
        return min(self.seen, key=lambda one: in_order(one.held.first)).modified

    @cached_property
    def entry(self) -> Entry:
        """As it is in its source, else as it was last seen; for a member of a zip, the zip."""
        if len(self.seen) == 1:
            return self.seen[0].entry
        source = self.source
        holding = [one for one in self.seen if source is None or one.held.has(source)]
        return max(holding, key=lambda one: in_order(one.held.last)).entry

    @property
    def devices(self) -> tuple[str, ...]:
        """Where it stood, in the order in which it was first seen there."""
        return tuple(dict.fromkeys(stay.line.device for stay in self.stays))

    @property
    def snapshots(self) -> tuple[Snapshot, ...]:
        """All that hold it, in their order; not those that were let go."""
        return tuple(one for one in together(one.held for one in self.seen) if not one.let_go)

    @property
    def nights(self) -> int:
        """How many snapshots hold it, without what restores wrote."""
        return sum(1 for one in self.snapshots if one.kind is not Kind.RESTORED)

    @cached_property
    def source(self) -> Snapshot | None:
        """The snapshot to bring it back from: the newest that can be named, whole nights before others."""
        every = [one for seen in self.seen for run in seen.held.runs for one in run if not one.let_go]
        for kinds in _NAMED:
            if named := [one for one in every if one.kind in kinds]:
                return max(named, key=in_order)
        return None

    @property
    def stays(self) -> tuple[Stay, ...]:
        """How long it stood at each place."""
        lines: dict[Line, list[Held]] = {}
        for one in self.seen:
            lines.setdefault(one.line, []).append(one.held)
        stays = []
        for line, several in lines.items():
            held = together(several)
            nights = sum(1 for one in held if one.kind is not Kind.RESTORED and not one.let_go)
            stays.append(Stay(line, held[0], held[-1], nights))
        return tuple(sorted(stays, key=lambda stay: (stay.first.sequence, stay.line)))


class History(msgspec.Struct, frozen=True):
    """One save through the nights; ``versions`` with the newest first."""

    identity: Identity
    inside: bool  # it lies in zips
    versions: tuple[Version, ...]
    gone: Mapping[Line, Snapshot]  # where it stood and stands no more, and what first saw that

    @property
    def entry(self) -> Entry:
        """The newest entry, or the zip that holds it."""
        return self.versions[0].entry

    @property
    def forked(self) -> tuple[Version, ...]:
        """The versions between which only the owner can choose; empty if none or one stands as the newest.

        Settings of two devices differ and are no fork.
        """
        if self.identity[1] not in (Part.SAVES, Part.STATES):
            return ()
        newest = tuple(version for version in self.versions if version.newest and version.stands)
        return newest if len(newest) > 1 else ()

    def version(self, wanted: str) -> Version | None:
        """The version of that number, or whose content begins so (six characters or more)."""
        if wanted.isdecimal():
            found = next((one for one in self.versions if one.number == int(wanted)), None)
            if found is not None:
                return found
        named = [one for one in self.versions if len(wanted) >= 6 and one.content.startswith(wanted.lower())]
        return named[0] if len(named) == 1 else None

    def after(self) -> dict[int, int]:
        """By its number, the version that each came after: what stood before it where it was first seen.

        Two that came after the same one were played apart. One that nothing stood before has none.
        """
        courses: dict[Line, list[tuple[float, int]]] = {}
        for version in self.versions:
            for one in version.seen:
                when = one.span if self.inside else (snapshot.sequence for snapshot in one.held.all)
                courses.setdefault(one.line, []).extend((each, version.number) for each in when)
        for course in courses.values():
            course.sort()
        found = {}
        for version in self.versions:
            born = min(version.seen, key=lambda one: (one.span.first, one.line))
            course = courses[born.line]
            at = bisect_left(course, (born.span.first, version.number))
            if at:
                found[version.number] = course[at - 1][1]
        return found


def history(
    identity: Identity,
    seen: Iterable[Seen],
    gone: Mapping[Line, Snapshot],
    *,
    inside: bool = False,
) -> History:
    """The versions of one save.

    ``gone`` has the lines on which nothing stands any more, with the snapshot that saw that first.
    """
    contents: dict[str, list[Seen]] = {}
    lines: dict[Line, dict[str, Span]] = {}
    for one in seen:
        contents.setdefault(one.content, []).append(one)
        stood = lines.setdefault(one.line, {})
        known = stood.get(one.content, one.span)
        stood[one.content] = Span(min(known.first, one.span.first), max(known.last, one.span.last))
    born = sorted(contents, key=lambda content: _born(contents[content], lines, content))
    numbers = {content: number for number, content in enumerate(born, start=1)}
    standing = _standing(lines)
    seen_standing = {one.line for some in contents.values() for one in some if not _only_adopted(one)}
    nowhere = gone.keys() | (lines.keys() - seen_standing)
    tips = _tips(lines, contents)
    versions = [
        Version(
            number=numbers[content],
            content=content,
            seen=tuple(some),
            first=min((one.held.first for one in some), key=in_order),
            last=max((one.held.last for one in some), key=in_order),
            stands=tuple(line for line in sorted(standing.get(content, ())) if line not in nowhere),
            newest=content in tips,
        )
        for content, some in contents.items()
    ]
    versions.sort(key=lambda one: (one.last.sequence, one.number), reverse=True)
    return History(identity, inside, tuple(versions), gone)


def _only_adopted(one: Seen) -> bool:
    """Whether only an old backup tells that it stood there: where it is now nobody saw."""
    return all(held.kind is Kind.ADOPTED for run in one.held.runs for held in run)


def _born(some: Sequence[Seen], lines: Mapping[Line, Mapping[str, Span]], content: str) -> tuple[float, ...]:
    first = min(stood[content].first for stood in lines.values() if content in stood)
    return first, min(one.modified or 0 for one in some)


def _standing(lines: Mapping[Line, Mapping[str, Span]]) -> dict[str, set[Line]]:
    """What stood last on each line."""
    found: dict[str, set[Line]] = {}
    for line, stood in lines.items():
        found.setdefault(max(stood, key=lambda content: stood[content].last), set()).add(line)
    return found


def _tips(lines: Mapping[Line, Mapping[str, Span]], contents: Iterable[str]) -> set[str]:
    """The contents that nothing is newer than."""
    late = {line: sorted(stood, key=lambda c: -stood[c].last) for line, stood in lines.items()}
    tips = set()
    for content in contents:
        others = (other for line, stood in lines.items() if content in stood for other in late[line])
        if not any(order(lines, content, other) is Order.OLDER for other in others):
            tips.add(content)
    return tips
