"""Which saves have one copy only, in the whole world as far as the archive knows it. Pure but for reading."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import NamedTuple

from handhold.archive.adopted import BACKUP
from handhold.archive.archive import Archive
from handhold.archive.standing import Line
from handhold.archive.timeline import Moment, timelines
from handhold.condition.mirrors import Mirror
from handhold.model import Identity, Kind, Part


class Only(NamedTuple):
    """A save of which there is one copy: where it is kept, and whether its device has it still."""

    emulator: str
    game: str | None
    path: str
    device: str
    snapshot: str  # the last one that saw it come
    stands: bool  # on the device, whose medium is the archive's own


def only_copies(
    archive: Archive,
    mirrors: Collection[Mirror],
    shared: Collection[tuple[str, str]],
    progress: Callable[[int, int], None] | None = None,
) -> list[Only]:
    """The saves that one medium alone has. ``shared``: volumes (device, name) on the archive's own medium."""
    upto = max((mirror.sequence for mirror in mirrors), default=-1.0)
    adopted = {name for mirror in mirrors for name in mirror.adopted}
    devices = {night.device for night in archive.nights()}
    return sole(timelines(archive, (Part.SAVES,), progress).lines, upto, shared, adopted, devices)


def sole(
    lines: Mapping[Identity, Mapping[Line, list[Moment]]],
    mirrored: float,
    shared: Collection[tuple[str, str]],
    adopted: Collection[str] = (),
    devices: Collection[str] | None = None,
) -> list[Only]:
    """Of the histories of saves those whose newest version one medium alone has.

    What is empty is no version. A version has a copy in the archive, one on each device where it stands on a
    medium of its own, and one in every mirror that was brought up to date since (``mirrored``: up to which
    sequence number; ``adopted``: the backups taken in that a mirror has). Where only old backups tell of a
    place, nothing is known to stand: on a device without a night (``devices`` are those that have one), and
    where the device has no such home.
    """
    found = []
    for identity, by_line in lines.items():
        last = [
            (line, moments[-1])
            for line, moments in by_line.items()
            if any(moment.snapshot.kind is not Kind.ADOPTED for moment in moments)
            or (moments and line.volume != BACKUP and (devices is None or line.device in devices))
        ]
        kept = [
            (moment, line)
            for line, moments in by_line.items()
            for moment in moments
            if moment.entry is not None and moment.entry.size
        ]
        if not kept:
            continue
        newest, line = max(kept, key=lambda each: each[0].snapshot.sequence)
        entry = newest.entry
        assert entry is not None
        apart = [
            place
            for place, moment in last
            if moment.entry is not None
            and moment.entry.sha256 == entry.sha256
            and (place.device, place.volume) not in shared
        ]
        late = newest.snapshot.kind is Kind.ADOPTED and newest.snapshot.name not in adopted
        if apart or (newest.snapshot.sequence <= mirrored and not late):
            continue
        stands = any(moment.entry is not None and moment.entry.sha256 == entry.sha256 for _, moment in last)
        emulator, _, path = identity
        found.append(Only(emulator, entry.game, path, line.device, newest.snapshot.name, stands))
    return sorted(found, key=lambda one: one._replace(game=one.game or ""))  # not every save tells its game
