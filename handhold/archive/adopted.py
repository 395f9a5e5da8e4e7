"""Where an old backup that is taken in later stands among the snapshots."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from handhold.archive.manifest import Snapshot
from handhold.model import Kind

#: The volume of what lay in a place that the device does not have.
BACKUP = "backup"
#: Divides seconds since 1970 into a fraction: below one until the year 2514, and exact with any number of
#: snapshots that an archive can have (2^18) in a double's 53 bits.
_SPAN = 1 << 34
#: A clock that says less was never set.
_EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)


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
    later = [
        one.sequence
        for one in own
        if one.taken > taken or one.taken < _EARLIEST or one.taken > now + timedelta(days=1)
    ]
    after = min(later) - 1 if later else max((one.sequence for one in own), default=0)
    if before is not None:
        after = min(after, before - 1)
    seconds = min(max(int(taken.timestamp()), 1), _SPAN - 1)
    return max(math.floor(after), 0) + seconds / _SPAN
