"""Which snapshot a name means."""

from __future__ import annotations

import re
from datetime import date

from handhold.archive.manifest import Snapshot
from handhold.errors import UnknownName
from handhold.model import Kind


def find(snapshots: list[Snapshot], wanted: str) -> Snapshot:
    """The snapshot that ``wanted`` means; ``snapshots`` are by sequence. Raises ``UnknownName``."""
    nights = [one for one in snapshots if one.kind is Kind.NIGHT]
    named = [one for one in snapshots if one.name == wanted] or [
        one for one in snapshots if one.name.casefold() == wanted.casefold()
    ]
    if named:
        return named[-1]
    if wanted == "latest" and nights:
        return nights[-1]
    device, dot, day = wanted.partition(".")
    own = [one for one in nights if one.device == device] or [
        one for one in nights if one.device.casefold() == device.casefold()
    ]
    if own and not dot:
        return own[-1]
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


def _is_date(day: str) -> bool:
    try:
        date.fromisoformat(day)
    except ValueError:
        return False
    return True
