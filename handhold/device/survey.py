"""What a walk means for the owner: which emulators are there, and how much of what each of them has."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Literal, NamedTuple

import msgspec

from handhold.device.claims import Unclaimed, Walk
from handhold.device.recognising import Reason
from handhold.device.ways import Way
from handhold.model import HomeKind, Part, Site

if TYPE_CHECKING:
    from handhold.layouts.layout import Layout


class Tally(NamedTuple):
    """How much there is of one part."""

    files: int
    bytes: int
    newest: int  # nanoseconds since 1970-01-01T00:00:00Z


class Found(msgspec.Struct, frozen=True):
    """One emulator on the device. Parts that it has nothing of are not in ``parts``."""

    emulator: str
    title: str
    reach: HomeKind
    state: Literal["found", "absent", "unreachable"]
    how: Literal["layout", "recognised"]
    sites: tuple[Site, ...]
    parts: Mapping[Part, Tally]
    reasons: tuple[Reason, ...] = ()  # why files that no layout names are among the parts
    ways: tuple[Way, ...] = ()  # the places at which the layout's homes were looked for


def tally(walk: Walk, layouts: Sequence[Layout]) -> tuple[Found, ...]:
    """Each emulator as the walk found it, by id: those of the layouts, and those that were recognised.

    Patterns, which lie nowhere, are not among them.
    """
    sums: dict[str, dict[Part, list[int]]] = {}
    for claim in walk.claims:
        parts = sums.setdefault(claim.site.emulator, {})
        one = parts.get(claim.part)
        if one is None:
            parts[claim.part] = [1, claim.size, claim.modified]
        else:
            one[0] += 1
            one[1] += claim.size
            if claim.modified > one[2]:
                one[2] = claim.modified
    sites: dict[str, list[Site]] = {}
    for site in walk.sites:
        sites.setdefault(site.emulator, []).append(site)
    found = [
        _found(layout, walk, sites.get(layout.id, []), sums.get(layout.id, {}))
        for layout in layouts
        if not layout.is_pattern
    ]
    known = {layout.id for layout in layouts}
    found += [
        Found(
            emulator,
            one.title or emulator,
            sites[emulator][0].kind,
            "found",
            "recognised",
            tuple(sites[emulator]),
            _parts(sums[emulator]),
            tuple(one.listed()),
        )
        for emulator, one in walk.recognised.items()
        if emulator not in known
    ]
    return tuple(sorted(found, key=lambda one: one.emulator))


class Changed(NamedTuple):
    """A place with files of which nothing is known, some of them changed since the last night."""

    volume: str
    path: str
    newest: int  # nanoseconds: the newest of them


def changed(unclaimed: Sequence[Unclaimed], since: int, now: int) -> list[Changed]:
    """What nobody claims, could hold saves, and changed after ``since`` (nanoseconds). Pure.

    Times in the future tell nothing.
    """
    return [
        Changed(one.volume, one.path, one.unknown)
        for one in unclaimed
        if one.unknown is not None and since < one.unknown <= now
    ]


def _parts(sums: Mapping[Part, Sequence[int]]) -> dict[Part, Tally]:
    return {part: Tally(*sums[part]) for part in Part if part in sums}


def _found(layout: Layout, walk: Walk, sites: list[Site], sums: dict[Part, list[int]]) -> Found:
    barred = walk.blocked.get(layout.id)
    open_sites = [site for site in sites if site not in walk.barred]
    state: Literal["found", "absent", "unreachable"]
    if sums or open_sites:
        state = "found"
    elif barred is not None:
        state = "unreachable"
    else:
        state = "absent"
    if open_sites:
        reach = open_sites[0].kind
    elif barred is not None:
        reach = barred
    else:
        reach = sites[0].kind if sites else layout.homes[0].kind
    recognised = walk.recognised.get(layout.id)
    return Found(
        layout.id,
        layout.title,
        reach,
        state,
        "layout",
        tuple(sites),
        _parts(sums),
        tuple(recognised.listed()) if recognised else (),
        tuple(way for way in walk.ways if way.emulator == layout.id),
    )
