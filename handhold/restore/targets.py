"""Where each home of a snapshot goes on the device at hand.

In this order: where ``--home`` says; on a volume that ``--to`` puts elsewhere, as the layout finds the home
there, or else at the path that the snapshot recorded; on the device itself, as the layout finds the home now;
on the snapshot's own device also at the recorded path, which is made. On another device a home that is not
there yet is a step by hand: an emulator makes its folder itself when it is first started.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from handhold.archive.standing import ELSEWHERE
from handhold.device.homes import find_homes
from handhold.device.volumes import open_device, traits_of
from handhold.errors import WrongInput
from handhold.layouts.layout import Layout
from handhold.model import Device, HomeKind, Site, Volume
from handhold.names import trouble_with, written
from handhold.restore.found import NoTarget, Target

#: (emulator, home) as the snapshot has it
HomeKey = tuple[str, str]


@dataclass(frozen=True, slots=True)
class HomeOption:
    """One ``--home``; ``home`` is None where it means the emulator's only one."""

    emulator: str
    home: str | None
    path: str


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What the owner said about places: ``--to`` by volume name, and ``--home``."""

    to: Mapping[str, str] = field(default_factory=dict)
    homes: tuple[HomeOption, ...] = ()


def home_option(text: str) -> HomeOption:
    """Reads ``EMULATOR=PATH`` or ``EMULATOR:HOME=PATH``.

    >>> home_option("tinplate:main=/mnt/card/Tinplate")
    HomeOption(emulator='tinplate', home='main', path='/mnt/card/Tinplate')
    """
    name, equals, path = text.partition("=")
    emulator, colon, home = name.partition(":")
    if not equals or not path or not emulator or (colon and not home):
        raise WrongInput(
            f'"{written(text)}" does not say where a home lies.',
            "Write --home EMULATOR=PATH, or --home EMULATOR:HOME=PATH.",
        )
    return HomeOption(emulator, home or None, os.path.abspath(os.path.expanduser(path)))


def resolve(
    device: Device,
    layouts: Sequence[Layout],
    recorded: Sequence[Site],
    needed: Collection[HomeKey],
    *,
    own: bool,
    elsewhere: Elsewhere | None = None,
) -> dict[HomeKey, Target | NoTarget]:
    """The target of each home that is needed.

    ``recorded`` are the snapshot's sites, ``own`` says that it was taken of this very device. Raises
    ``WrongInput`` for a ``--to`` or ``--home`` that cannot be.
    """
    elsewhere = elsewhere or Elsewhere()
    known = {layout.id for layout in layouts}
    at_home = _Lie(device, layouts)
    moved = _Lie(open_device(device.name, elsewhere.to), layouts) if elsewhere.to else None
    sites = {(site.emulator, site.home): site for site in recorded}
    named = _named(elsewhere.homes, needed)
    targets: dict[HomeKey, Target | NoTarget] = {}
    for key in sorted(needed):
        site = sites.get(key)
        here = at_home.find(key, site)
        if here is None and own:
            here = at_home.recorded(key, site)
        there = moved.find(key, site) or moved.recorded(key, site) if moved else None
        # What lies on a volume that --to does not speak of stays there.
        stays = here is not None and not ({here.site.volume, site.volume if site else ""} & set(elsewhere.to))
        if path := named.get(key):
            targets[key] = _at(key, site, path, here)
        elif here is not None and stays:
            targets[key] = here
        elif there is not None:
            targets[key] = _elsewhere(there, here)
        else:
            targets[key] = _missing(key, site, at_home, own, key[0] in known)
    return targets


def _named(options: Iterable[HomeOption], needed: Collection[HomeKey]) -> dict[HomeKey, str]:
    named: dict[HomeKey, str] = {}
    for option in options:
        homes = sorted(home for emulator, home in needed if emulator == option.emulator)
        if not homes:
            continue  # nothing of it is restored
        if option.home is None and len(homes) > 1:
            raise WrongInput(
                f"{option.emulator} has more than one home in that snapshot: {', '.join(homes)}.",
                f"Say which: --home {option.emulator}:{homes[0]}=PATH",
            )
        home = option.home or homes[0]
        if home not in homes:
            raise WrongInput(
                f'{option.emulator} has no home "{home}" in that snapshot.', f"There is: {', '.join(homes)}."
            )
        named[option.emulator, home] = option.path
    return named


class _Lie:
    """Where homes lie on a device, as its layouts find them."""

    def __init__(self, device: Device, layouts: Sequence[Layout]) -> None:
        self.device = device
        homes = find_homes(device, layouts)
        self.blocked = homes.blocked
        self.sites: dict[str, list[Site]] = {}
        for site in homes.sites:
            self.sites.setdefault(site.emulator, []).append(site)

    def find(self, key: HomeKey, recorded: Site | None) -> Target | None:
        """Where the layout finds the home: by its name, or else the same home on another volume."""
        found = self.sites.get(key[0], [])
        base = key[1].partition("@")[0]
        fitting = [site for site in found if site.home == key[1]] or [
            site for site in found if site.home.partition("@")[0] == base
        ]
        if not fitting:
            return None
        same = [site for site in fitting if recorded and site.volume == recorded.volume]
        site = (same or fitting)[0]
        volume = self.device.volume(site.volume)
        assert volume is not None
        return _target(volume, site)

    def recorded(self, key: HomeKey, recorded: Site | None) -> Target | None:
        """The path that the snapshot recorded, on the volume of that name; it need not be there yet."""
        if recorded is None or recorded.kind is HomeKind.PRIVATE or recorded.volume == ELSEWHERE:
            return None
        volume = self.device.volume(recorded.volume)
        if volume is None or (recorded.path and trouble_with(recorded.path)):
            return None
        return _target(volume, Site(key[0], key[1], recorded.kind, volume.name, recorded.path))


def _target(volume: Volume, site: Site) -> Target:
    base = os.path.realpath(volume.path)
    return Target(
        site=site,
        base=base,
        below=site.path,
        traits=volume.traits,
        storage=_storage(base),
        read_only=_read_only(base),
    )


def _elsewhere(there: Target, here: Target | None) -> Target:
    """A target that an option named: the device's own place only if it is the very same one."""
    if here is not None and _whole(there) == _whole(here):
        return here
    path = _whole(there).lstrip("/")
    site = there.site
    return Target(
        site=Site(site.emulator, site.home, site.kind, ELSEWHERE, path),
        base=there.base,
        below=there.below,
        traits=there.traits,
        storage=there.storage,
        read_only=there.read_only,
    )


def _at(key: HomeKey, site: Site | None, path: str, here: Target | None) -> Target:
    """Where ``--home`` says; its last folder is made if need be."""
    base, below = os.path.realpath(path), ""
    if not os.path.isdir(base):
        parent, name = os.path.split(base)
        if os.path.lexists(base) or not os.path.isdir(parent):
            raise WrongInput(
                f"{written(path)} cannot be a home of {key[0]}: "
                + ("it is no folder." if os.path.lexists(base) else "the folder around it is not there."),
                "Name a folder that is there: --home EMULATOR=PATH",
            )
        base, below = parent, written(name)
    kind = site.kind if site else HomeKind.FOLDER
    home = here.site.home if here else key[1]
    there = Target(
        site=Site(key[0], home, kind, "", ""),
        base=base,
        below=below,
        traits=traits_of(base),
        storage=_storage(base),
        read_only=_read_only(base),
    )
    return _elsewhere(there, here)


def _missing(key: HomeKey, site: Site | None, lie: _Lie, own: bool, known: bool) -> NoTarget:
    emulator = key[0]
    named = f"or say where it goes: --home {emulator}=PATH"
    if not known:
        return NoTarget(f"no layout says where {emulator} keeps its data; add one, {named}")
    if emulator in lie.blocked:
        return NoTarget(
            f"the folder of {emulator} cannot be reached here; use the emulator's own import, {named}"
        )
    if own and site is not None and lie.device.volume(site.volume) is None:
        return NoTarget(
            f'the volume "{site.volume}" is not there; put the card in and run this again, {named}'
        )
    return NoTarget(f"{emulator} is not there yet: install it, start it once, then run this again, {named}")


def _whole(target: Target) -> str:
    return f"{written(target.base).rstrip('/')}/{target.below}".rstrip("/")


def _storage(path: str) -> str:
    return str(os.stat(path).st_dev)


def _read_only(path: str) -> bool:
    return bool(os.statvfs(path).f_flag & os.ST_RDONLY)
