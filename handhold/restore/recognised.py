"""Where the home of an emulator goes that no layout speaks of: by the name of its folder."""

from __future__ import annotations

import os
from collections.abc import Sequence

from msgspec.structs import replace

from handhold.device.listing import canonical, folded, joined, listed
from handhold.device.recognising import site_of, title_of
from handhold.layouts.layout import Layout
from handhold.layouts.recognition.recognise import role
from handhold.model import Device, HomeKind, Site
from handhold.names import native, written
from handhold.restore.found import NoTarget, Target
from handhold.restore.lying import HomeKey, Lie, spoken, target_at

#: Folders deeper than this are no emulator's (common practice, no source).
_DEEPEST = 12


class Recognised:
    """Finds recognised homes on the device at hand. The folders are gone through at most once."""

    def __init__(self, device: Device, layouts: Sequence[Layout], lie: Lie) -> None:
        self._device = device
        self._layouts = {layout.id: layout for layout in layouts}
        self._lie = lie
        self._roles: dict[str, list[tuple[str, str]]] | None = None

    def target(self, key: HomeKey, recorded: Site) -> Target | NoTarget | None:
        """The target on a device that need not be the snapshot's own; None if nothing there speaks for one.

        The recorded path on a volume of that name, if such a folder is there; else the home of a layout of
        that id whose folder has the same name; else the one folder of that name that plays an emulator's
        role.
        """
        same = self._lie.recorded(key, recorded)
        if same is not None and recorded.path and os.path.isdir(_place(same)):
            return same
        wanted = folded(recorded.path.rpartition("/")[2])
        if not wanted:
            return None
        by_layout = [
            site
            for home in getattr(self._layouts.get(key[0]), "homes", ())
            for site in self._lie.sites.get((key[0], home.name), ())
            if site.kind is not HomeKind.EXPORT and folded(site.path.rpartition("/")[2]) == wanted
        ]
        places = [(site.volume, site.path) for site in by_layout] or [
            place for place in self._named(wanted) if not self._anothers(key[0], *place)
        ]
        if len(places) > 1:
            shown = " and ".join(f"{volume}:{path}" for volume, path in places[:3])
            return NoTarget(f"{title_of(recorded.path)} could go to {shown}; say which: --home {key[0]}=PATH")
        if not places:
            return None
        volume = self._device.volume(places[0][0])
        assert volume is not None
        found = site_of(*places[0], self._layouts)
        site = by_layout[0] if by_layout else Site(key[0], found.home, found.kind, *places[0])
        target = target_at(volume, site)
        if (site.volume, site.path) != (recorded.volume, recorded.path):
            note = f"a folder of that name; that night it lay at {spoken(recorded)}"
            return replace(target, note=note)
        return target

    def missing(self, key: HomeKey, recorded: Site) -> NoTarget:
        """That nothing was found, and what can be done."""
        return NoTarget(
            f'nothing on this device is called "{title_of(recorded.path)}": install that emulator, start it '
            f"once, then run this again, or say where it goes: --home {key[0]}=PATH"
        )

    def _anothers(self, emulator: str, volume: str, path: str) -> bool:
        """Whether a layout gives that folder, or one above or below it, to another emulator."""
        here = f"{path}/"
        return any(
            site.emulator != emulator
            and site.volume == volume
            and (here.startswith(f"{site.path}/" if site.path else "") or f"{site.path}/".startswith(here))
            for sites in self._lie.sites.values()
            for site in sites
        )

    def _named(self, wanted: str) -> list[tuple[str, str]]:
        """The folders of that name that play an emulator's role."""
        if self._roles is None:
            self._roles = {}
            roots = {canonical(volume.path): volume.name for volume in self._device.volumes}
            for root, volume in roots.items():
                todo = [(root, "")]
                while todo:
                    path, shown = todo.pop()
                    for entry in listed(os.scandir, path)[0]:
                        try:
                            if not entry.is_dir(follow_symlinks=False):
                                continue
                        except OSError:
                            continue  # what cannot be looked at cannot be written to either
                        place, below = joined(path, entry.name), written(entry.name)
                        below = f"{shown}/{below}" if shown else below
                        if place in roots:
                            continue
                        if role(below) == below:
                            name = folded(below.rpartition("/")[2])
                            self._roles.setdefault(name, []).append((volume, below))
                        if below.count("/") < _DEEPEST:
                            todo.append((place, below))
        return sorted(self._roles.get(wanted, ()))


def _place(target: Target) -> str:
    return os.path.join(target.base, native(target.below))
