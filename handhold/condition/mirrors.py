"""Where second archives are, as this machine remembers: a note that ``mirror`` leaves."""

from __future__ import annotations

from datetime import datetime

import msgspec

from handhold.statefolder import read_note, write_note

#: No more places are remembered; the oldest go first.
_MOST = 64


class Mirror(msgspec.Struct, frozen=True):
    """A second archive: where, when it was last brought up to date, and up to which sequence number.

    What was adopted stands among older snapshots, so the number does not tell whether it is there:
    ``adopted`` names those that are.
    """

    place: str
    when: datetime
    sequence: float
    adopted: tuple[str, ...] = ()


def remember(archive_id: str, mirror: Mirror) -> bool:
    """Notes a second archive of this one; whether that could be written down."""
    others = [one for one in remembered(archive_id) if one.place != mirror.place]
    return write_note("mirrors", archive_id, [*others, mirror][-_MOST:])


def remembered(archive_id: str) -> tuple[Mirror, ...]:
    """The second archives that this machine knows of, by the time of their last bringing up to date."""
    found = read_note("mirrors", archive_id, list[Mirror]) or []
    return tuple(sorted((one for one in found if one.when.tzinfo), key=lambda one: one.when))
