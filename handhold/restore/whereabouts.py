"""Where saves of any device stand on the device at hand, or would go there, and what stands there now."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from handhold.archive.standing import Line, line_of
from handhold.archive.timeline import Moment
from handhold.layouts.layout import Layout
from handhold.model import Device, Identity, Site
from handhold.restore.found import NOTHING, Found, NoTarget, Target, What
from handhold.restore.look import Look
from handhold.restore.lying import HomeKey
from handhold.restore.targets import names_apart, resolve

#: What is known of one file: its changes at each place of each device.
Known = Mapping[Line, Sequence[Moment]]


@dataclass(frozen=True, slots=True)
class Stands:
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
    path: str


def whereabouts(
    device: Device,
    layouts: Sequence[Layout],
    known: Mapping[Identity, Known],
    *,
    owners: Collection[str],
    out: Mapping[str, str],
    progress: Callable[[int, int], None] | None = None,
) -> dict[Identity, Stands]:
    """Where each file stands or goes here. It goes where this device itself has or had it, if it ever did.

    ``owners`` and ``out`` as ``resolve`` has them. ``progress`` is told the files looked at and their number.
    """
    wanted = {identity: _homes(device.name, lines) for identity, lines in known.items()}
    homes = dict.fromkeys(at.home for each in wanted.values() for at in each.values())
    targets = _targets(device, layouts, homes, owners, out)
    found: dict[Identity, Stands] = {}
    with Look() as look:
        for done, (identity, each) in enumerate(wanted.items(), start=1):
            at = {line: (targets[one.home], one.path) for line, one in each.items()}
            found[identity] = _stands(look, device.name, at, known[identity])
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
        line: _At(
            _Home(line.device, (moment.entry.emulator, moment.entry.home), moment.site), moment.entry.path
        )
        for line, moment in sorted(last.items(), key=lambda item: -item[1].snapshot.sequence)
        if moment.entry is not None
    }


def _targets(
    device: Device,
    layouts: Sequence[Layout],
    homes: Iterable[_Home],
    owners: Collection[str],
    out: Mapping[str, str],
) -> dict[_Home, Target | NoTarget]:
    rounds: dict[tuple[str, int], dict[HomeKey, _Home]] = {}
    for home in homes:
        number = 0  # one name can mean another place in another night; each meaning is resolved by itself
        while home.key in rounds.setdefault((home.device, number), {}):
            number += 1
        rounds[home.device, number][home.key] = home
    found: list[tuple[_Home, Target | NoTarget]] = []
    for (owner, _), by_key in rounds.items():
        resolved = resolve(
            device,
            layouts,
            [home.site for home in by_key.values() if home.site is not None],
            by_key.keys(),
            own=owner == device.name,
            owners=owners,
            out=out,
        )
        found += [(home, resolved[key]) for key, home in by_key.items()]
    apart = names_apart({(home.key[0], str(at)): target for at, (home, target) in enumerate(found)})
    return dict(zip((home for home, _ in found), apart.values(), strict=True))


def _stands(
    look: Look, device: str, at: Mapping[Line, tuple[Target | NoTarget, str]], lines: Known
) -> Stands:
    live: dict[Line, str | None] = {}
    places: list[tuple[Line, Target, str, Found]] = []
    for line, (target, path) in at.items():
        if isinstance(target, NoTarget):
            continue
        here = line_of(device, target.site.home, target.site)
        if line.device == device and here not in lines:
            here = line  # its owner moved the home; its history goes on
        if any(here == other for other, _, _, _ in places):
            continue
        seen = look.found(target, path)
        places.append((here, target, path, seen))
        if seen.what in (What.FILE, What.NOTHING):
            live[here] = seen.sha256 if seen.what is What.FILE else None
        if line.device != device:
            break  # the first place that can take it
    places.sort(key=lambda place: place[3].what is What.NOTHING)
    for here, target, path, seen in places:
        return Stands(target, path, here, seen, live)
    line, (missing, path) = next(iter(at.items()))
    own = line if line.device == device else Line(device, line.volume, line.path)
    return Stands(missing, path, own, NOTHING, live)
