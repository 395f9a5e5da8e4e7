"""Which snapshot a name means."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta, timezone
from typing import NamedTuple

from handhold.archive.head import Snapshot
from handhold.errors import UnknownName
from handhold.model import Kind


def find(snapshots: list[Snapshot], wanted: str) -> Snapshot:
    """The snapshot that ``wanted`` means; ``snapshots`` are by sequence. Raises ``UnknownName``."""
    nights = [one for one in snapshots if one.kind in (Kind.NIGHT, Kind.ADOPTED)]
    # An old backup may hold one emulator only: it is the last of a device only where there is no night.
    last = [one for one in nights if one.kind is Kind.NIGHT] or nights
    named = [one for one in snapshots if one.name == wanted] or [
        one for one in snapshots if one.name.casefold() == wanted.casefold()
    ]
    if named:
        return named[-1]
    if wanted == "latest" and last:
        return last[-1]
    device, dot, day = wanted.partition(".")
    own = [one for one in nights if one.device == device] or [
        one for one in nights if one.device.casefold() == device.casefold()
    ]
    if own and not dot:
        return ([one for one in own if one.kind is Kind.NIGHT] or own)[-1]
    if own and re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", day) and _is_date(day):
        limit = date.fromisoformat(day)
        before = [one for one in own if one.taken.date() <= limit]
        if before:
            return max(before, key=lambda one: (one.taken.date(), one.sequence))
        first = min(own, key=lambda one: (one.taken.date(), one.sequence))
        raise UnknownName("snapshot", wanted, [], f"The first one of {first.device} is {first.name}.")
    if not nights:
        raise UnknownName(
            "snapshot", wanted, [], "The archive has no snapshot yet: handhold snapshot takes one."
        )
    known = sorted({one.device for one in nights}) if not dot else [one.name for one in own or nights]
    raise UnknownName("snapshot", wanted, known, "handhold list shows them all.")


class Unread(NamedTuple):
    """What the file name of a manifest that cannot be read tells."""

    file: str
    device: str
    taken: datetime  # in UTC


def may_be_meant(unreadable: list[str], wanted: str, found: Snapshot | None) -> list[Unread]:
    """The manifests that cannot be read and may be what a short form means, rather than ``found``; by time.

    Their names tell device and time, not whether they are of nights.

    >>> may_be_meant(["manifests/plover.20260301T220000Z.0123abcd.manifest"], "latest", None)[0].device
    'plover'
    """
    if found is not None and found.name.casefold() == wanted.casefold():
        return []
    device, dot, day = wanted.casefold().partition(".")
    if dot and not _is_date(day):
        return []
    meant = []
    for file in unreadable:
        name, _, rest = file.rpartition("/")[2].partition(".")
        try:
            taken = datetime.strptime(rest.partition(".")[0], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
        except ValueError:
            continue
        if device != "latest" and device != name.casefold():
            continue
        # its own offset is not known: that of the night that can be read, or the farthest west there is
        local = taken.astimezone(found.taken.tzinfo if found is not None else timezone(timedelta(hours=-12)))
        if dot and local.date() > date.fromisoformat(day):
            continue
        if found is None or taken > found.taken:
            meant.append(Unread(file, name, taken))
    return sorted(meant, key=lambda one: one.taken)


def _is_date(day: str) -> bool:
    try:
        date.fromisoformat(day)
    except ValueError:
        return False
    return True
