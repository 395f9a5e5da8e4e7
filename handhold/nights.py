"""The earlier nights of a device, as far as they help the next one."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import date

from handhold.archive.archive import Archive
from handhold.archive.manifest import Manifest
from handhold.errors import OwnerError
from handhold.model import Entry, Site, nanoseconds


@dataclass(frozen=True, slots=True)
class Night:
    """A night of the device; an empty one where there was none yet."""

    name: str = ""
    entries: tuple[Entry, ...] = ()
    sites: tuple[Site, ...] = ()
    layouts: frozenset[str] = frozenset()  # the emulators whose layout was stored with it
    taken_ns: int = 0


@dataclass(frozen=True, slots=True)
class Held:
    """How many kept files a volume held when it last held any."""

    files: int
    on: date


def last_night(archive: Archive, device: str) -> Night:
    """The last night that can be read whole. A hurt one helps nobody; verify names it."""
    for manifest in _backwards(archive, device):
        try:
            entries = tuple(archive.entries(manifest))
        except OwnerError:
            continue
        snapshot = manifest.snapshot
        taken = nanoseconds(snapshot.taken)
        return Night(snapshot.name, entries, manifest.sites, frozenset(manifest.layouts), taken)
    return Night()


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
