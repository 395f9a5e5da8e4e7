"""Brings the newest progress of each save, from all devices in the archive, to the device at hand.

Which is newest comes from what stood where (``newest``), never from a clock. What stays the same as in a
restore is done by the same means: targets, room, names, the safety snapshot, the record, undo.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

import msgspec

from handhold.archive.archive import Archive
from handhold.archive.manifest import Snapshot
from handhold.archive.standing import ELSEWHERE, Line
from handhold.archive.timeline import Moment, timelines
from handhold.errors import OwnerError, UnknownName, WrongInput
from handhold.layouts.layout import Layout
from handhold.model import Clock, Device, Entry, HomeKind, Identity, Kind, Part, nanoseconds
from handhold.restore.apply import Applied, apply
from handhold.restore.byhand import ByHand, by_hand
from handhold.restore.cards import cards_out
from handhold.restore.forms import forms_of
from handhold.restore.found import NoTarget, Target, What
from handhold.restore.newest import Course, Descent, Event, Here, Verdict, judge, together, until_now
from handhold.restore.plan import (
    NOT_HELD,
    Action,
    Decision,
    Plan,
    Scene,
    Source,
    Step,
    blocked,
    running,
    settled,
)
from handhold.restore.prepare import archive_trouble, layouts_at_hand, rooms_of
from handhold.restore.select import Selection, choose, title_of
from handhold.restore.targets import Elsewhere
from handhold.restore.units import unit_of
from handhold.restore.whereabouts import Known, Stands, whereabouts


@dataclass(frozen=True, slots=True)
class Version:
    """One content of a save, as it stands on one device. Size in bytes, time in nanoseconds."""

    device: str
    here: bool
    sha256: str
    size: int
    modified: int
    since: datetime | None  # of the snapshot that first saw it there; None: none has yet
    evenings: int  # snapshots that found a change on this side alone, since the last common one
    newest: bool  # it is the newest, or one of those of a fork


@dataclass(frozen=True, slots=True)
class Save:
    """One file, and how the device at hand stands to the newest of it, which is None if there is a fork."""

    emulator: str
    part: Part
    game: str | None
    title: str
    path: str
    here: Here
    newest: Version | None
    versions: tuple[Version, ...]
    taken: str | None  # whose version of a fork comes, or stays, as the owner chose


@dataclass(frozen=True, slots=True)
class Carry:
    """A plan to carry, and what the owner should know. ``saves`` and the plan's steps belong together."""

    plan: Plan
    saves: tuple[Save, ...]
    by_hand: tuple[ByHand, ...]
    running: tuple[str, ...]
    hurt: tuple[str, ...]  # snapshots that could not be read
    last: Mapping[str, datetime]  # the last night of each device
    sources: tuple[str, ...]  # the devices from which something is written
    unseen: int  # saves that alone are newest here and that no snapshot holds yet
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
    if take is not None and take not in {*nights, device.name}:
        raise UnknownName("device", take, sorted({*nights, device.name}))
    parts = selection.parts or (Part.SAVES, Part.STATES)
    at_hand = _layouts(archive, nights, layouts)
    past = timelines(archive, parts, forms=forms_of(at_hand))
    known = _selected(past.lines, selection)
    exported = _exported(known, device.name)
    known = {identity: lines for identity, lines in known.items() if identity not in exported}
    stands = whereabouts(
        device,
        at_hand,
        known,
        owners=layouts.keys(),
        out=cards_out(archive, device, _volumes(known) | {volume.name for volume in device.volumes}),
        elsewhere=elsewhere,
        progress=progress,
    )
    cases = [_Case(device.name, identity, lines, stands[identity]) for identity, lines in known.items()]
    cases = sorted((case for case in cases if case.verdict.newest), key=lambda case: case.order)
    _hold_together([case for case in cases if case.entry.part is Part.SAVES])
    steps = {case.identity: case.step(archive, take) for case in cases}
    if not selection.parts:
        cases = _with_their_saves(cases, steps)
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
    plan = settled([steps[case.identity] for case in cases], scene)
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
        last={name: night.taken for name, night in nights.items()},
        sources=tuple(sorted(sources)),
        unseen=sum(1 for case in cases if case.unseen),
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


@dataclass(slots=True)
class _Case:
    """One file on its way through the decisions."""

    device: str
    identity: Identity
    lines: Known
    stands: Stands
    courses: dict[Line, Course] = field(init=False)
    verdict: Verdict = field(init=False)
    versions: list[Version] = field(init=False)
    together: bool = False  # it is a fork only as a part of its save

    def __post_init__(self) -> None:
        seen = {line: [_event(moment) for moment in moments] for line, moments in self.lines.items()}
        self.courses = until_now(seen, self.stands.live)
        self.verdict = judge(self.courses, self.device, self.stands.line)
        self.versions = self._versions()

    @property
    def order(self) -> tuple[str, str, str]:
        return self.identity[0], title_of(self.entry).casefold(), self.identity[2]

    @property
    def entry(self) -> Entry:
        """The latest entry that the archive has of it."""
        moments = [moment for each in self.lines.values() for moment in each if moment.entry is not None]
        latest = max(moments, key=lambda moment: moment.snapshot.sequence).entry
        assert latest is not None
        return latest

    @property
    def contents(self) -> frozenset[str]:
        """What stands anywhere."""
        return frozenset(version.sha256 for version in self.versions)

    @property
    def on_hand(self) -> str | None:
        """What stands here; where that cannot be read, what stood here last."""
        course = self.courses.get(self.stands.line)
        return course[-1].content if course else None

    @property
    def unseen(self) -> bool:
        """Whether this device alone has the newest, and no snapshot has seen it."""
        return self.verdict.here is Here.NEWER and not any(self._seen(self.verdict.newest[0]))

    def holders(self, content: str) -> frozenset[str]:
        """The devices on which this content stands."""
        return frozenset(version.device for version in self.versions if version.sha256 == content)

    def version_of(self, content: str) -> Version:
        """Where a content stands: on the device that had it first, if it still does."""
        first = {line.device: at for at, (line, _) in enumerate(self._seen(content))}
        among = [version for version in self.versions if version.sha256 == content]
        return min(among, key=lambda version: (first.get(version.device, len(first)), version.device))

    def came_from(self, content: str) -> list[Snapshot]:
        """The snapshots that saw this content come, but for the records of this device's own restores."""
        every = [moment.snapshot for _, moment in self._seen(content)]
        return [one for one in every if one.kind is not Kind.RESTORED or one.device != self.device]

    def fork(self) -> None:
        """Makes it a fork of all that stands anywhere, for its save as a whole is one."""
        descent = Descent(self.courses)
        first = self.verdict.newest
        sides = (*first, *sorted(self.contents - set(first)))
        common, evenings = descent.since_common(sides)
        self.verdict = Verdict(Here.FORK, sides, common, evenings)
        self.together = True
        self.versions = self._versions()

    def save(self, take: str | None) -> Save:
        """What is told of it."""
        entry, forked = self.entry, self.verdict.here is Here.FORK
        chosen = take if take is not None and forked and self._choice(take) is not None else None
        return Save(
            emulator=entry.emulator,
            part=entry.part,
            game=entry.game,
            title=title_of(entry),
            path=entry.path,
            here=self.verdict.here,
            newest=None if forked else self.version_of(self.verdict.newest[0]),
            versions=tuple(self.versions),
            taken=chosen,
        )

    def step(self, archive: Archive, take: str | None) -> Step:
        """What becomes of it here."""
        newest = self.verdict.newest[0]
        match self.verdict.here:
            case Here.SAME:
                return self._leave(Decision.SAME, "it is there already", newest)
            case Here.NEWER:
                return self._leave(Decision.NEWER, "this device has the newest", newest)
            case Here.OLDER:
                why = f"{self.version_of(newest).device} has the newest; what stands here is older"
                return self._bring(archive, newest, Decision.FORWARD, why)
            case Here.MISSING:
                return self._bring(archive, newest, Decision.WRITE, "nothing stands there")
            case Here.REMOVED:
                source = self.version_of(newest).device
                if take is not None and take in self.holders(newest):
                    return self._bring(archive, newest, Decision.WRITE, "it was removed here; comes as asked")
                why = f"it was removed here since; --take {source} brings it"
                return self._leave(Decision.HELD_BACK, why, newest)
        return self._forked(archive, take)

    def _forked(self, archive: Archive, take: str | None) -> Step:
        if self.together:
            why = "its save consists of several files, and the newest of them are on different devices"
        else:
            why = "more than one device has progress of its own, and none of it is the newest"
        chosen = None if take is None else self._choice(take)
        if chosen is None:
            if take is not None:
                why = f"{why}; {take} has none of it"
            return self._leave(Decision.FORK, why, self.verdict.newest[0])
        if chosen == self.on_hand:
            return self._leave(Decision.SAME, f"it stays as it is here: that of {take} was chosen", chosen)
        return self._bring(
            archive, chosen, Decision.FORK, f"{why}; that of {take} comes, as asked, and the other is kept"
        )

    def _choice(self, take: str) -> str | None:
        """The content that a device's name chooses; None if it says nothing."""
        among = [v.sha256 for v in self.versions if v.device == take and v.sha256 in self.verdict.newest]
        if take == self.device and self.on_hand in among:
            return self.on_hand
        return among[0] if len(set(among)) == 1 else None

    def _bring(self, archive: Archive, content: str, decision: Decision, why: str) -> Step:
        entries = [moment.entry for _, moment in self._seen(content) if moment.entry is not None]
        entry = next((one for one in entries if archive.holds(one)), None)
        target, found = self.stands.target, self.stands.found
        if isinstance(target, NoTarget):
            return self._step(Decision.BY_HAND, Action.LEAVE, target.why, entries[0], None)
        if trouble := blocked(self._as_here(entries[0]), target, found):
            return self._step(Decision.BLOCKED, Action.LEAVE, trouble, entries[0], target)
        if entry is None:
            return self._step(Decision.BLOCKED, Action.LEAVE, NOT_HELD, entries[0], target, damage=True)
        return self._step(decision, Action.WRITE, why, entry, target)

    def _leave(self, decision: Decision, why: str, content: str) -> Step:
        entry = next((moment.entry for _, moment in self._seen(content) if moment.entry), self.entry)
        target = self.stands.target if isinstance(self.stands.target, Target) else None
        return self._step(decision, Action.LEAVE, why, entry, target)

    def _step(
        self,
        decision: Decision,
        action: Action,
        why: str,
        entry: Entry,
        target: Target | None,
        damage: bool = False,
    ) -> Step:
        return Step(
            decision, action, self._as_here(entry), target, why, self.stands.found, self.stands.path, damage
        )

    def _as_here(self, entry: Entry) -> Entry:
        """The entry with the path that it has on this device."""
        return (
            entry if entry.path == self.stands.path else msgspec.structs.replace(entry, path=self.stands.path)
        )

    def _seen(self, content: str) -> list[tuple[Line, Moment]]:
        """When and where the archive saw this content come, oldest first."""
        among = [
            (line, moment)
            for line, moments in self.lines.items()
            for moment in moments
            if moment.entry is not None and moment.entry.sha256 == content
        ]
        return sorted(among, key=lambda item: item[1].snapshot.sequence)

    def _versions(self) -> list[Version]:
        versions = []
        for line, course in self.courses.items():
            content = course[-1].content
            if content is None:
                continue
            here = line.device == self.device
            seen = [moment for at, moment in self._seen(content) if at == line]
            moment = seen[-1] if seen else None
            entry = moment.entry if moment else None
            found = self.stands.found
            size, modified = (entry.size, entry.modified) if entry else (found.size, found.modified)
            if line == self.stands.line and found.what is What.FILE:
                size, modified = found.size, found.modified
            versions.append(
                Version(
                    device=line.device,
                    here=here,
                    sha256=content,
                    size=size,
                    modified=modified,
                    since=moment.snapshot.taken if moment else None,
                    evenings=self.verdict.evenings.get(content, 0),
                    newest=content in self.verdict.newest,
                )
            )
        return sorted(versions, key=lambda version: (not version.newest, version.device))


def _event(moment: Moment) -> Event:
    content = moment.entry.sha256 if moment.entry is not None else None
    return Event(moment.snapshot.sequence, content, moment.snapshot.kind is Kind.RESTORED)


def _selected(
    lines: Mapping[Identity, Mapping[Line, list[Moment]]], selection: Selection
) -> dict[Identity, Known]:
    latest = {
        identity: next(m.entry for m in reversed(next(iter(each.values()))) if m.entry is not None)
        for identity, each in lines.items()
    }
    asked = Selection(selection.emulators, (), selection.games)
    picked = choose(latest.values(), asked, where="archive").entries if latest or not asked.everything else []
    wanted = {entry.identity for entry in picked}
    return {identity: each for identity, each in lines.items() if identity in wanted}


def _exported(known: Mapping[Identity, Known], device: str) -> dict[Identity, set[str]]:
    """What an emulator exported, with the other devices that have it: only its own import takes it in."""
    return {
        identity: {line.device for line in lines} - {device}
        for identity, lines in known.items()
        if any(m.site and m.site.kind is HomeKind.EXPORT for each in lines.values() for m in each)
    }


def _volumes(known: Mapping[Identity, Known]) -> set[str]:
    return {line.volume for lines in known.values() for line in lines} - {ELSEWHERE}


def _layouts(
    archive: Archive, nights: Mapping[str, Snapshot], layouts: Mapping[str, Layout]
) -> dict[str, Layout]:
    """The owner's layouts, and for other emulators the one that the latest night of a device holds."""
    at_hand = dict(layouts)
    for night in sorted(nights.values(), key=lambda one: -one.sequence):
        try:
            manifest = archive.read(night)
        except OwnerError:
            continue  # a hurt night is named with what could not be read
        at_hand.update(layouts_at_hand(archive, manifest, {}, manifest.layouts.keys() - at_hand.keys()))
    return at_hand


def _hold_together(cases: Iterable[_Case]) -> None:
    """Where the files of one save are newest on different devices, or one is a fork, all are."""
    units: dict[tuple[str, str], list[_Case]] = {}
    for case in cases:
        units.setdefault(unit_of(case.entry), []).append(case)
    for members in units.values():
        contested = [case for case in members if len(case.contents) > 1]
        if len(members) == 1 or not contested:
            continue
        forked = any(case.verdict.here is Here.FORK for case in contested)
        if not forked and together(case.holders(case.verdict.newest[0]) for case in contested):
            continue
        for case in members:
            if case.verdict.here is Here.MISSING or (
                case in contested and case.verdict.here in (Here.OLDER, Here.NEWER, Here.SAME)
            ):
                case.fork()


def _with_their_saves(cases: Iterable[_Case], steps: Mapping[Identity, Step]) -> list[_Case]:
    """The saves, and those states that come along: with a save that is written, from a device that has it."""
    among = list(cases)
    coming: dict[tuple[str, str], set[str]] = {}
    for case in among:
        step = steps[case.identity]
        if case.entry.part is Part.SAVES and step.action is Action.WRITE:
            game = (case.entry.emulator, title_of(case.entry).casefold())
            coming.setdefault(game, set()).update(case.holders(step.entry.sha256))
    return [
        case
        for case in among
        if case.entry.part is Part.SAVES
        or (
            case.verdict.here in (Here.OLDER, Here.MISSING, Here.FORK)
            and coming.get((case.entry.emulator, title_of(case.entry).casefold()), set())
            & case.holders(steps[case.identity].entry.sha256)
        )
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
