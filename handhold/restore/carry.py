"""Brings the newest progress of each save, from all devices in the archive, to the device at hand.

Which is newest comes from what stood where (``newest``), never from a clock. What stays the same as in a
restore is done by the same means: targets, room, names, the safety snapshot, the record, undo.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime

import msgspec
from msgspec.structs import replace

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot
from handhold.archive.standing import ELSEWHERE, Line
from handhold.archive.timeline import Moment, timelines
from handhold.errors import UnknownName, WrongInput
from handhold.layouts.layout import Layout
from handhold.model import Clock, Device, HomeKind, Identity, Part, nanoseconds
from handhold.restore.apply import Applied, apply
from handhold.restore.asnow import as_now
from handhold.restore.athand import forms_of, layouts_of_nights
from handhold.restore.byhand import ByHand, by_hand
from handhold.restore.cards import cards_out
from handhold.restore.cases import Case, Save, game_of, latest_entry
from handhold.restore.found import NoTarget, Target
from handhold.restore.lying import HomeKey
from handhold.restore.oneplace import one_place
from handhold.restore.plan import running, settled
from handhold.restore.prepare import archive_trouble, rooms_of
from handhold.restore.rewritten import Originals
from handhold.restore.select import Selection, choose
from handhold.restore.steps import Action, Plan, Scene, Source, Step
from handhold.restore.targets import Elsewhere, names_apart
from handhold.restore.together import hold_together, whole_or_none
from handhold.restore.units import Unit, units_of
from handhold.restore.whereabouts import Known, whereabouts


class Carry(msgspec.Struct, frozen=True):
    """A plan to carry, and what the owner should know. ``saves`` and the plan's steps belong together."""

    plan: Plan
    saves: tuple[Save, ...]
    by_hand: tuple[ByHand, ...]
    running: tuple[str, ...]
    hurt: tuple[str, ...]  # snapshots that could not be read
    last: Mapping[str, datetime]  # of each device: its last night, or else what the archive has of it
    sources: tuple[str, ...]  # the devices from which something is written
    unseen: int  # saves that alone are newest here and that no snapshot holds yet
    layouts: Mapping[str, Layout] = {}  # the owner's, or those of the last nights
    unrecorded: str = ""  # why the archive cannot record it, so that it cannot be undone


def prepare_carry(
    archive: Archive,
    device: Device,
    layouts: Mapping[str, Layout],
    *,
    clock: Clock,
    selection: Selection | None = None,
    take: str | None = None,
    elsewhere: Elsewhere | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Carry:
    """Plans to bring the newest of each save to the device at hand; nothing is written.

    Only saves, unless the ``selection`` asks for parts; states come along with a save that comes from the
    same device. ``take`` is the device whose version the owner chose for every fork that is selected, and
    for what was removed here. Raises ``UnknownName`` and ``WrongInput`` for what the archive does not know.
    """
    selection = selection or Selection()
    nights = {night.device: night for night in archive.nights()}
    last = {one.device: one.taken for one in archive.told_apart()} | {
        n: one.taken for n, one in nights.items()
    }
    if take is not None and take not in {*last, device.name}:
        raise UnknownName("device", take, sorted({*last, device.name}))
    parts = selection.parts or (Part.SAVES, Part.STATES)
    at_hand = layouts_of_nights(archive, nights, layouts)
    past = timelines(archive, parts, forms=forms_of(at_hand), read_as=as_now(layouts))
    units = units_of(latest_entry(each) for i, each in past.lines.items() if i[1] is Part.SAVES)
    known = _selected(past.lines, selection, units)
    exported = _exported(known, device.name)
    known = {identity: lines for identity, lines in known.items() if identity not in exported}
    out = cards_out(archive, device, _volumes(known) | {volume.name for volume in device.volumes})

    originals = Originals(archive)

    def decided(among: Mapping[Identity, Known]) -> list[Case]:
        stands = whereabouts(
            device, at_hand, among, owners=layouts.keys(), out=out, elsewhere=elsewhere, progress=progress
        )
        among, stands = one_place(among, stands)
        cases = [
            Case(device.name, identity, *originals.read(identity, lines, stands[identity]))
            for identity, lines in among.items()
        ]
        return [case for case in cases if case.verdict.newest]

    asked = selection.parts or (Part.SAVES,)
    cases = decided({identity: lines for identity, lines in known.items() if identity[1] in asked})
    hold_together(cases, units)
    steps = {case.identity: case.step(archive, take) for case in cases}
    if not selection.parts:
        coming = _coming(cases, steps)
        states = {i: lines for i, lines in known.items() if i[1] is Part.STATES and game_of(lines) in coming}
        for case in decided(states):
            step = case.step(archive, take)
            if case.comes_along and case.holders(step.entry.sha256) & coming[game_of(case.lines)]:
                cases.append(case)
                steps[case.identity] = step
    cases.sort(key=lambda case: case.order)
    written = [case for case in cases if steps[case.identity].action is Action.WRITE]
    now = clock()
    rooms, archive_room, archive_storage = rooms_of(
        archive, {(case.identity[0], str(at)): case.stands.target for at, case in enumerate(written)}
    )
    source = _source(
        archive, [one for case in written for one in case.came_from(steps[case.identity].entry.sha256)], now
    )
    scene = Scene(
        device=device.name,
        source=source,
        now=nanoseconds(now),
        rooms=rooms,
        archive_room=archive_room,
        archive_storage=archive_storage,
        archive_trouble=archive_trouble(archive),
    )
    plan = settled(_apart([steps[case.identity] for case in cases]), scene)
    plan = replace(plan, steps=tuple(whole_or_none(cases, plan.steps, units)))
    sources = {
        case.version_of(step.entry.sha256).device
        for case, step in zip(cases, plan.steps, strict=True)
        if step.action is Action.WRITE
    }
    return Carry(
        plan=plan,
        saves=tuple(case.save(take) for case in cases),
        by_hand=(*by_hand(plan.steps, at_hand, moving=False), *_by_hand(plan.steps, exported)),
        running=tuple(running(plan.steps, nanoseconds(now))),
        hurt=tuple(dict.fromkeys(past.unreadable)),
        last=last,
        sources=tuple(sorted(sources)),
        unseen=sum(1 for case in cases if case.unseen),
        layouts=at_hand,
        unrecorded=scene.archive_trouble,
    )


def carry(
    archive: Archive,
    device: Device,
    prepared: Carry,
    *,
    clock: Clock,
    progress: Callable[[int, int], None] | None = None,
) -> Applied:
    """Carries the plan out; see ``apply`` for what it promises and raises."""
    note = f"carried from {', '.join(prepared.sources)}" if prepared.sources else ""
    return apply(archive, device, prepared.plan, clock=clock, note=note, progress=progress)


def _selected(
    lines: Mapping[Identity, Mapping[Line, list[Moment]]],
    selection: Selection,
    units: Mapping[Identity, Unit],
) -> dict[Identity, Known]:
    """What is asked for; of a save of several files all, where one of them is."""
    latest = {identity: latest_entry(each) for identity, each in lines.items()}
    asked = Selection(selection.emulators, (), selection.games)
    picked = choose(latest.values(), asked, where="archive").entries if latest or not asked.everything else []
    wanted = {entry.key for entry in picked}
    asked_for = {identity for identity in lines if latest[identity].key in wanted}
    whole = {units[identity] for identity in asked_for if identity in units}
    return {i: each for i, each in lines.items() if i in asked_for or units.get(i) in whole}


def _exported(known: Mapping[Identity, Known], device: str) -> dict[Identity, set[str]]:
    """What an emulator exported, with the other devices that have it: only its own import takes it in."""
    return {
        identity: {line.device for line in lines} - {device}
        for identity, lines in known.items()
        if any(m.site and m.site.kind is HomeKind.EXPORT for each in lines.values() for m in each)
    }


def _volumes(known: Mapping[Identity, Known]) -> set[str]:
    return {line.volume for lines in known.values() for line in lines} - {ELSEWHERE}


def _coming(cases: Iterable[Case], steps: Mapping[Identity, Step]) -> dict[tuple[str, str], set[str]]:
    """The games whose save is brought, with the devices that have what is brought."""
    coming: dict[tuple[str, str], set[str]] = {}
    for case in cases:
        step = steps[case.identity]
        if step.action is Action.WRITE:
            coming.setdefault(game_of(case.lines), set()).update(case.holders(step.entry.sha256))
    return coming


def _apart(steps: Sequence[Step]) -> list[Step]:
    """No two places of one emulator have the same name in what records the carry."""
    targets: dict[HomeKey, Target | NoTarget] = {
        (step.entry.emulator, str(at)): step.target
        for at, step in enumerate(steps)
        if step.target is not None
    }
    apart = names_apart(targets)
    found = [apart.get((step.entry.emulator, str(at))) for at, step in enumerate(steps)]
    return [
        replace(step, target=target) if isinstance(target, Target) else step
        for step, target in zip(steps, found, strict=True)
    ]


def _source(archive: Archive, drawn: Iterable[Snapshot], now: datetime) -> Source:
    """The newest snapshot that something comes from; the latest of all if nothing does."""
    every = [*drawn] or archive.nights()
    if not every:
        raise WrongInput(
            "The archive holds no snapshot yet, so there is nothing to carry.",
            "Take one on each device: handhold snapshot",
        )
    newest = max(every, key=lambda one: one.sequence)
    return Source(newest.name, newest.device, newest.taken.date(), nanoseconds(now))


def _by_hand(steps: Iterable[Step], exported: Mapping[Identity, set[str]]) -> list[ByHand]:
    hands = []
    others: dict[str, set[str]] = {}
    for (emulator, _, _), devices in exported.items():
        others.setdefault(emulator, set()).update(devices)
    for emulator, devices in sorted(others.items()):
        hands += [
            ByHand(
                emulator,
                "after",
                "It exports its saves itself, so nothing tells which are newest: "
                f"handhold restore {name} --emulator {emulator} brings its exports, to import inside it.",
            )
            for name in sorted(devices)
        ]
    states = {s.entry.emulator for s in steps if s.entry.part is Part.STATES and s.action is Action.WRITE}
    hands += [
        ByHand(
            emulator,
            "after",
            "A save state may not load in another version of the emulator; "
            "if it does not, load the game's own save.",
        )
        for emulator in sorted(states)
    ]
    return hands
