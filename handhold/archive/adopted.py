"""Where an old backup that is taken in later stands among the snapshots."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from msgspec.structs import replace

from handhold.archive.head import Snapshot
from handhold.model import EARLIEST, Kind

#: The volume of what lay in a place that the device does not have.
BACKUP = "backup"
#: Divides seconds since 1970 into a fraction: below one until the year 2514, and exact with any number of
#: snapshots that an archive can have (2^18) in a double's 53 bits.
_SPAN = 1 << 34


def adopted_sequence(
    snapshots: Iterable[Snapshot], taken: datetime, now: datetime, before: float | None = None
) -> float:
    """The sequence number of a backup of that time: before the first snapshot that was taken later. Pure.

    ``before`` is the number of a snapshot before which it stands in any case: where the time may be that of a
    copy, the last night of its device.

    A snapshot whose clock was plainly wrong counts as later, so that an old backup can come to stand too
    early, where it loses against what is newer, but never too late. Of backups that stand between the same
    two snapshots the earlier one comes first, in whatever order they are adopted.
    """
    own = [one for one in snapshots if one.kind is not Kind.ADOPTED]
    later = [one.sequence for one in own if _may_be_later(one, taken) or one.taken > now + timedelta(days=1)]
    after = min(later) - 1 if later else max((one.sequence for one in own), default=0)
    if before is not None:
        after = min(after, before - 1)
    return _behind(after, taken)


def _behind(number: float, taken: datetime) -> float:
    seconds = min(max(int(taken.timestamp()), 1), _SPAN - 1)
    return max(math.floor(number), 0) + seconds / _SPAN


def in_place(snapshots: Sequence[Snapshot]) -> list[Snapshot]:
    """The same in the order of the archive, each backup before all that was taken later of its device. Pure.

    So it stood when it was adopted. But where copies of an archive were put together, there are snapshots
    which that one had not, and whose numbers were given without it: these must not pass for older ones.
    ``snapshots`` are in their order; what was adopted and stands behind such a one gets another number here.
    """
    first: dict[str, list[Snapshot]] = {}
    if any(one.kind is Kind.ADOPTED for one in snapshots):
        for one in snapshots:
            if one.kind is not Kind.ADOPTED:
                first.setdefault(one.device, []).append(one)

    def placed(one: Snapshot) -> Snapshot:
        if one.kind is not Kind.ADOPTED:
            return one
        later = (own.sequence for own in first.get(one.device, ()) if _may_be_later(own, one.taken))
        earliest = next(later, one.sequence)
        return replace(one, sequence=_behind(earliest - 1, one.taken)) if earliest < one.sequence else one

    return sorted(map(placed, snapshots), key=lambda one: one.sequence)


def _may_be_later(one: Snapshot, taken: datetime) -> bool:
    return one.taken > taken or one.taken < EARLIEST
