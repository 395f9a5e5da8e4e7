"""On which evenings a game was played: told by what changed from one snapshot to the next. Pure.

A day is one of the owner's: in the offset of the snapshot that saw the change. Weeks are those of ISO 8601.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from typing import NamedTuple

from handhold.archive.head import Snapshot
from handhold.history.versions import History, Version
from handhold.model import NS, Identity, Kind, nanoseconds

#: What tells that somebody played. What a restore wrote was played elsewhere, or on another evening.
_PLAYED = (Kind.NIGHT, Kind.SAFETY)


class Evening(NamedTuple):
    """A day on which a device was played on, with what changed."""

    day: date
    device: str
    saves: tuple[Identity, ...]


class Week(NamedTuple):
    """A week of the calendar."""

    year: int  # of the week, as ISO 8601 counts: the first days of January can belong to the year before
    number: int
    monday: date

    @property
    def name(self) -> str:
        """As ISO 8601 writes it.

        >>> Week(2026, 1, date(2025, 12, 29)).name
        '2026-W01'
        """
        return f"{self.year:04}-W{self.number:02}"

    @property
    def every(self) -> tuple[date, ...]:
        """Its days, Monday to Sunday."""
        return tuple(self.monday + timedelta(days=at) for at in range(7))


def evenings(saves: Iterable[History], snapshots: Sequence[Snapshot]) -> list[Evening]:
    """The evenings on which any of these saves was played, in their order.

    A content that the archive had not seen before was played since the device's last night: on the day that
    its file tells, if that lies between the two, else on the day of the snapshot. What the first night of a
    device found there says nothing. ``snapshots`` are all of the archive, in their order.
    """
    before = _nights_before(snapshots)
    found: dict[tuple[date, str], dict[Identity, None]] = {}
    for save in saves:
        for version in save.versions:
            night = before.get(version.first.file)
            if night is not None and version.first.kind in _PLAYED:
                key = _day(version, night), version.first.device
                found.setdefault(key, {})[save.identity] = None
    return [Evening(day, device, tuple(played)) for (day, device), played in sorted(found.items())]


def weeks(days: Iterable[date]) -> list[Week]:
    """Every week from the first of these days to the last.

    >>> [week.name for week in weeks([date(2026, 12, 31), date(2027, 1, 4)])]
    ['2026-W53', '2027-W01']
    """
    played = set(days)
    if not played:
        return []
    monday = min(played) - timedelta(days=min(played).weekday())
    found = []
    while monday <= max(played):
        year, number, _ = monday.isocalendar()
        found.append(Week(year, number, monday))
        monday += timedelta(days=7)
    return found


def _nights_before(snapshots: Iterable[Snapshot]) -> dict[str, Snapshot]:
    """For each snapshot, by its file, the night of its device before it."""
    last: dict[str, Snapshot] = {}
    before = {}
    for one in snapshots:
        if one.device in last:
            before[one.file] = last[one.device]
        if one.kind is Kind.NIGHT:
            last[one.device] = one
    return before


def _day(version: Version, night: Snapshot) -> date:
    seen = version.first.taken
    written = version.modified
    if written is not None and nanoseconds(night.taken) < written <= nanoseconds(seen):
        return datetime.fromtimestamp(written // NS, seen.tzinfo).date()
    return seen.date()
