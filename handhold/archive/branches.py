"""Copies of one archive that were written on apart and then put together: which snapshots stand in one order.

Each copy went on counting, so numbers occur twice. From the first of those on, the numbers of one device tell
an order only together with the times: a snapshot comes after another one if both say so. Snapshots of which
they say different things stand on different *branches* of the device's history, and those tell nothing about
each other.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime

from handhold.archive.head import HIGHEST, Snapshot
from handhold.model import Kind

#: The branches of every snapshot of an archive that was never put together.
ONE = (0,)


def parted_at(snapshots: Sequence[Snapshot]) -> float | None:
    """The lowest sequence number that occurs twice; None if none does. Pure.

    Backups that were adopted have fractions between the numbers; the highest number may be given out again.
    """
    # A night that was let go can be there twice: itself, and what is remembered of it.
    own = {(one.sequence, one.device, one.name) for one in snapshots if one.kind is not Kind.ADOPTED}
    counts = Counter(number for number, _, _ in own)
    return min((number for number, count in counts.items() if count > 1 and number < HIGHEST), default=None)


def branches(snapshots: Sequence[Snapshot]) -> Mapping[str, tuple[int, ...]]:
    """The branches on which each snapshot stands, by its file; empty if there is one only. Pure.

    What was before the copies parted, and what by number and by time came after several, stands on each of
    these. ``snapshots`` are in the order of the archive.
    """
    first = parted_at(snapshots)
    if first is None:
        return {}
    found: dict[str, tuple[int, ...]] = {}
    devices: dict[str, list[Snapshot]] = {}
    for one in snapshots:
        devices.setdefault(one.device, []).append(one)
    for own in devices.values():
        ends: list[tuple[float, datetime]] = []
        standing: dict[str, tuple[int, ...]] = {}
        for one in own:
            if one.sequence < first or one.kind is Kind.ADOPTED:
                continue
            on = tuple(
                at for at, (number, time) in enumerate(ends) if number < one.sequence and time <= one.taken
            )
            if not on:
                on = (len(ends),)
                ends.append((one.sequence, one.taken))
            for at in on:
                ends[at] = (one.sequence, one.taken)
            standing[one.file] = on
        every = tuple(range(max(len(ends), 1)))
        found.update({one.file: standing.get(one.file, every) for one in own})
    return found
