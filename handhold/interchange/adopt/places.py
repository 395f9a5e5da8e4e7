"""Where on the device the homes of an old backup lay: where the device has them since. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from msgspec.structs import replace

from handhold.archive.adopted import BACKUP
from handhold.device.recognising import is_found
from handhold.layouts.layout import Layout
from handhold.model import Site


def settled(
    sites: Sequence[Site], known: Iterable[Site], layouts: Mapping[str, Layout], volumes: Sequence[str]
) -> dict[Site, Site]:
    """For each site of a backup the one that it has in the archive.

    A save's history runs at one place of a device; so that the old backup stands in it, a home is
    recorded where the device's nights have it (``known``), or else where its layout puts it on one of the
    ``volumes``. What neither tells, and a second copy of one home, is recorded on a volume of its own.
    """
    by_home: dict[tuple[str, str], Site] = {}
    by_emulator: dict[str, list[Site]] = {}
    for site in known:
        by_home.setdefault((site.emulator, _base(site.home)), site)
        by_emulator.setdefault(site.emulator, []).append(site)
    result: dict[Site, Site] = {}
    taken: set[tuple[str, str]] = set()
    for site in sorted(sites, key=lambda one: (one.path.count("/"), one.path)):
        since = by_home.get((site.emulator, _base(site.home)))
        if since is None and is_found(site.home):
            single = by_emulator.get(site.emulator, [])
            since = single[0] if len(single) == 1 else None
        place = since or _by_layout(site, layouts.get(site.emulator), volumes)
        if place is None or (place.emulator, place.home) in taken:
            place = _apart(site, taken)
        taken.add((place.emulator, place.home))
        result[site] = place
    return result


def _by_layout(site: Site, layout: Layout | None, volumes: Sequence[str]) -> Site | None:
    home = layout.home(_base(site.home)) if layout is not None else None
    for place in home.at if home is not None else ():
        if "*" in place.path or "?" in place.path:
            continue
        volume = next((name for name in volumes if place.volume in ("*", name)), None)
        if volume is not None:
            return replace(site, home=_base(site.home), volume=volume, path=place.path)
    return None


def _apart(site: Site, taken: set[tuple[str, str]]) -> Site:
    """A home of its own: its name is free, and it says that it is of a backup."""
    home = site.home if is_found(site.home) else f"{_base(site.home)}@{BACKUP}"
    name, number = home, 2
    while (site.emulator, name) in taken:
        name, number = f"{home}@{number}", number + 1
    return replace(site, home=name, volume=BACKUP)


def _base(home: str) -> str:
    return home.partition("@")[0]
