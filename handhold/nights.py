"""The earlier nights of a device, as far as they help the next one."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from datetime import date
from itertools import islice

from handhold.archive.archive import Archive
from handhold.archive.manifest import Manifest
from handhold.errors import OwnerError
from handhold.model import Entry, Gap, Site, nanoseconds


@dataclass(frozen=True, slots=True)
class Night:
    """A night of the device; an empty one where there was none yet."""

    name: str = ""
    entries: tuple[Entry, ...] = ()
    sites: tuple[Site, ...] = ()
    layouts: frozenset[str] = frozenset()  # the emulators whose layout was stored with it
    taken_ns: int = 0
    gaps: tuple[Gap, ...] = ()


@dataclass(frozen=True, slots=True)
class Held:
    """How many kept files a volume held when it last held any."""

    files: int
    on: date


def last_seen(archive: Archive, device: str) -> list[Night]:
    """The last night, and before it those that saw what it could not, each with just those entries.

    A place that a night has a gap for (a card that was out, a folder that could not be listed) says nothing
    of what lies there; the last night that saw it does. The newest night comes first.
    """
    nights: list[Night] = []
    unseen: set[tuple[str, str]] = set()
    for night in islice(_whole(archive, device), _FAR_ENOUGH):
        nights.append(night if not nights else replace(night, entries=_below(night, unseen)))
        blind = {(gap.volume, gap.path) for gap in night.gaps}
        unseen = blind if len(nights) == 1 else {one for one in unseen if _hidden(one, blind)}
        if not unseen:
            break
    return nights


#: So many nights are looked back for what the last ones could not see.
_FAR_ENOUGH = 400


def _below(night: Night, places: Collection[tuple[str, str]]) -> tuple[Entry, ...]:
    """The entries that lie at or below these places."""
    lay = {(site.emulator, site.home): site for site in night.sites}

    def lies(entry: Entry) -> bool:
        site = lay.get((entry.emulator, entry.home))
        return site is not None and _hidden((site.volume, f"{site.path}/{entry.path}".strip("/")), places)

    return tuple(entry for entry in night.entries if lies(entry))


def _hidden(place: tuple[str, str], blind: Collection[tuple[str, str]]) -> bool:
    """Whether a place is one of these, or lies below one."""
    volume, path = place
    if (volume, "") in blind or place in blind:
        return True
    return any((volume, path[:at]) in blind for at, char in enumerate(path) if char == "/")


def _whole(archive: Archive, device: str) -> Iterator[Night]:
    """The nights that can be read whole, the newest first."""
    for manifest in _backwards(archive, device):
        try:
            entries = tuple(archive.entries(manifest))
        except OwnerError:
            continue
        snapshot = manifest.snapshot
        yield Night(
            snapshot.name,
            entries,
            manifest.sites,
            frozenset(manifest.layouts),
            nanoseconds(snapshot.taken),
            manifest.gaps,
        )


def last_held(archive: Archive, device: str, volumes: Collection[str]) -> dict[str, Held]:
    """For each of these volumes the last night that held anything on it; none where none did.

    Reads back as far as it must: a card that is out for weeks is still said to be out.
    """
    found: dict[str, Held] = {}
    if not volumes:
        return found
    for manifest in _backwards(archive, device):
        lie = {
            (site.emulator, site.home): site.volume
            for site in manifest.sites
            if site.volume in volumes and site.volume not in found
        }
        if not lie:
            continue
        files: dict[str, int] = {}
        try:
            for entry in archive.entries(manifest):
                if volume := lie.get((entry.emulator, entry.home)):
                    files[volume] = files.get(volume, 0) + 1
        except OwnerError:
            continue
        for volume, count in files.items():
            found[volume] = Held(count, manifest.snapshot.taken.date())
        if len(found) == len(set(volumes)):
            break
    return found


def _backwards(archive: Archive, device: str) -> Iterator[Manifest]:
    for snapshot in reversed(archive.nights()):
        if snapshot.device == device:
            try:
                yield archive.read(snapshot)
            except OwnerError:
                continue
