"""What an owner ticks off when a handheld is set up: a chapter for each emulator, in the order of the work.

The order of a move (common practice, no source): install the emulator, run its first set-up, close it, put
the data back, point it at the games again, map the buttons, start one game and load one save. Pure: made
from a plan or from what became of it; ``handhold.cli.checklist`` writes it down.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import msgspec
from msgspec.structs import replace

from handhold.model import Gap, HomeKind, Part
from handhold.restore.carry import Carry
from handhold.restore.prepare import Prepared
from handhold.restore.select import title_of
from handhold.restore.steps import Action, Decision, Plan, Step

#: Parts that hold what was played.
_PROGRESS = (Part.SAVES, Part.STATES)
_MOST_PLACES = 12
_STAYS = (Decision.NEWER, Decision.FORK, Decision.UNSURE)
_DID_NOT_COME = (Decision.BY_HAND, Decision.BLOCKED, Decision.FAILED)


class Todo(msgspec.Struct, frozen=True):
    """Something to do by hand. ``done``: it can be seen on the device that it was done."""

    what: str
    done: bool = False


class Came(msgspec.Struct, frozen=True):
    """Files of one part that come along, or are there already. ``bytes`` in all."""

    part: Part
    files: int
    bytes: int
    titles: tuple[str, ...]
    done: bool


class Newest(msgspec.Struct, frozen=True):
    """The newest progress that comes along; ``modified`` in nanoseconds UTC."""

    title: str
    part: Part
    modified: int


class Reason(msgspec.Struct, frozen=True):
    """Files of one part that share one reason."""

    part: Part | None  # None: what could not be kept that night is of no known part
    titles: tuple[str, ...]
    files: int
    why: str


class Chapter(msgspec.Struct, frozen=True):
    """One emulator. ``done``: everything that was to come along is on the device."""

    emulator: str
    title: str
    before: tuple[Todo, ...]
    came: tuple[Came, ...]
    newest: Newest | None
    beside: tuple[Reason, ...]
    held_back: tuple[Reason, ...]
    stayed: tuple[Reason, ...]
    left: tuple[Reason, ...]
    after: tuple[Todo, ...]
    done: bool


class Checklist(msgspec.Struct, frozen=True):
    """The whole of it. ``applied``: the files were written; else it is only the plan."""

    device: str
    source: str  # the device that the snapshot is of
    snapshot: str  # "": the newest of all devices
    moving: bool
    applied: bool
    chapters: tuple[Chapter, ...]
    gaps: tuple[Reason, ...]  # what could not be kept that night, of no emulator that is known
    unread_lists: int  # what these named is in no chapter


def checklist(prepared: Prepared, done: Plan | None = None) -> Checklist:
    """The checklist of a plan; with what became of it (``done``) of what was carried out. Pure."""
    plan = done or prepared.plan
    steps: dict[str, list[Step]] = {}
    for step in plan.steps:
        steps.setdefault(step.entry.emulator, []).append(step)
    gaps: dict[str | None, list[Gap]] = {}
    for gap in prepared.gaps:
        gaps.setdefault(gap.emulator, []).append(gap)
    names = {name for name in (*steps, *gaps) if name is not None}
    chapters = [
        _chapter(name, steps.get(name, []), gaps.get(name, []), prepared, done is not None) for name in names
    ]
    return Checklist(
        device=plan.device,
        source=plan.source.device,
        snapshot=plan.source.name,
        moving=prepared.moving,
        applied=done is not None,
        chapters=tuple(sorted(chapters, key=lambda one: (one.title.casefold(), one.emulator))),
        gaps=_gaps(gaps.get(None, [])),
        unread_lists=prepared.hurt_pages,
    )


def checklist_of(carry: Carry, done: Plan | None = None) -> Checklist:
    """The same of a carry, which draws from the snapshots of all devices. Pure."""
    alike = Prepared(
        carry.plan, carry.by_hand, carry.running, carry.hurt, moving=False, layouts=carry.layouts
    )
    return replace(checklist(alike, done), source="", snapshot="")


def _chapter(
    emulator: str, steps: Sequence[Step], gaps: Sequence[Gap], prepared: Prepared, applied: bool
) -> Chapter:
    layout = prepared.layouts.get(emulator)
    written = [step for step in steps if step.action is Action.WRITE]
    there = [step for step in steps if step.decision is Decision.SAME]
    missing = any(step.decision is Decision.BY_HAND for step in steps)
    left = [step for step in steps if step.action is Action.LEAVE and step.decision in _DID_NOT_COME]
    return Chapter(
        emulator=emulator,
        title=layout.title if layout else emulator,
        before=_before(emulator, steps, missing, prepared, applied),
        came=_came(written, applied) + _came(there, True),
        newest=_newest(written) or _newest(there),
        beside=_reasons(step for step in steps if step.action is Action.BESIDE),
        held_back=_reasons(step for step in steps if step.decision is Decision.HELD_BACK),
        stayed=_reasons(step for step in steps if step.decision in _STAYS and step.action is Action.LEAVE),
        left=_reasons(left) + _gaps(gaps),
        after=_after(emulator, [*written, *there], steps, prepared),
        done=(applied or not written) and not left,
    )


def _before(
    emulator: str, steps: Sequence[Step], missing: bool, prepared: Prepared, applied: bool
) -> tuple[Todo, ...]:
    """Install it and start it: done where its folder is there. Close it: done once the files are written."""
    layout = prepared.layouts.get(emulator)
    todo: dict[str, bool] = {}
    if prepared.moving and layout and any(step.target is not None for step in steps) and not missing:
        todo.update(dict.fromkeys(layout.before, True))
    for one in prepared.by_hand:
        if one.emulator == emulator and one.when == "before":
            todo[one.what] = False
    if any(step.action is not Action.LEAVE for step in steps):
        todo["Close it: one that is running writes its memory back over what is put there."] = applied
    elif missing and not todo:
        todo["Install it and start it once, so that it makes its folder; then close it."] = False
    return tuple(Todo(what, done) for what, done in todo.items())


def _after(
    emulator: str, here: Sequence[Step], steps: Sequence[Step], prepared: Prepared
) -> tuple[Todo, ...]:
    """What no program can see done; told as long as the files are on the device."""
    layout = prepared.layouts.get(emulator)
    todo: dict[str, None] = {}
    hands = {one.what: None for one in prepared.by_hand if one.emulator == emulator and one.when == "after"}
    if prepared.moving and layout and here:
        made = {one.entry.key for one in prepared.made}
        whole = any(_exported(step) and step.entry.key not in made for step in here)
        todo.update(dict.fromkeys([*(layout.imports if whole else ()), *layout.after]))
    todo.update(hands)
    named = [place for place in prepared.named.places if place.emulator == emulator]
    for place in named[:_MOST_PLACES]:
        todo[f"{place.path}, line {place.line}, names {place.value}: choose the place on this device."] = None
    if len(named) > _MOST_PLACES:
        todo[f"So do {len(named) - _MOST_PLACES} more lines of its settings (restore --json lists all)."] = (
            None
        )
    for one in [one for one in prepared.without_game if one.emulator == emulator][:_MOST_PLACES]:
        names = " or ".join(f'"{title}"' for title in one.near)
        offer = f"; here is {names}, whose save would need that name" if names else ""
        todo[f"No game called {one.game} is here: copy it under that name{offer}."] = None
    newest = _newest([step for step in here if step.entry.part is Part.SAVES])
    if newest is not None and prepared.moving:
        todo[f"Start {newest.title} and load its save."] = None
    if any(step.decision is Decision.BY_HAND for step in steps):
        todo["Run the restore again: it brings only what is missing."] = None
    return tuple(Todo(what) for what in todo)


def _exported(step: Step) -> bool:
    return step.target is not None and step.target.site.kind is HomeKind.EXPORT


def _came(steps: Iterable[Step], done: bool) -> tuple[Came, ...]:
    by_part: dict[Part, list[Step]] = {}
    for step in steps:
        by_part.setdefault(step.entry.part, []).append(step)
    return tuple(
        Came(part, len(some), sum(step.entry.size for step in some), _titles(some), done)
        for part in Part
        if (some := by_part.get(part))
    )


def _newest(steps: Iterable[Step]) -> Newest | None:
    """The newest save or state among these."""
    best = max(
        (step.entry for step in steps if step.entry.part in _PROGRESS),
        key=lambda entry: (entry.modified, entry.part is Part.SAVES, entry.path),
        default=None,
    )
    return None if best is None else Newest(title_of(best), best.part, best.modified)


def _reasons(steps: Iterable[Step]) -> tuple[Reason, ...]:
    groups: dict[tuple[Part, str], list[Step]] = {}
    for step in steps:
        groups.setdefault((step.entry.part, step.why), []).append(step)
    order = list(Part)
    return tuple(
        Reason(part, _titles(some), len(some), why)
        for (part, why), some in sorted(
            groups.items(), key=lambda each: (order.index(each[0][0]), each[0][1])
        )
    )


def _gaps(gaps: Iterable[Gap]) -> tuple[Reason, ...]:
    return tuple(
        Reason(None, (f"{gap.volume}:{gap.path}",), 1, f"not in the snapshot: {gap.why}") for gap in gaps
    )


def _titles(steps: Sequence[Step]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(title_of(step.entry) for step in steps))
