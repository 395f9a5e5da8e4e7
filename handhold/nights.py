"""The earlier nights of a device, as far as they help the next one."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from datetime import date
from itertools import islice

import msgspec
from msgspec.structs import replace

from handhold.archive.archive import Archive
from handhold.archive.listed import Key, Listed
from handhold.archive.manifest import Manifest
from handhold.errors import OwnerError
from handhold.model import Entry, Gap, Part, Site, nanoseconds
from handhold.unseen import Place, Unseen, in_both, looked_at, unseen


def first_of(*places: Mapping[Key, Entry]) -> Callable[[Key], Entry | None]:
    """Gives the entry of a place from the first of these that has one."""

    def get(key: Key) -> Entry | None:
        return next((found for each in places if (found := each.get(key)) is not None), None)

    return get


class Night(msgspec.Struct, frozen=True):
    """A night of the device; an empty one where there was none yet."""

    name: str = ""
    listed: Listed = msgspec.field(default_factory=Listed)
    sites: tuple[Site, ...] = ()
    layouts: frozenset[str] = frozenset()  # the emulators whose layout was stored with it
    taken_ns: int = 0
    gaps: tuple[Gap, ...] = ()
    emptied: Mapping[Key, str] = {}  # the last good night of each
    tool: str = ""  # what wrote it
    rules: Mapping[str, str] = {}  # the blocks with those layouts, by emulator
    recognised: frozenset[str] | None = None  # see ``Manifest``
    origin: str = ""  # of the handheld that took it, if that is known


class Lay:
    """Which entry of a night lay at a place of the device, whatever emulator and home it is called by."""

    def __init__(self, listed: Listed, sites: Iterable[Site]) -> None:
        self._listed = listed
        self._homes: dict[Place, list[tuple[str, str]]] = {}
        for site in sites:
            self._homes.setdefault((site.volume, site.path), []).append((site.emulator, site.home))

    def at(self, volume: str, path: str, parts: Collection[Part] = frozenset(Part)) -> Entry | None:
        """The entry, of one of these parts; the last one in order where there are several."""
        found: list[Entry] = []
        for at in [-1, *(at for at, char in enumerate(path) if char == "/")]:
            for emulator, home in self._homes.get((volume, path[: max(at, 0)]), ()):
                entry = self._listed.get((emulator, home, path[at + 1 :]))
                if entry is not None and entry.part in parts:
                    found.append(entry)
        return max(found, key=lambda entry: entry.key, default=None)


class Held(msgspec.Struct, frozen=True):
    """How many kept files a volume held when it last held any."""

    files: int
    on: date


def last_seen(
    archive: Archive, device: str, parts: Collection[Part] = frozenset(Part), recognise: bool = True
) -> list[Night]:
    """The last night, and before it those that saw what it did not, each with just those entries.

    A place that a night has a gap for (a card that was out, a folder that could not be listed) says nothing
    of what lies there; nor does it say anything of parts that it was told to leave out, and of what no
    layout names if it was told to recognise nothing. The last night that saw it does. Looked for is only what
    a night of these ``parts`` looks at. The newest night comes first.
    """
    nights: list[Night] = []
    hidden: list[Unseen] = []
    looked_into: set[str] = set()
    for manifest in islice(backwards(archive, device), _FAR_ENOUGH):
        # A page that a newer night has as well tells nothing new of what that one did not see.
        fresh = [page for page in manifest.pages if page.id not in looked_into]
        try:
            night = _night(manifest, archive.listed(fresh))
        except OwnerError:
            continue  # only nights that can be read whole count
        looked_into.update(page.id for page in fresh)
        blind = unseen(manifest.gaps, manifest.left_out, manifest.only_layouts)
        if nights:
            night = replace(night, listed=Listed.of(_of_these(night, hidden)))
            hidden = in_both(hidden, blind)
        else:
            hidden = looked_at(blind, parts, recognise)
        nights.append(night)
        if not hidden:
            break
    return nights


#: So many nights are looked back for what the last ones could not see.
_FAR_ENOUGH = 400


def _of_these(night: Night, hidden: Sequence[Unseen]) -> tuple[Entry, ...]:
    """The entries that are among these."""
    lay = {(site.emulator, site.home): site for site in night.sites}

    def wanted(entry: Entry) -> bool:
        site = lay.get((entry.emulator, entry.home))
        if site is None:
            return False
        place = (site.volume, f"{site.path}/{entry.path}".strip("/"))
        return any(each.holds(place, entry.part, entry.emulator not in night.layouts) for each in hidden)

    return tuple(entry for entry in night.listed.entries() if wanted(entry))


def _night(manifest: Manifest, listed: Listed) -> Night:
    snapshot = manifest.snapshot
    return Night(
        snapshot.name,
        listed,
        manifest.sites,
        frozenset(manifest.layouts),
        nanoseconds(snapshot.taken),
        manifest.gaps,
        emptied={(one.emulator, one.home, one.path): one.good for one in manifest.emptied},
        tool=manifest.tool,
        rules=manifest.layouts,
        recognised=manifest.recognised,
        origin=snapshot.origin,
    )


def last_held(archive: Archive, device: str, volumes: Collection[str]) -> dict[str, Held]:
    """For each of these volumes the last night that held anything on it; none where none did.

    Reads back as far as it must: a card that is out for weeks is still said to be out.
    """
    found: dict[str, Held] = {}
    if not volumes:
        return found
    for manifest in backwards(archive, device):
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


def backwards(archive: Archive, device: str) -> Iterator[Manifest]:
    """The manifests of the device's nights that can be read, the newest first."""
    for snapshot in reversed(archive.nights()):
        if snapshot.device == device:
            try:
                yield archive.read(snapshot)
            except OwnerError:
                continue
