"""Which nights stay by a rule, and why each does. Pure: values in, values out.

A rule keeps the newest snapshot of each of the last so many nights, weeks, months and years of a device in
which there is one, by the calendar of the owner's time zone. A night is a calendar day here, and weeks are
those of ISO 8601: they begin on Monday, and week 1 is the one with the year's first Thursday.
Source: ISO 8601-1:2019, 3.1.1.23 (calendar week number)

The order of snapshots is that of their sequence numbers. A clock can be wrong: handhelds wake up in 1980 with
an empty battery, or in a year to come. So the time of a night is believed only as far as it fits the order:
of all nights of a device, as many as can be are taken whose times do not go back. The others never stand for
a period, so they push no good night out of one; as many of the newest of them stay as the rule keeps in all.

Where copies of an archive were put together, each branch of a device's history has a rule of its own.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime, timedelta, tzinfo

import msgspec
from msgspec.structs import fields

from handhold.archive.branches import ONE, branches
from handhold.archive.head import Snapshot
from handhold.archive.origins import told_apart
from handhold.model import EARLIEST, Kind

#: By so much a clock may be ahead of the one at hand without being wrong.
AHEAD = timedelta(days=1)
#: What a restore put aside, and what it wrote, stay for so long, whatever the rule.
SAFE = timedelta(days=30)


class Rule(msgspec.Struct, frozen=True):
    """How many of the last nights, weeks, months and years keep their newest snapshot."""

    nights: int = 0
    weeks: int = 0
    months: int = 0
    years: int = 0

    @property
    def most(self) -> int:
        """The most nights of a device that it can keep."""
        return sum(getattr(self, one.name) for one in fields(self))


#: The snapshots that stay, by file, each with its reasons in words.
Stays = dict[str, tuple[str, ...]]


def _week(time: datetime) -> str:
    year, week, _ = time.isocalendar()
    return f"week {year}-W{week:02d}"


_PERIODS: Mapping[str, Callable[[datetime], str]] = {
    "nights": lambda time: f"night {time:%Y-%m-%d}",
    "weeks": _week,
    "months": lambda time: f"month {time:%Y-%m}",
    "years": lambda time: f"year {time:%Y}",
}


def retain(snapshots: Iterable[Snapshot], rule: Rule, zone: tzinfo, now: datetime) -> Stays:
    """The nights that stay. The newest of each device always does, and backups that were adopted do.

    ``snapshots`` are all that the archive has a record of. What was let go already cannot stay, and still
    tells whose clock was wrong; what is neither a night nor adopted is passed over.
    """
    stays: dict[str, list[str]] = {}
    devices: dict[tuple[str, int], list[Snapshot]] = {}
    ordered = told_apart(sorted(snapshots, key=lambda one: (one.sequence, one.taken)))
    standing = branches(ordered)
    for one in ordered:
        if one.kind is Kind.NIGHT:
            for branch in standing.get(one.file, ONE):
                devices.setdefault((one.device, branch), []).append(one)
        elif one.kind is Kind.ADOPTED and not one.let_go:
            stays.setdefault(one.file, []).append("adopted")
    for (device, _), every in devices.items():
        nights = [one for one in every if not one.let_go]
        for newest in nights[-1:]:
            stays.setdefault(newest.file, []).append(f"newest of {device}")
        told = believed(every, now)
        good = [one for one in told if not one.let_go]
        for name, period in _PERIODS.items():
            for label, night in _newest(good, period, zone)[: getattr(rule, name)]:
                stays.setdefault(night.file, []).append(label)
        files = {one.file for one in good}
        doubtful = [one for one in nights if one.file not in files]
        for night in doubtful[len(doubtful) - min(rule.most, len(doubtful)) :]:
            stays.setdefault(night.file, []).append("its clock was wrong")
    return {file: tuple(dict.fromkeys(why)) for file, why in stays.items()}


def _newest(
    nights: Sequence[Snapshot], period: Callable[[datetime], str], zone: tzinfo
) -> list[tuple[str, Snapshot]]:
    """The newest night of each period, the latest period first."""
    last: dict[str, Snapshot] = {}
    for night in nights:
        last[period(night.taken.astimezone(zone))] = night
    return sorted(last.items(), key=lambda item: item[1].sequence, reverse=True)


def believed(nights: Sequence[Snapshot], now: datetime) -> list[Snapshot]:
    """As many of these nights as can be, in their order, whose times can be and never go back.

    ``nights`` are of one device, by sequence.
    """
    tails: list[datetime] = []  # the earliest time with which a run of each length can end
    ends: list[int] = []  # the night with that time
    before: dict[int, int | None] = {}
    for at, night in enumerate(nights):
        if not EARLIEST <= night.taken <= now + AHEAD:
            continue
        length = bisect_right(tails, night.taken)
        tails[length : length + 1] = [night.taken]
        ends[length : length + 1] = [at]
        before[at] = ends[length - 1] if length else None
    run = []
    last = ends[-1] if ends else None
    while last is not None:
        run.append(nights[last])
        last = before[last]
    return run[::-1]


def surely_old(record: Snapshot, records: Iterable[Snapshot], now: datetime) -> bool:
    """Whether a record was made more than 30 days ago, whatever its own clock or the one at hand says.

    The days are counted back from the last snapshot of the archive where that is earlier than now. Something
    must have been taken no earlier than this record that is old, and nothing before it that is not.
    """
    times = [(one.sequence, one.taken) for one in records if EARLIEST <= one.taken <= now + AHEAD]
    if not times:
        return False
    limit = min(now, max(taken for _, taken in times)) - SAFE
    after = any(taken < limit for sequence, taken in times if sequence >= record.sequence)
    return after and all(taken < limit for sequence, taken in times if sequence <= record.sequence)
