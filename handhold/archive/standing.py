"""Which content of a save stood where, when: who is newer, from the archive's manifests and no clock.

Every manifest counts: a night says what stood on a device, a safety manifest what stood there just before a
restore, a restored manifest what stood there from then on. Order is by sequence number, never by time.

A save's history runs in **lines**: one for each place at which a home lies on a device. On a line, Y is
newer than X if Y last stood after X last stood; but if Y had also stood there before X first did, it only
came back (somebody put an old one back, or copied it over), and the line says nothing. Over all lines, Y is
newer than X if it is so on some line and on none the other way round.

Homes are kept apart because one snapshot can hold two files of one identity in two homes (on the internal
storage and on the card); those two say nothing about each other. They are told apart by where they lie, not
by name: with the card out for a night, the one on the internal storage has the name that the other had.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from enum import StrEnum
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from handhold.archive.adopted import in_place
from handhold.archive.branches import ONE, branches
from handhold.archive.sameness import Forms, same_save
from handhold.errors import OwnerError
from handhold.model import Entry, Identity, Kind, Site

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


#: The volume of a home of which a manifest does not say where it lies; its path is then the home's name.
NOWHERE = "@home"


class Line(NamedTuple):
    """One place through time: where a home of an emulator lies on a device, as ``Site`` has it.

    The path has no case: a folder that is renamed by case only is the folder that it was.
    """

    device: str
    volume: str
    path: str
    branch: int = 0  # of the device's history, where copies of an archive were put together (``branches``)


def line_of(device: str, home: str, site: Site | None, folder: str = "", branch: int = 0) -> Line:
    """The line of a home that lies at ``site``, or of which only the name is known.

    ``folder`` is one in the home that has a line of its own (see ``sameness``).
    """
    volume, path = (NOWHERE, home) if site is None else (site.volume, site.path)
    return Line(device, volume, _caseless(f"{path}/{folder}".strip("/") if folder else path), branch)


@lru_cache(maxsize=4096)
def _caseless(path: str) -> str:
    return unicodedata.normalize("NFC", path).casefold()


class Span(NamedTuple):
    """The lowest and the highest sequence number at which a content stood on a line."""

    first: float
    last: float


#: sha256 -> when it stood
Stood = Mapping[str, Span]
#: The history of one identity.
Lines = Mapping[Line, Stood]


class Standings(msgspec.Struct):
    """The histories that were asked for. ``unreadable`` names what could not be read and so says nothing."""

    lines: dict[Identity, dict[Line, dict[str, Span]]] = {}
    unreadable: list[str] = []

    def of(self, identity: Identity) -> Lines:
        """The history of one save; empty if the archive has never seen it."""
        return self.lines.get(identity, {})


def order(lines: Lines, x: str, y: str) -> Order:
    """How content ``x`` of a save stands to content ``y`` of the same save. Pure.

    >>> a = Line("plover", "card", "Tinplate")
    >>> order({a: {"one": Span(1, 4), "two": Span(5, 6)}}, "one", "two")
    <Order.OLDER: 'older'>
    >>> order({a: {"one": Span(1, 7), "two": Span(5, 6)}}, "one", "two")  # an old one that was put back
    <Order.FORK: 'fork'>
    """
    if x == y:
        return Order.SAME
    if not any(x in stood for stood in lines.values()):
        return Order.UNKNOWN
    older = newer = False
    for stood in lines.values():
        if x in stood and y in stood:
            mine, other = stood[x], stood[y]
            older |= mine.last < other.last or mine.first < other.first
            newer |= mine.last > other.last or mine.first > other.first
    if older == newer:
        return Order.FORK
    return Order.OLDER if older else Order.NEWER


def last_on(lines: Lines, line: Line) -> tuple[str, float] | None:
    """The content that last stood on this line, as far as the archive saw, and when. Pure.

    None where it never saw one there, or where that one's place in time is shared by another.
    """
    stood = lines.get(line)
    if not stood:
        return None
    sha256, span = max(stood.items(), key=lambda item: item[1].last)
    return (sha256, span.last) if sum(one.last == span.last for one in stood.values()) == 1 else None


def standings(
    archive: Archive,
    identities: Collection[Identity],
    progress: Callable[[int, int], None] | None = None,
    forms: Forms | None = None,
) -> Standings:
    """The histories of the saves asked for, over every manifest of the archive.

    ``forms`` are the homes that hold the same saves in two forms; identities are those of ``same_save``.

    Each distinct page is decoded once, whatever number of nights hold it. What cannot be read is
    passed over and named, for a restore from a hurt archive must still go on; ``verify`` says what is hurt.
    ``progress`` is told the manifests done and their number.
    """
    result = Standings()
    if not identities:
        return result
    wanted = identities if isinstance(identities, (set, frozenset, dict)) else frozenset(identities)
    pages: dict[str, dict[_Seen, Span]] = {}
    names: dict[float, str] = {}
    snapshots = in_place(archive.told_apart())
    branch = branches(snapshots)
    for done, snapshot in enumerate(snapshots, start=1):
        if not (snapshot.kind is Kind.RESTORED and snapshot.note == BEGUN):  # an intention is no fact
            try:
                _note_pages(snapshot, archive.read(snapshot), branch.get(snapshot.file, ONE), pages)
                names[snapshot.sequence] = snapshot.name
            except OwnerError:
                result.unreadable.append(snapshot.name)
        if progress:
            progress(done, len(snapshots))
    for page, seen in pages.items():
        try:
            entries = archive.page(page)
        except OwnerError:
            result.unreadable.extend(names[span.last] for span in seen.values())
            continue
        known = ((one, *same_save(one, forms or {})) for one in entries)
        _note_entries([one for one in known if one[1] in wanted], seen, result.lines)
    return result


class _Seen(NamedTuple):
    """Where a page was seen: on which device and branch of its history, and where its homes lay then."""

    device: str
    branch: int
    sites: frozenset[Site]


def _note_pages(
    snapshot: Snapshot, manifest: Manifest, branch: Sequence[int], pages: dict[str, dict[_Seen, Span]]
) -> None:
    for number in branch:
        seen = _Seen(snapshot.device, number, frozenset(manifest.sites))
        for page in manifest.pages:
            spans = pages.setdefault(page.id, {})
            known = spans.get(seen)
            spans[seen] = Span(known.first if known else snapshot.sequence, snapshot.sequence)


def _note_entries(
    entries: Iterable[tuple[Entry, Identity, str]],
    seen: Mapping[_Seen, Span],
    lines: dict[Identity, dict[Line, dict[str, Span]]],
) -> None:
    among = list(entries)
    if not among:
        return
    for (device, branch, sites), span in seen.items():
        lie = {(site.emulator, site.home): site for site in sites}
        for entry, identity, folder in among:
            line = line_of(device, entry.home, lie.get((entry.emulator, entry.home)), folder, branch)
            if line.volume == ELSEWHERE:
                continue
            stood = lines.setdefault(identity, {}).setdefault(line, {})
            known = stood.get(entry.sha256, span)
            stood[entry.sha256] = Span(min(known.first, span.first), max(known.last, span.last))
