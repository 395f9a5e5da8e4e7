"""Where homes lie on a device: as its layouts find them, or where a snapshot recorded them."""

from __future__ import annotations

import os
from collections.abc import Collection, Sequence

from msgspec.structs import replace

from handhold.archive.standing import ELSEWHERE
from handhold.device.homes import find_homes, segment
from handhold.device.listing import folded
from handhold.layouts.layout import Layout
from handhold.model import Device, HomeKind, Site, Volume
from handhold.names import trouble_with
from handhold.restore.cards import is_empty
from handhold.restore.found import Target

#: (emulator, home) as the snapshot has it
HomeKey = tuple[str, str]


class Lie:
    """Where homes lie on a device, as its layouts find them."""

    def __init__(self, device: Device, layouts: Sequence[Layout]) -> None:
        self.device = device
        self.layouts = {layout.id: layout for layout in layouts}
        homes = find_homes(device, layouts)
        self.blocked = homes.blocked
        self.sites: dict[tuple[str, str], list[Site]] = {}
        for site in homes.sites:
            self.sites.setdefault((site.emulator, site.home.partition("@")[0]), []).append(site)

    def _found(self, key: HomeKey, others: Collection[tuple[str, str, str]] = ()) -> list[Site]:
        """The places of this home; those of ``others`` are another home's."""
        found = self.sites.get((key[0], key[1].partition("@")[0]), [])
        return [site for site in found if (site.emulator, site.volume, site.path) not in others]

    def on(
        self,
        key: HomeKey,
        volume: str,
        recorded: Site | None,
        others: Collection[tuple[str, str, str]] = (),
    ) -> Target | None:
        """Where the layout finds the home on one volume: at the recorded path, or else the first."""
        fitting = [site for site in self._found(key, others) if site.volume == volume]
        same = [site for site in fitting if recorded is not None and site.path == recorded.path]
        return self._at((same or fitting)[0]) if fitting else None

    def first(
        self,
        key: HomeKey,
        recorded: Site | None,
        but: Collection[str] = (),
        others: Collection[tuple[str, str, str]] = (),
    ) -> Target | None:
        """Where the layout finds the home: on the volume that was recorded, or by its name, or anywhere."""
        fitting = [site for site in self._found(key, others) if site.volume not in but]
        if not fitting:
            return None
        if recorded is not None and any(site.volume == recorded.volume for site in fitting):
            return self.on(key, recorded.volume, recorded, others)
        same = [site for site in fitting if site.home == key[1]]
        return self._at((same or fitting)[0])

    def recorded(self, key: HomeKey, recorded: Site | None) -> Target | None:
        """The path that the snapshot recorded, on the volume of that name; it need not be there yet.

        ``own_layout`` of it says whether the layout at hand names that place too.
        """
        if recorded is None or recorded.kind is HomeKind.PRIVATE or recorded.volume == ELSEWHERE:
            return None
        volume = self.device.volume(recorded.volume)
        if volume is None or (recorded.path and trouble_with(recorded.path)):
            return None
        site = Site(key[0], key[1], recorded.kind, volume.name, recorded.path)
        return replace(target_at(volume, site), own_layout=_names(self.layouts.get(key[0]), site))

    def _at(self, site: Site) -> Target:
        volume = self.device.volume(site.volume)
        assert volume is not None
        return target_at(volume, site)


def target_at(volume: Volume, site: Site) -> Target:
    """The target of a home that lies, or is to lie, on a volume of the device."""
    base = os.path.realpath(volume.path)
    return Target(
        site=site,
        base=base,
        below=site.path,
        traits=volume.traits,
        storage=storage_of(base),
        read_only=is_read_only(base),
        filled=not is_empty(base),
    )


def _names(layout: Layout | None, site: Site) -> bool:
    """Whether a layout itself names this place for its home."""
    if layout is None:
        return False
    home_name = site.home.partition("@")[0]
    places = [place for home in layout.homes if home.name == home_name for place in home.at]
    return any(place.volume in ("*", site.volume) and leads_to(place.path, site.path) for place in places)


def leads_to(place: str, path: str) -> bool:
    """Whether a layout's place, which can hold ``*`` and ``?``, is this path on its volume."""
    wanted = [segment(name) for name in place.split("/")]
    names = [folded(name) for name in path.split("/")]
    return len(wanted) == len(names) and all(
        one.wild.fullmatch(name) is not None if one.wild else one.folded == name
        for one, name in zip(wanted, names, strict=True)
    )


def spoken(site: Site) -> str:
    """Where a home lies, as an owner reads it."""
    return f"/{site.path}" if site.volume == ELSEWHERE else f"{site.volume}:{site.path}".rstrip(":")


def storage_of(path: str) -> str:
    """What tells one file system from another, as long as it stays mounted."""
    return str(os.stat(path).st_dev)


def is_read_only(path: str) -> bool:
    """Whether nothing can be written at this path."""
    return bool(os.statvfs(path).f_flag & os.ST_RDONLY)
