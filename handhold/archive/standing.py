"""Which content of a save stood where, when: who is newer, from the archive's manifests and no clock.

Every manifest counts: a night says what stood on a device, a safety manifest what stood there just before a
restore, a restored manifest what stood there from then on. Order is by sequence number, never by time.

A save's history runs in **lines**: one for each device and home. On a line, Y is newer than X if Y last
stood after X last stood. Over all lines, Y is newer than X if it is so on some line and on none the other
way round.
Homes are kept apart because one snapshot can hold two files of one identity in two homes (on the internal
storage and on the card); those two say nothing about each other.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from handhold.errors import OwnerError
from handhold.model import Identity, Kind

if TYPE_CHECKING:
    from handhold.archive.archive import Archive, Manifest, Snapshot

#: The volume of a site that is no place of the device itself, as of a restore into a folder elsewhere; no
#: device can have a volume of that name. The site's path is then the absolute one, without its first "/".
ELSEWHERE = "@elsewhere"
#: The note of a restored manifest that was written before a restore, for undo to know what was intended.
BEGUN = "begun"


class Order(StrEnum):
    """How one content of a save stands to another."""

    SAME = "same"
    OLDER = "older"
    NEWER = "newer"
    FORK = "fork"  # the archive knows it, but neither came after the other
    UNKNOWN = "unknown"  # the archive has never seen it as this save


class Line(NamedTuple):
    """One place through time: a home of an emulator on a device."""

    device: str
    home: str


#: sha256 -> the highest sequence number at which it stood
Stood = Mapping[str, int]
#: The history of one identity.
Lines = Mapping[Line, Stood]


@dataclass(slots=True)
class Standings:
    """The histories that were asked for. ``unreadable`` names what could not be read and so says nothing."""

    lines: dict[Identity, dict[Line, dict[str, int]]] = field(default_factory=dict)
    unreadable: list[str] = field(default_factory=list)

    def of(self, identity: Identity) -> Lines:
        """The history of one save; empty if the archive has never seen it."""
        return self.lines.get(identity, {})


def order(lines: Lines, x: str, y: str) -> Order:
    """How content ``x`` of a save stands to content ``y`` of the same save. Pure.

    >>> a = Line("pebble", "main")
    >>> order({a: {"one": 1, "two": 5}}, "one", "two")
    <Order.OLDER: 'older'>
    >>> order({a: {"one": 1, "two": 5}, Line("lantern", "main"): {"two": 2, "one": 3}}, "one", "two")
    <Order.FORK: 'fork'>
    """
    if x == y:
        return Order.SAME
    if not any(x in stood for stood in lines.values()):
        return Order.UNKNOWN
    older = newer = False
    for stood in lines.values():
        if x in stood and y in stood:
            older |= stood[x] < stood[y]
            newer |= stood[x] > stood[y]
    if older == newer:
        return Order.FORK
    return Order.OLDER if older else Order.NEWER


def last_on(lines: Lines, device: str, home: str) -> tuple[str, int] | None:
    """The content that last stood on this line, as far as the archive saw, and when. Pure.

    None where it never saw one there, or where that one's place in time is shared by another.
    """
    stood = lines.get(Line(device, home))
    if not stood:
        return None
    sha256, sequence = max(stood.items(), key=lambda item: item[1])
    return (sha256, sequence) if sum(at == sequence for at in stood.values()) == 1 else None


def standings(
    archive: Archive,
    identities: Collection[Identity],
    progress: Callable[[int, int], None] | None = None,
) -> Standings:
    """The histories of the saves asked for, over every manifest of the archive.

    Each distinct page is decoded once for a device: manifests are gone through from the newest to the oldest,
    and a page that was seen already on that device says nothing new. What cannot be read is passed over and
    named, for a restore from a hurt archive must still go on; ``verify`` says what is hurt. ``progress`` is
    told the manifests done and their number.
    """
    result = Standings()
    if not identities:
        return result
    wanted = identities if isinstance(identities, (set, frozenset, dict)) else frozenset(identities)
    seen: set[tuple[str, str]] = set()
    snapshots = sorted(archive.snapshots(), key=lambda snapshot: snapshot.sequence, reverse=True)
    for done, snapshot in enumerate(snapshots, start=1):
        try:
            manifest = archive.read(snapshot)
        except OwnerError:
            result.unreadable.append(snapshot.name)
        else:
            _take_in(archive, snapshot, manifest, wanted, seen, result)
        if progress:
            progress(done, len(snapshots))
    return result


def _take_in(
    archive: Archive,
    snapshot: Snapshot,
    manifest: Manifest,
    wanted: Collection[Identity],
    seen: set[tuple[str, str]],
    result: Standings,
) -> None:
    if snapshot.kind is Kind.RESTORED and manifest.snapshot.note == BEGUN:
        return  # an intention, not a fact
    elsewhere = {(s.emulator, s.home) for s in manifest.sites if s.volume == ELSEWHERE}
    for page in manifest.pages:
        key = (snapshot.device, page.id)
        if key in seen:
            continue
        try:
            entries = archive.page(page.id)
        except OwnerError:
            result.unreadable.append(snapshot.name)
            continue
        if not elsewhere:
            seen.add(key)
        for entry in entries:
            identity = entry.identity
            if identity not in wanted or (entry.emulator, entry.home) in elsewhere:
                continue
            stood = result.lines.setdefault(identity, {}).setdefault(Line(snapshot.device, entry.home), {})
            if stood.get(entry.sha256, -1) < snapshot.sequence:
                stood[entry.sha256] = snapshot.sequence
