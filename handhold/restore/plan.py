"""The plan: what a restore does with each entry, and why. Pure: decided from values, nothing is touched.

``decide`` is the table of who wins; ``plan`` goes on to what no single entry shows: two that want one place,
names beside others, and room.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Sequence

from msgspec.structs import replace

from handhold.amounts import size
from handhold.archive.sameness import same_save
from handhold.archive.standing import Order, last_on, line_of, order
from handhold.blank import blank, blank_content
from handhold.model import NS, Entry, Part
from handhold.restore.clock import COPY_GAMES_ARCHIVED, Says, Stamps, compare, stamp
from handhold.restore.filenames import fold, free_beside, refused
from handhold.restore.found import Found, NoTarget, Target, What, Wish
from handhold.restore.room import with_room
from handhold.restore.steps import KEPT, NOT_HELD, Action, Decision, OnNewer, Plan, Scene, Step, block

#: Files of an emulator that changed within this time say that it is running (common practice, no source).
RUNNING_NS = 120 * NS


def plan(wishes: Iterable[Wish], scene: Scene) -> Plan:
    """Decides on every wish. The steps come in the wishes' order."""
    return settled([decide(wish, scene) for wish in wishes], scene)


def settled(steps: list[Step], scene: Scene) -> Plan:
    """The plan of steps that were decided one by one, with what shows only in all of them together."""
    steps = _one_place_each(steps)
    steps = _beside(steps, scene)
    steps = with_room(steps, scene)
    return Plan(scene.source, scene.device, tuple(steps))


def decide(wish: Wish, scene: Scene) -> Step:
    """The first row of the table that fits one wish."""
    entry, found = wish.copy or wish.entry, wish.found
    target = wish.target if isinstance(wish.target, Target) else None

    def step(decision: Decision, why: str, action: Action = Action.LEAVE) -> Step:
        return Step(decision, action, entry, target, why, found, entry.path)

    if found.what is What.FILE and found.sha256 == entry.sha256:
        return step(Decision.SAME, "it is there already")
    if wish.copied and wish.copy is None:
        return step(Decision.SAME, "it is there already, with other places in it, as they were asked for")
    if not wish.carried:
        return step(
            Decision.HELD_BACK,
            f"{entry.part.value} stay with {scene.source.device}; --part {entry.part.value} asks for them",
        )
    if isinstance(wish.target, NoTarget):
        return step(Decision.BY_HAND, wish.target.why)
    if why := blocked(entry, wish.target, found):
        return step(Decision.BLOCKED, why)
    if not wish.held:
        return replace(step(Decision.BLOCKED, NOT_HELD), damage=True)
    if wish.made and scene.archive_trouble:
        return step(Decision.BLOCKED, f"it is made in the archive, and {scene.archive_trouble}")
    if found.what is What.NOTHING:
        return step(Decision.WRITE, "nothing stands there", Action.WRITE)
    if found.what is What.FILE and (wish.copied or found.sha256 == wish.entry.sha256):
        return step(Decision.FORWARD, "it is there already, and names other places", Action.WRITE)
    decision, why = _who_wins(wish, wish.target, scene)
    if decision not in KEPT:
        return step(decision, why, Action.WRITE)
    if scene.on_newer is OnNewer.REPLACE:
        return step(decision, f"{why}; replaced as asked, kept in the archive first", Action.WRITE)
    return step(decision, why, Action.BESIDE if scene.on_newer is OnNewer.BOTH else Action.LEAVE)


def running(steps: Iterable[Step], now: int) -> list[str]:
    """The emulators that get something and whose files changed in the last two minutes: they may be running.

    A time in the future is a wrong clock and no sign of it.
    """
    among = list(steps)
    fresh = {
        s.entry.emulator
        for s in among
        if s.found.what is What.FILE and 0 <= now - s.found.modified <= RUNNING_NS
    }
    return sorted(fresh & {s.entry.emulator for s in among if s.action is not Action.LEAVE})


def blocked(entry: Entry, target: Target, found: Found) -> str | None:
    """Why the place cannot take the entry, before anybody asks who is newer."""
    if found.what is What.FOLDER:
        return found.why or "a folder of that name stands there"
    if found.what is What.LINK:
        return found.why or "a link stands there; handhold follows none"
    if found.what is What.OTHER:
        return found.why or "something that is no file stands there"
    if found.what is What.UNREADABLE:
        return f"what stands there cannot be read, so it cannot be kept first: {found.why}"
    if target.read_only:
        return "that place can only be read, not written"
    if why := refused(target.way(entry.path), target.traits):
        if entry.game and refused(entry.game, target.traits):
            return f"{why}; to give the copy another: --rename {shlex.quote(f'{entry.game}=NAME')}"
        return why
    if not target.own_layout and any(name.startswith(".") for name in entry.path.split("/")[:-1]):
        return (
            "it would go into a hidden folder, and only the archive says so; "
            f"if that is right, say where the home lies: --home {entry.emulator}=PATH"
        )
    largest = target.traits.largest_file
    if largest is not None and entry.size > largest:
        return f"the file ({size(entry.size)}) is larger than this card can hold ({size(largest)})"
    return None


def _who_wins(wish: Wish, target: Target, scene: Scene) -> tuple[Decision, str]:
    """A file of another content stands there: is it older, newer, or can nobody tell?"""
    entry, found = wish.entry, wish.found
    identity, folder = same_save(entry, scene.forms)
    lines = scene.histories.get(identity, {})
    match order(lines, found.sha256, entry.sha256):
        case Order.OLDER:
            return Decision.FORWARD, "the handheld has an older version, which the archive holds"
        case Order.NEWER:
            return Decision.NEWER, "the handheld has a newer version, which the archive holds too"
        case Order.FORK | Order.SAME:
            return Decision.FORK, "both versions are in the archive, and neither came after the other"
        case Order.UNKNOWN:
            pass
    last = last_on(lines, line_of(scene.device, "", target.site, folder)) if target.here else None
    if last is None and (what := fresh(entry, found)):
        return Decision.OLDER, f"{what}; it is kept in the archive first"
    if last:
        # It came after what the archive last saw here, whatever a clock says.
        if order(lines, last[0], entry.sha256) in (Order.SAME, Order.NEWER):
            return Decision.NEWER, "it was changed on the handheld after its last snapshot"
        return (
            Decision.FORK,
            "it was changed on the handheld after its last snapshot, and this version is from elsewhere",
        )
    return _by_time(wish, target, scene)


def fresh(entry: Entry, found: Found) -> str:
    """Whether what stands there holds nothing, as an emulator makes a save at its first start; "" if not."""
    if entry.part is not Part.SAVES or found.what is not What.FILE or blank(entry):
        return ""
    what = blank_content(found.size, found.sha256)
    return f"what stands there holds nothing ({what})" if what else ""


def _by_time(wish: Wish, target: Target, scene: Scene) -> tuple[Decision, str]:
    entry, found = wish.entry, wish.found
    home = (entry.emulator, entry.home)
    says, of_entry = compare(
        found.modified,
        entry.modified,
        blur_ns=max(wish.blur_ns, target.traits.blur_ns),
        now=scene.now,
        limit=scene.source.limit,
        copied=stamp(entry, 0) is not None
        and (
            scene.found_stamps.get(home, _NO_STAMPS).copied(found.modified)
            or scene.entry_stamps.get(home, _NO_STAMPS).copied(entry.modified, COPY_GAMES_ARCHIVED)
        ),
    )
    whose = "the archived file's time" if of_entry else "its time"
    beyond = "is later than the snapshot that holds it" if of_entry else "lies in the future"
    match says:
        case Says.LATER:
            return Decision.NEWER, f"the handheld's file is later by {_span(found.modified - entry.modified)}"
        case Says.EARLIER:
            span = _span(entry.modified - found.modified)
            return Decision.OLDER, f"the handheld's file is older by {span}; it is kept in the archive first"
        case Says.CLOSE:
            return Decision.UNSURE, "cannot tell which is newer: the two times are too close"
        case Says.FUTURE:
            return Decision.UNSURE, f"cannot tell which is newer: {whose} {beyond}"
        case Says.ANCIENT:
            return Decision.UNSURE, f"cannot tell which is newer: {whose} lies before the year 2000"
        case Says.COPIED:
            return Decision.UNSURE, "cannot tell which is newer: many files have that time, so it is a copy's"


_NO_STAMPS = Stamps()


def _one_place_each(steps: list[Step]) -> list[Step]:
    """Two entries that want one place: the same content is written once, others are blocked and named."""
    by_place: dict[tuple[str, str], list[int]] = {}
    folders: dict[tuple[str, str], int] = {}
    for at, step in enumerate(steps):
        if step.target is None or step.decision in (Decision.HELD_BACK, Decision.BLOCKED):
            continue
        base, way = _folded_place(step)
        by_place.setdefault((base, way), []).append(at)
        # Where a folder is known, so are those above it.
        while (way := way.rpartition("/")[0]) and (base, way) not in folders:
            folders[base, way] = at
    for place, members in by_place.items():
        if len(members) > 1:
            _settle(steps, members)
        if (other := folders.get(place)) is not None and steps[members[0]].action is not Action.LEAVE:
            for at in members:
                steps[at] = block(steps[at], f'its name is that of a folder of "{steps[other].entry.path}"')
    return steps


def _settle(steps: list[Step], members: Sequence[int]) -> None:
    first = steps[members[0]]
    if all(steps[at].entry.sha256 == first.entry.sha256 for at in members):
        for at in members[1:]:
            if steps[at].action is Action.WRITE:
                steps[at] = replace(steps[at], decision=Decision.SAME, action=Action.LEAVE, why=_twin(first))
        return
    for at in members:
        if steps[at].decision is not Decision.SAME:
            other = next(steps[o] for o in members if o != at)
            same_name = other.entry.path == steps[at].entry.path
            why = (
                f'two files of the snapshot belong at this place (the other is from "{other.entry.home}")'
                if same_name
                else f'"{other.entry.path}" differs from it only by case, and this card cannot hold both'
            )
            steps[at] = block(
                steps[at], f"{why}; put one of them elsewhere with --home {first.entry.emulator}=PATH"
            )


def _twin(first: Step) -> str:
    return f'the same as "{first.entry.path}" of "{first.entry.home}", which goes there'


def _folded_place(step: Step, path: str | None = None) -> tuple[str, str]:
    assert step.target is not None
    way = step.target.way(step.path if path is None else path)
    return step.target.base, fold(way) if step.target.traits.folds_case else way


def _beside(steps: list[Step], scene: Scene) -> list[Step]:
    """Finds the names for the files that are put beside those that stay."""
    if not any(step.action is Action.BESIDE for step in steps):
        return steps
    planned: dict[tuple[str, str], set[str]] = {}
    for step in steps:
        if step.target is not None:
            folder, _, name = step.target.way(step.path).rpartition("/")
            planned.setdefault((step.target.base, folder), set()).add(fold(name))
    return [_beside_one(s, scene, planned) if s.action is Action.BESIDE else s for s in steps]


def _beside_one(step: Step, scene: Scene, planned: dict[tuple[str, str], set[str]]) -> Step:
    assert step.target is not None
    inner, _, name = step.entry.path.rpartition("/")
    folder = step.target.way(step.entry.path).rpartition("/")[0]
    mine = planned.setdefault((step.target.base, folder), set())
    taken = mine | scene.names.get((step.target.base, folder), frozenset())
    free, there = free_beside(
        name, scene.source.device, scene.source.day, taken, step.found.beside, step.entry.sha256
    )
    if free is None:
        return replace(step, action=Action.LEAVE, why=f"{step.why}; every name beside it is taken")
    if there:
        beside = f'{step.why}; the archived one stands beside it as "{free}"'
        return replace(step, decision=Decision.SAME, action=Action.LEAVE, why=beside)
    path = f"{inner}/{free}" if inner else free
    if why := refused(step.target.way(path), step.target.traits):
        return replace(step, action=Action.LEAVE, why=f"{step.why}; {why}")
    mine.add(fold(free))
    return replace(step, path=path, why=f'{step.why}; the archived one is put beside it as "{free}"')


def _span(ns: int) -> str:
    for unit, step in (("day", 86_400), ("hour", 3600), ("minute", 60)):
        if ns >= step * NS:
            count = ns // (step * NS)
            return f"{count:,} {unit}{'s' if count != 1 else ''}"
    return f"{ns // NS} seconds"
