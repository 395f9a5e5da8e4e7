"""Where each home of a snapshot goes on the device at hand.

In this order: where ``--home`` says; on a volume that ``--to`` puts elsewhere, as the layout finds the home
there, or else at the path that the snapshot recorded; on the device itself.

On the snapshot's own device the volume on which the home lay is asked first, whatever the home is called
now: the layout's place, then the recorded one. Only if neither is there, the same home on another volume: its
owner has moved it. Where nothing is found the recorded path is made. A volume that is not there, or whose
card is out, leaves a step by hand.

The home of an emulator that no layout speaks of goes to the recorded path, or to a folder of the same name.

On another device the layout says where the home lies. One that is not there yet is a step by hand: an
emulator makes its folder itself when it is first started.

An archive can come from a stranger. So a place that nobody but the archive names is neither a volume's root
nor hidden, unless the owner names it with ``--home``.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Mapping, Sequence
from functools import cached_property
from typing import TYPE_CHECKING

import msgspec
from msgspec.structs import replace

from handhold.archive.standing import ELSEWHERE
from handhold.device.volumes import open_device, traits_of
from handhold.errors import UnknownName, WrongInput
from handhold.layouts.layout import Layout
from handhold.model import Device, HomeKind, Site
from handhold.names import native, written
from handhold.restore.cards import is_empty
from handhold.restore.found import NoTarget, Target
from handhold.restore.lying import HomeKey, Lie, is_read_only, spoken, storage_of

if TYPE_CHECKING:
    from handhold.restore.recognised import Recognised


class HomeOption(msgspec.Struct, frozen=True):
    """One ``--home``; ``home`` is None where it means the emulator's only one."""

    emulator: str
    home: str | None
    path: str


class Elsewhere(msgspec.Struct, frozen=True):
    """What the owner said about places: ``--to`` by volume name, and ``--home``."""

    to: Mapping[str, str] = {}
    homes: tuple[HomeOption, ...] = ()
    forms: Mapping[str, str] = {}  # by emulator: the home that its saves go into


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


def form_option(text: str) -> tuple[str, str]:
    """Reads ``EMULATOR=HOME``.

    >>> form_option("doorstep=folder")
    ('doorstep', 'folder')
    """
    emulator, equals, home = text.partition("=")
    if not equals or not home or not emulator:
        raise WrongInput(
            f'"{written(text)}" does not say which form.',
            "Write --form EMULATOR=HOME: --form doorstep=folder",
        )
    return emulator, home


def resolve(
    device: Device,
    layouts: Sequence[Layout],
    recorded: Sequence[Site],
    needed: Collection[HomeKey],
    *,
    own: bool,
    elsewhere: Elsewhere | None = None,
    every: Collection[HomeKey] | None = None,
    volumes: Collection[str] | None = None,
    owners: Collection[str] | None = None,
    out: Mapping[str, str] | None = None,
    other_forms: bool = False,
) -> dict[HomeKey, Target | NoTarget]:
    """The target of each home that is needed.

    ``recorded`` are the snapshot's sites, ``own`` says that it was taken of this very device. ``every`` home
    and the ``volumes`` of the snapshot can be named in options. ``owners`` are the emulators whose layout is
    the owner's and not the archive's (all, if not given). ``out`` are the volumes whose card seems to be out,
    with why. With ``other_forms`` a home that is not there can go into its other form; the caller then gives
    each file its path there (see ``forms``). Raises ``WrongInput`` for an option that cannot be.
    """
    elsewhere = elsewhere or Elsewhere()
    _check_to(elsewhere.to, volumes)
    every = needed if every is None else every
    named = _named(elsewhere.homes, needed, every)
    _check_forms(elsewhere.forms, layouts, every)
    resolver = _Resolver(device, layouts, recorded, own, elsewhere, out or {}, owners)
    targets: dict[HomeKey, Target | NoTarget] = {}
    for key in sorted(needed):
        path = named.get(key)
        target = resolver.target(key, any_form=other_forms and path is None)
        if path:
            target = _at(key, resolver.form_asked(key) or resolver.sites.get(key), path, target)
        targets[key] = target
    return names_apart(targets)


def _check_to(to: Mapping[str, str], volumes: Collection[str] | None) -> None:
    for name, path in to.items():
        if volumes is not None and name not in volumes:
            raise UnknownName("volume in that snapshot", name, sorted(volumes), "--to takes one of those.")
        if not os.path.isdir(path):
            trouble = "that is no folder" if os.path.lexists(path) else "that folder does not exist"
            raise WrongInput(
                f"--to {name}={written(path)}: {trouble}.", "Make the folder first, or name another one."
            )


def _check_forms(forms: Mapping[str, str], layouts: Sequence[Layout], every: Collection[HomeKey]) -> None:
    of = {layout.id: layout.forms for layout in layouts}
    for emulator, home in forms.items():
        known = {one for one, _ in every}
        if emulator not in known:
            raise UnknownName("emulator", emulator, sorted(known), "--form takes one of that snapshot.")
        has = of.get(emulator)
        if has is None and emulator in of:
            raise WrongInput(
                f"{emulator} has no two forms: its layout does not say that two homes hold the same saves.",
                "Leave --form out, or write forms: [HOME, HOME] into its layout.",
            )
        if has is not None and home not in has:
            raise UnknownName(f"form of {emulator}", home, list(has))


def _named(
    options: Iterable[HomeOption], needed: Collection[HomeKey], every: Collection[HomeKey]
) -> dict[HomeKey, str]:
    named: dict[HomeKey, str] = {}
    for option in options:
        if option.emulator not in {emulator for emulator, _ in every}:
            known = sorted({emulator for emulator, _ in every})
            raise UnknownName("emulator", option.emulator, known, "--home takes one of that snapshot.")
        homes = sorted(home for emulator, home in every if emulator == option.emulator)
        if option.home is None and len(homes) > 1:
            raise WrongInput(
                f"{option.emulator} has more than one home in that snapshot: {', '.join(homes)}.",
                f"Say which: --home {option.emulator}:{homes[0]}=PATH",
            )
        home = option.home or homes[0]
        if home not in homes:
            raise WrongInput(
                f'{option.emulator} has no home "{written(home)}" in that snapshot.',
                f"There is: {', '.join(homes)}.",
            )
        if (option.emulator, home) in needed:  # else nothing of it is restored
            named[option.emulator, home] = option.path
    return named


def _is_found(home: str) -> bool:
    from handhold.device.recognising import is_found

    return is_found(home)


class _Resolver:
    """Finds the target of one home after the other."""

    def __init__(
        self,
        device: Device,
        layouts: Sequence[Layout],
        recorded: Sequence[Site],
        own: bool,
        elsewhere: Elsewhere,
        out: Mapping[str, str],
        owners: Collection[str] | None,
    ) -> None:
        to = elsewhere.to
        self.forms = elsewhere.forms
        self.device = device
        self.own = own
        self.to = to
        self.out = {name: why for name, why in out.items() if name not in to}
        self.layouts = {layout.id: layout for layout in layouts}
        self.owners = self.layouts.keys() if owners is None else owners
        self.sites = {(site.emulator, site.home): site for site in recorded}
        self.recorded = {(site.emulator, site.volume, site.path) for site in recorded}
        self.lie = Lie(device, layouts)
        self.moved = Lie(open_device(device.name, to), layouts) if to else None

    @cached_property
    def recognised(self) -> Recognised:
        """Finds recognised homes; what recognises is loaded where a home is not there otherwise."""
        from handhold.restore.recognised import Recognised

        return Recognised(self.device, [*self.layouts.values()], self.lie)

    def target(self, key: HomeKey, *, any_form: bool = True) -> Target | NoTarget:
        """Where the home goes without ``--home``.

        Where it is not there and its other form is, into that one, unless ``any_form`` is False.
        """
        base = key[1].partition("@")[0]
        layout = self.layouts.get(key[0])
        other = layout.other_form(base) if layout is not None else None
        if other is None:
            return self._target(key)
        asked = self.forms.get(key[0])
        if asked == other:
            return self._other_form(key, other) or NoTarget(
                f'the home "{other}" of {key[0]} is not there yet; make its folder first, '
                f"or say where it goes: --home {key[0]}:{key[1]}=PATH"
            )
        target = self._target(key)
        if asked is None and any_form and not self.to and not self._there(key, target):
            return self._other_form(key, other) or target
        return target

    def form_asked(self, key: HomeKey) -> Site | None:
        """The home of the other form, if that was asked for; it need not lie anywhere yet."""
        layout = self.layouts.get(key[0])
        other = layout.other_form(key[1].partition("@")[0]) if layout is not None else None
        if layout is None or other is None or self.forms.get(key[0]) != other:
            return None
        home = layout.home(other)
        assert home is not None  # a layout's forms are homes of it
        return Site(key[0], other, home.kind, "", "")

    def _there(self, key: HomeKey, target: Target | NoTarget) -> bool:
        """Whether the home is there, or there is another reason why not than that nobody made it."""
        if isinstance(target, NoTarget):
            return target != self._missing(key)
        return os.path.isdir(os.path.join(target.base, native(target.below)))

    def _other_form(self, key: HomeKey, other: str) -> Target | None:
        """The home that holds the same saves in their other form, if it is there."""
        wanted = (key[0], other)
        found = self.lie.first(wanted, None, self.out)
        if found is None and self.moved is not None:
            found = self.moved.first(wanted, None)
            found = _elsewhere(found, NoTarget(""), self.device) if found is not None else None
        if found is None:
            return None
        into = "beside the games" if found.site.kind is HomeKind.GAMES else "into a folder of their own"
        believed = self._believed(key, replace(found, note=f"in their other form, {into}"))
        return believed if isinstance(believed, Target) else None

    def _target(self, key: HomeKey) -> Target | NoTarget:
        site = self.sites.get(key)
        here = self._here(key, site)
        moved = self.moved
        if moved is not None and site is not None and site.volume in self.to:
            there = moved.on(key, site.volume, site) or moved.recorded(key, site)
        elif moved is not None and isinstance(here, Target) and here.site.volume in self.to:
            there = moved.on(key, here.site.volume, site) or moved.recorded(key, here.site)
        elif moved is not None and not isinstance(here, Target) and not self.own:
            there = moved.first(key, site)
        else:
            return self._believed(key, here)
        if there is None:
            return here if isinstance(here, NoTarget) else self._missing(key)
        return self._believed(key, _elsewhere(there, here, self.device))

    def _here(self, key: HomeKey, site: Site | None) -> Target | NoTarget:
        """Where the home lies on the device itself."""
        named = f"say where it goes: --home {key[0]}=PATH"
        if site is not None and site.volume in self.out:
            return NoTarget(f"{self.out[site.volume]}; or {named}")
        if self.own and site is not None and site.volume != ELSEWHERE:
            if self.device.volume(site.volume) is None:
                return NoTarget(
                    f'the volume "{site.volume}" is not there; put the card in and run this again, '
                    f"or say where it is: --to {site.volume}=PATH"
                )
            target = self._on_its_volume(key, site)
        elif site is not None and _is_found(key[1]):
            return self.recognised.target(key, site) or self.recognised.missing(key, site)
        else:
            target = self.lie.first(key, site, self.out)
        return target or self._missing(key)

    def _on_its_volume(self, key: HomeKey, site: Site) -> Target | None:
        """On the snapshot's own device: on the volume where the home lay, or where its owner moved it."""
        others = self.recorded - {(site.emulator, site.volume, site.path)}
        if target := self.lie.on(key, site.volume, site, others):
            return target
        recorded = self.lie.recorded(key, site)
        if recorded is not None and os.path.isdir(os.path.join(recorded.base, native(recorded.below))):
            return recorded
        if moved := self.lie.first(key, site, {*self.out, site.volume}, others):
            return replace(moved, note=f"where it lies now; that night it lay at {spoken(site)}")
        if _is_found(key[1]) and isinstance(found := self.recognised.target(key, site), Target):
            return found
        return recorded

    def _believed(self, key: HomeKey, target: Target | NoTarget) -> Target | NoTarget:
        """The target, unless only the archive names it and it is no place for an emulator's data."""
        if isinstance(target, NoTarget):
            return target
        if key[0] not in self.owners:
            target = replace(target, own_layout=False)
        if target.own_layout:
            return target
        hidden = any(name.startswith(".") for name in target.below.split("/"))
        if target.below and not hidden:
            return target
        what = "a hidden folder" if hidden else "the root of a volume"
        return NoTarget(
            f"only the archive says that {key[0]} keeps its data at {spoken(target.site)}, and that is "
            f"{what}; if that is right, say so: --home {key[0]}=PATH"
        )

    def _missing(self, key: HomeKey) -> NoTarget:
        emulator = key[0]
        named = f"or say where it goes: --home {emulator}=PATH"
        if emulator not in self.layouts:
            return NoTarget(f"no layout says where {emulator} keeps its data; add one, {named}")
        if emulator in self.lie.blocked:
            return NoTarget(
                f"the folder of {emulator} cannot be reached here; use the emulator's own import, {named}"
            )
        return NoTarget(
            f"{emulator} is not there yet: install it, start it once, then run this again, {named}"
        )


def names_apart(targets: dict[HomeKey, Target | NoTarget]) -> dict[HomeKey, Target | NoTarget]:
    """Two places of one emulator never have the same name in what records the restore."""
    taken: dict[HomeKey, Site] = {}
    for key, target in targets.items():
        if isinstance(target, NoTarget):
            continue
        site, number = target.site, 1
        while taken.setdefault((site.emulator, site.home), site) != site:
            mark = target.site.volume.strip("@") + (f"@{number}" if number > 1 else "")
            site = replace(site, home=f"{target.site.home.partition('@')[0]}@{mark}")
            number += 1
        targets[key] = replace(target, site=site)
    return targets


def _elsewhere(there: Target, here: Target | NoTarget, device: Device | None = None) -> Target:
    """A target that an option named: the device's own place only if it is the very same one."""
    if isinstance(here, Target) and _whole(there) == _whole(here):
        return here
    own = device.volume(there.site.volume) if device is not None else None
    if own is not None and os.path.realpath(own.path) == there.base:
        return there  # --to names the very folder where the device has that volume
    path = _whole(there).lstrip("/")
    site = there.site
    return replace(there, site=Site(site.emulator, site.home, site.kind, ELSEWHERE, path))


def _at(key: HomeKey, site: Site | None, path: str, here: Target | NoTarget) -> Target:
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
    home = here.site.home if isinstance(here, Target) else site.home if site else key[1]
    there = Target(
        site=Site(key[0], home, kind, "", ""),
        base=base,
        below=below,
        traits=traits_of(base),
        storage=storage_of(base),
        read_only=is_read_only(base),
        filled=not is_empty(base),
    )
    return _elsewhere(there, here)


def _whole(target: Target) -> str:
    return f"{written(target.base).rstrip('/')}/{target.below}".rstrip("/")
