"""Old records read by the layouts of today. Pure.

A layout that was written for what had only been recognised, or was changed, calls a file by another emulator,
home or path than the nights before it did, on this device or on another one. It is the same file, if it lay
where the layout of today says that it lies.
"""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from handhold.archive.standing import ELSEWHERE
from handhold.archive.timeline import ReadAs
from handhold.layouts.layout import Home, Layout
from handhold.model import Entry, Part, Site
from handhold.restore.lying import leads_to

_NEVER = frozenset({None, Part.GAMES, Part.CACHE})


def as_now(layouts: Mapping[str, Layout]) -> ReadAs:
    """How an entry and the place of its home read by these layouts; as they are where none speaks of them."""
    places = [
        (layout, home, place) for layout in layouts.values() for home in layout.homes for place in home.at
    ]
    places.sort(key=lambda item: (-item[2].path.count("/"), item[0].id))  # the deeper home has the file

    def read(entry: Entry, site: Site | None) -> tuple[Entry, Site | None]:
        if site is None or site.volume == ELSEWHERE or _speaks(layouts.get(entry.emulator), entry):
            return entry, site
        names = [name for name in f"{site.path}/{entry.path}".split("/") if name]
        for layout, home, place in places:
            depth = len(place.path.split("/")) if place.path else 0
            above, below = "/".join(names[:depth]), "/".join(names[depth:])
            if place.volume in ("*", site.volume) and below and leads_to(place.path, above):
                verdict = layout.verdict(home.name, below)
                if verdict is not None and verdict.part not in _NEVER:
                    return _renamed(entry, layout, home, below, verdict.part, verdict.game), Site(
                        layout.id, home.name, home.kind, site.volume, above
                    )
        return entry, site

    return read


def _speaks(layout: Layout | None, entry: Entry) -> bool:
    """Whether a layout calls the entry what it is called."""
    if layout is None:
        return False
    verdict = layout.verdict(entry.home.partition("@")[0], entry.path)
    return verdict is not None and verdict.part is entry.part


def _renamed(
    entry: Entry, layout: Layout, home: Home, path: str, part: Part | None, game: str | None
) -> Entry:
    return msgspec.structs.replace(
        entry, emulator=layout.id, home=home.name, path=path, part=part or entry.part, game=game
    )
