"""What of a device's last night, and of the archive's medium, needs the owner. Pure."""

from __future__ import annotations

from collections.abc import Container, Iterable, Sequence
from datetime import datetime, timedelta
from enum import StrEnum
from typing import NamedTuple

from handhold import amounts
from handhold.archive.manifest import Manifest
from handhold.device.exports import GRACE_NS, OLD_NS, is_excerpt
from handhold.model import NS, Entry, HomeKind, nanoseconds

#: A device that was not kept for so long is called overdue (common practice, no source).
OVERDUE = timedelta(days=7)
#: A medium with less than this share free is called nearly full (common practice, no source).
NEARLY_FULL = 1 / 20


class Need(StrEnum):
    """Why something needs the owner."""

    OVERDUE = "overdue"
    GAPS = "gaps"
    EMPTIED = "emptied"
    STALE = "stale"
    FULL = "full"
    HURT = "hurt"


class Trouble(NamedTuple):
    """One thing that needs the owner, and what to do about it."""

    need: Need
    what: str
    advice: str


def of_night(
    manifest: Manifest, entries: Iterable[Entry], now: datetime, let_go: Container[str]
) -> list[Trouble]:
    """What of a device's last night needs the owner; ``let_go`` are names of nights whose content went."""
    snapshot, found = manifest.snapshot, []
    if now - snapshot.taken >= OVERDUE:
        days = (now - snapshot.taken).days
        found.append(
            Trouble(Need.OVERDUE, f"not kept for {days:,} days", "Take a snapshot: handhold snapshot")
        )
    if manifest.emptied:
        first = manifest.emptied[0]
        more = f" and {len(manifest.emptied) - 1} more" if len(manifest.emptied) > 1 else ""
        found.append(
            Trouble(
                Need.EMPTIED,
                f"{first.emulator}: {first.path}{more} held something once and holds nothing now",
                _last_good(first.good, let_go),
            )
        )
    if manifest.gaps:
        gap = manifest.gaps[0]
        more = f" and {len(manifest.gaps) - 1:,} more" if len(manifest.gaps) > 1 else ""
        place = f"{gap.volume}:{gap.path}" if gap.path else gap.volume
        found.append(
            Trouble(
                Need.GAPS, f"could not be kept: {place}{more} ({gap.why})", gap.advice or "handhold survey"
            )
        )
    for emulator, days in old_exports(manifest, entries, now):
        found.append(
            Trouble(
                Need.STALE,
                f"the newest export of {emulator} is {days:,} days old",
                f"If you have played since, export again inside {emulator}, then take a snapshot",
            )
        )
    return found


def _last_good(night: str, let_go: Container[str]) -> str:
    if not night:
        return "An earlier night has the last good one: handhold history"
    if night in let_go:
        return f"{night} had the last good one and was let go; handhold history shows what is left"
    return f"{night} has the last good one, to be restored with --on-newer replace"


def old_exports(manifest: Manifest, entries: Iterable[Entry], now: datetime) -> list[tuple[str, int]]:
    """The emulators whose newest export is stale, and its age in days.

    Stale is what is older than 14 days, and what is older by a day than another save of that emulator.
    """
    lie = {(site.emulator, site.home): site for site in manifest.sites}
    exports: dict[str, int] = {}
    others: dict[str, int] = {}
    for entry in entries:
        site = lie.get((entry.emulator, entry.home))
        if site is None or not entry.size:
            continue
        export = site.kind is HomeKind.EXPORT
        if not (export and is_excerpt(entry.path)):
            newest = exports if export else others
            newest[entry.emulator] = max(newest.get(entry.emulator, entry.modified), entry.modified)
    at = nanoseconds(now)
    return [
        (emulator, max(at - modified, 0) // (86_400 * NS))
        for emulator, modified in sorted(exports.items())
        if at - modified > OLD_NS or others.get(emulator, modified) - modified > GRACE_NS
    ]


def of_medium(free: int, total: int, unreadable: Sequence[str]) -> list[Trouble]:
    """What of the archive itself needs the owner; sizes in bytes, ``total`` 0 where it is not known."""
    found = []
    if total and free < total * NEARLY_FULL:
        found.append(
            Trouble(
                Need.FULL,
                f"the archive's card is nearly full ({amounts.size(free)} free of {amounts.size(total)})",
                "Let old nights go: handhold thin --nights 14 --weeks 8 --months 24 --dry-run",
            )
        )
    if unreadable:
        more = f" and {len(unreadable) - 1} more" if len(unreadable) > 1 else ""
        found.append(
            Trouble(Need.HURT, f"{unreadable[0]}{more} cannot be read", "handhold verify says what is hurt")
        )
    return found
