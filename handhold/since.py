"""What became of what the last nights held: told by holding what stands on the device now against them."""

from __future__ import annotations

import os
from collections.abc import Collection, Container, Iterable, Mapping, Sequence
from typing import NamedTuple

from handhold.archive.archive import Archive
from handhold.archive.listed import Key, Listed
from handhold.archive.writer import TOOL
from handhold.blank import blank
from handhold.changes import Suspicious, dropped
from handhold.device.claims import Claim
from handhold.device.exports import Older
from handhold.device.standing import Before
from handhold.errors import OwnerError
from handhold.layouts.layout import Layout
from handhold.model import Device, Entry, Gap, Part, Site
from handhold.names import native
from handhold.nights import Held, Lay, Night, backwards, last_held


class Gone(NamedTuple):
    """An emulator that the last night held and this one does not, and why, in words behind its name."""

    emulator: str
    why: str


class Renamed(NamedTuple):
    """An emulator whose files are kept under another id from now on; its history stays under the old one."""

    old: str
    new: str
    files: int


class KeptBefore:
    """What was kept as saves and states when it was last seen, by volume and path."""

    def __init__(self, nights: Sequence[Night]) -> None:
        self._lay = [(Lay(night.listed, night.sites), night.tool == TOOL) for night in nights]

    def __call__(self, volume: str, path: str) -> Before | None:
        """As what the file was kept, None if it was not."""
        for lay, as_now in self._lay:
            if (entry := lay.at(volume, path, (Part.SAVES, Part.STATES))) is not None:
                return Before(entry.part, entry.game, (entry.size, entry.modified) if as_now else None)
        return None


def moved_since(claims: Iterable[Claim], before: Listed, sites: Iterable[Site]) -> dict[Key, Entry]:
    """The last night's entries that lay where a claim lies that has another key now, by that key. Pure.

    So it is when a layout was written for what had been recognised until then: the files are the same ones.
    """
    if not before:
        return {}
    missing = [claim for claim in claims if (claim.site.emulator, claim.site.home, claim.path) not in before]
    if not missing:
        return {}
    lay = Lay(before, sites)
    found = ((claim, lay.at(claim.site.volume, claim.volume_path)) for claim in missing)
    return {
        (claim.site.emulator, claim.site.home, claim.path): entry
        for claim, entry in found
        if entry is not None
    }


def renamed_since(moved: Mapping[Key, Entry]) -> list[Renamed]:
    """Which emulators' files are kept under another id now."""
    counts: dict[tuple[str, str], int] = {}
    for (emulator, _, _), entry in moved.items():
        if entry.emulator != emulator:
            counts[entry.emulator, emulator] = counts.get((entry.emulator, emulator), 0) + 1
    return [Renamed(old, new, files) for (old, new), files in sorted(counts.items())]


def emptied_since(
    archive: Archive,
    device: str,
    nights: Sequence[Night],
    moved: Mapping[Key, Entry],
    entries: Iterable[Entry],
) -> tuple[Suspicious, ...]:
    """The saves that hold nothing now and held something once, each with the last night that has it.

    What a night knew as emptied and is as it was then stays so; what never held anything is no news.
    """

    if not nights:
        return ()

    def last(key: Key) -> tuple[Entry, Night] | None:
        if key in moved:
            return moved[key], nights[0]
        stood = ((night.listed.get(key), night) for night in nights)
        return next(((entry, night) for entry, night in stood if entry is not None), None)

    found: list[Suspicious] = []
    gone: list[tuple[int, Key]] = []  # whose last good night is not there any more
    there = {one.name for one in archive.snapshots()}
    for entry in entries:
        if entry.part is not Part.SAVES or (known := last(entry.key)) is None:
            continue
        old, night = known
        good = night.emptied.get(old.key)
        if good is None:
            if old.sha256 == entry.sha256 or blank(old):
                continue
            good = night.name
        if not (what := blank(entry)):
            continue
        if good and good not in there:
            gone.append((len(found), old.key))
        found.append(Suspicious(entry.emulator, entry.part, entry.game, entry.path, what, good, entry.home))
    if gone:
        others = _last_good(archive, device, {key for _, key in gone})
        for at, key in gone:
            found[at] = found[at]._replace(last_good=others.get(key, ""))
    return tuple(sorted(found, key=lambda one: (one.emulator, one.home, one.path)))


def _last_good(archive: Archive, device: str, keys: Collection[Key]) -> dict[Key, str]:
    """For each of these files the last night that is there and in which it held something."""
    found: dict[Key, str] = {}
    looked_into: set[str] = set()
    for manifest in backwards(archive, device):
        for page in manifest.pages:
            if page.id in looked_into:
                continue
            looked_into.add(page.id)
            try:
                entries = archive.page(page.id)
            except OwnerError:
                continue
            for entry in entries:
                if entry.key in keys and entry.key not in found and not blank(entry):
                    found[entry.key] = manifest.snapshot.name
        if len(found) == len(keys):
            break
    return found


def missing_from(entries: Iterable[Entry], *kept: Container[Key]) -> list[Entry]:
    """Those of some entries of earlier nights that are not ``kept`` any more, told by their places."""
    return [entry for entry in entries if not any(entry.key in some for some in kept)]


def dropped_since(
    device: Device,
    prior: Night,
    missing: Iterable[Entry],
    gaps: Iterable[Gap],
    parts: frozenset[Part],
    older: Iterable[Older],
    recognise: bool,
) -> list[tuple[Entry, bool]]:
    """What a night held and is ``missing`` in this one, each with whether a file stands at its place.

    Only of the ``parts`` that are kept; without ``recognise`` only what a layout named.
    """
    roots = {volume.name: volume.path for volume in device.volumes}
    left_out = {(one.volume, one.path) for one in older}
    return [
        (entry, os.path.lexists(os.path.join(roots[volume], native(path))))
        for entry, volume, path in dropped(missing, prior.sites, gaps)
        if entry.part in parts
        and volume in roots
        and (volume, path) not in left_out
        and (recognise or entry.emulator in prior.layouts)
    ]


def no_longer_recognised(prior: Night, missing: Iterable[Entry], parts: frozenset[Part]) -> dict[str, int]:
    """By emulator the ``missing`` files that the last night kept though no layout named them."""
    counts: dict[str, int] = {}
    for entry in missing:
        if entry.emulator not in prior.layouts and entry.part in parts:
            counts[entry.emulator] = counts.get(entry.emulator, 0) + 1
    return counts


def gone_since(
    device: Device,
    prior: Night,
    kept: Iterable[str],
    gaps: Iterable[Gap],
    layouts: Iterable[Layout],
    went: Iterable[tuple[Entry, bool]],
) -> tuple[Gone, ...]:
    """The emulators of which nothing is kept any more, though no gap says why; ``kept`` are tonight's."""
    told = {gap.emulator for gap in gaps}
    names = {entry.emulator for entry, _ in went}.difference(kept) - told
    known = {layout.id for layout in layouts}
    roots = {volume.name: volume.path for volume in device.volumes}
    standing = {
        site.emulator
        for site in prior.sites
        if site.emulator in names
        and site.volume in roots
        and os.path.isdir(os.path.join(roots[site.volume], native(site.path)))
    }
    return tuple(
        Gone(name, _why_gone(name in known or name not in prior.layouts, name in standing))
        for name in sorted(names)
    )


def volumes_left(device: Device, prior: Night) -> dict[str, int]:
    """The volumes that the last night kept files of and that are none of the device's now, with how many."""
    named = {volume.name for volume in device.volumes} | {gap.volume for gap in device.missing}
    homes = {(site.emulator, site.home): site.volume for site in prior.sites if site.volume not in named}
    counts: dict[str, int] = {}
    for entry in prior.listed.entries() if homes else ():
        if volume := homes.get((entry.emulator, entry.home)):
            counts[volume] = counts.get(volume, 0) + 1
    return dict(sorted(counts.items()))


def _why_gone(has_layout: bool, has_folder: bool) -> str:
    if not has_layout:
        return "no layout speaks of it any more" + ("" if has_folder else ", and its folder is gone")
    return (
        "nothing that is kept is in its folder now" if has_folder else "its folder is not on the device now"
    )


def with_cards(archive: Archive, device: Device, gaps: Iterable[Gap]) -> list[Gap]:
    """The gaps, with one for each volume that is empty or missing and once held something: a card is out.

    It is told every night until the volume is there again, or the owner has taken it out of the config.
    """
    missing = {gap.volume for gap in device.missing}
    empty = [volume.name for volume in device.volumes if not _anything_in(volume.path)]
    held = last_held(archive, device.name, [*missing, *empty])
    told = []
    for gap in gaps:
        last = held.get(gap.volume) if gap in device.missing else None
        told.append(gap if last is None else _card_out(gap.volume, "it is not there", last))
    return told + [_card_out(name, "it is empty", held[name]) for name in empty if name in held]


def _card_out(volume: str, what: str, last: Held) -> Gap:
    files = f"{last.files:,} kept file{'s' if last.files != 1 else ''}"
    return Gap(volume, "", f"{what}, and held {files} on {last.on}; is the card in?", None, _CARD_IN)


_CARD_IN = (
    "Put it in and take the snapshot again; the earlier nights keep what was on it. If it is gone for good, "
    "take it out of the config."
)


def _anything_in(folder: str) -> bool:
    try:
        with os.scandir(folder) as items:
            return next(items, None) is not None
    except OSError:
        return True  # the walk has said so already
