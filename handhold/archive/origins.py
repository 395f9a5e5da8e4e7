"""Two handhelds that were given one name: whose snapshots are whose.

``setup`` gives every handheld an *origin*, a random number, and each manifest of its device has it. A device
that was set up anew has another one from then on, and goes on with its history. But where an origin comes
back after another one wrote, two are at work under one name: no handheld gets its old random number back.
Then each origin is a device of its own. What was written before there were origins is the first one's.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from msgspec.structs import replace

from handhold.archive.head import Snapshot
from handhold.model import Kind


def told_apart(snapshots: Sequence[Snapshot], device: str = "", origin: str = "") -> list[Snapshot]:
    """The snapshots in their order, with a device of its own for each handheld. Pure.

    The ``device`` at hand, of this ``origin``, keeps its name; of others the one that wrote first does. The
    rest are called like ``plover~3f2a``, which no owner can call a device.
    """
    keeps = _shared(snapshots, device, origin)
    return [
        replace(one, device=f"{one.device}~{one.origin[:4]}")
        if one.origin and one.origin != keeps.get(one.device, one.origin)
        else one
        for one in snapshots
    ]


def others(snapshots: Sequence[Snapshot], device: str, origin: str) -> Snapshot | None:
    """The last night of the ``device`` at hand, if another handheld of that name took it. Pure."""
    last = last_night(snapshots, device)
    elsewhere = last is not None and origin and last.origin not in ("", origin)
    return last if elsewhere and device in _shared(snapshots, device, origin) else None


def last_night(snapshots: Iterable[Snapshot], device: str) -> Snapshot | None:
    """The last night under this name."""
    nights = (one for one in snapshots if one.device == device and one.kind is Kind.NIGHT)
    return max(nights, key=lambda one: one.sequence, default=None)


def _shared(snapshots: Iterable[Snapshot], device: str, origin: str) -> dict[str, str]:
    """The names that several handhelds have, and the origin that keeps each."""
    courses: dict[str, list[str]] = {}
    for one in sorted(snapshots, key=lambda one: one.sequence):
        course = courses.setdefault(one.device, [])
        if one.origin and course[-1:] != [one.origin]:
            course.append(one.origin)
    if origin and (own := courses.get(device)) and own[-1] != origin:
        own.append(origin)
    shared = {name: course[0] for name, course in courses.items() if len(course) > len(set(course))}
    if origin and device in shared:
        shared[device] = origin
    return shared
