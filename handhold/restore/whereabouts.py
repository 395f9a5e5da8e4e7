"""Where saves of any device stand on the device at hand, or would go there, and what stands there now."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import NamedTuple

import msgspec

from handhold.archive.sameness import Forms, same_save
from handhold.archive.standing import Line, line_of
from handhold.archive.timeline import Moment
from handhold.layouts.layout import Layout
from handhold.model import Device, Entry, Identity, Site
from handhold.restore.athand import forms_of
from handhold.restore.forms import Moved, games_below, move
from handhold.restore.found import NOTHING, Found, NoTarget, Target, What
from handhold.restore.look import Look
from handhold.restore.lying import HomeKey
from handhold.restore.targets import Elsewhere, resolve

#: What is known of one file: its changes at each place of each device.
Known = Mapping[Line, Sequence[Moment]]


class Stands(msgspec.Struct, frozen=True):
    """Where one file goes on the device at hand, by its path in the home there, and what stands there.

    ``live`` is what stands at every place of the device at which it was looked for, by line; None: nothing.
    """

    target: Target | NoTarget
    path: str
    line: Line
    found: Found
    live: Mapping[Line, str | None]


class _Home(NamedTuple):
    """A home as one device had it."""

    device: str
    key: HomeKey
    site: Site | None


class _At(NamedTuple):
    """A file as a device had it."""

    home: _Home
    entry: Entry


class _Goes(NamedTuple):
    """Where it goes, with its path there."""

    target: Target | NoTarget
    entry: Entry


def whereabouts(
    device: Device,
    layouts: Mapping[str, Layout],
    known: Mapping[Identity, Known],
    *,
    owners: Collection[str],
    out: Mapping[str, str],
    elsewhere: Elsewhere | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> dict[Identity, Stands]:
    """Where each file stands or goes here. It goes where this device itself has or had it, if it ever did.

    ``owners``, ``out`` and ``elsewhere`` as ``resolve`` has them. ``progress`` is told the files looked at
    and their number.
    """
    wanted = {identity: _homes(device.name, lines) for identity, lines in known.items()}
    goes = _goes(
        device, layouts, [at for each in wanted.values() for at in each.values()], owners, out, elsewhere
    )
    forms = forms_of(layouts)
    found: dict[Identity, Stands] = {}
    with Look() as look:
        for done, (identity, each) in enumerate(wanted.items(), start=1):
            at = {line: goes[one.home, one.entry.key] for line, one in each.items()}
            found[identity] = _stands(look, device.name, at, known[identity], forms)
            if progress:
                progress(done, len(wanted))
    return found


def _homes(device: str, lines: Known) -> dict[Line, _At]:
    """The homes that say where a file lies here: the device's own, or else those of others, latest first."""
    own = {line: moments for line, moments in lines.items() if line.device == device}
    last = {
        line: next(moment for moment in reversed(moments) if moment.entry is not None)
        for line, moments in (own or lines).items()
    }
    return {
        line: _At(_Home(line.device, (moment.entry.emulator, moment.entry.home), moment.site), moment.entry)
        for line, moment in sorted(last.items(), key=lambda item: -item[1].snapshot.sequence)
        if moment.entry is not None
    }


def _goes(
    device: Device,
    layouts: Mapping[str, Layout],
    every: Sequence[_At],
    owners: Collection[str],
    out: Mapping[str, str],
    elsewhere: Elsewhere | None,
) -> dict[tuple[_Home, tuple[str, str, str]], _Goes]:
    """Where files go, by their home and key as a device had them."""
    rounds: dict[tuple[str, int], dict[HomeKey, _Home]] = {}
    for home in dict.fromkeys(at.home for at in every):
        number = 0  # one name can mean another place in another night; each meaning is resolved by itself
        while home.key in rounds.setdefault((home.device, number), {}):
            number += 1
        rounds[home.device, number][home.key] = home
    found: dict[tuple[_Home, tuple[str, str, str]], _Goes] = {}
    for (owner, _), by_key in rounds.items():
        own = owner == device.name
        targets = resolve(
            device,
            list(layouts.values()),
            [home.site for home in by_key.values() if home.site is not None],
            by_key.keys(),
            own=own,
            elsewhere=elsewhere,
            every={at.home.key for at in every},
            owners=owners,
            out=out,
            other_forms=not own,
        )
        homes = set(by_key.values())
        entries = [at.entry for at in every if at.home in homes]
        moved = Moved(entries) if own else move(entries, entries, dict(targets), layouts, games_below)
        for entry in moved.entries:
            lay = moved.lay.get(entry.key, entry)
            key = (lay.emulator, lay.home)
            found[by_key[key], lay.key] = _Goes(targets[key], entry)
        for step in moved.left:
            key = (step.entry.emulator, step.entry.home)
            found[by_key[key], step.entry.key] = _Goes(NoTarget(step.why), step.entry)
    return found


def _stands(look: Look, device: str, at: Mapping[Line, _Goes], lines: Known, forms: Forms) -> Stands:
    live: dict[Line, str | None] = {}
    places: list[tuple[Line, Target, str, Found]] = []
    for line, (target, entry) in at.items():
        if isinstance(target, NoTarget):
            continue
        as_here = msgspec.structs.replace(entry, home=target.site.home)
        here = line_of(device, target.site.home, target.site, same_save(as_here, forms)[1])
        if line.device == device and target.here and here not in lines:
            here = line  # its owner moved the home; its history goes on
        if any(here == other for other, _, _, _ in places):
            continue
        path = entry.path
        seen = look.found(target, path)
        if seen.what is What.NOTHING and (path := look.spelled(target, path)) != entry.path:
            seen = look.found(target, path)
        places.append((here, target, path, seen))
        if seen.what in (What.FILE, What.NOTHING):
            live[here] = seen.sha256 if seen.what is What.FILE else None
        if line.device != device:
            break  # the first place that can take it
    places.sort(key=lambda place: place[3].what is What.NOTHING)
    for here, target, path, seen in places:
        return Stands(target, path, here, seen, live)
    line, (missing, entry) = next(iter(at.items()))
    own = line if line.device == device else Line(device, line.volume, line.path)
    return Stands(missing, entry.path, own, NOTHING, live)
