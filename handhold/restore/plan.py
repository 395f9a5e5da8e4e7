"""The plan: what a restore does with each entry, and why. Pure: decided from values, nothing is touched.

``decide`` is the table of who wins; ``plan`` goes on to what no single entry shows: two that want one place,
names beside others, and room.
"""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from enum import StrEnum

from handhold.amounts import size
from handhold.archive.sameness import Forms, same_save
from handhold.archive.standing import Lines, Order, last_on, line_of, order
from handhold.blank import blank, blank_content
from handhold.model import NS, Entry, Identity, Part
from handhold.names import written
from handhold.restore.clock import COPY_GAMES_ARCHIVED, Says, Stamps, compare, stamp
from handhold.restore.filenames import fold, free_beside, refused
from handhold.restore.found import Found, NoTarget, Room, Target, What, Wish

#: Files of an emulator that changed within this time say that it is running (common practice, no source).
RUNNING_NS = 120 * NS
#: Files are written a batch at a time; a batch stands on the card beside what it replaces. Bytes.
BATCH_BYTES = 64 << 20


class Decision(StrEnum):
    """What is the case with an entry; scripts rely on these words."""

    WRITE = "write"  # nothing stands there
    SAME = "same"  # it is there already
    FORWARD = "forward"  # the handheld has an older version that the archive knows
    OLDER = "older"  # the handheld has something unknown that is clearly older
    NEWER = "newer"  # the handheld has a newer one
    FORK = "fork"  # neither came after the other
    UNSURE = "unsure"  # nothing tells which is newer
    HELD_BACK = "held-back"  # it belongs to another handheld
    BY_HAND = "by-hand"  # no program can put it there
    BLOCKED = "blocked"  # the place cannot take it
    FAILED = "failed"  # it was tried and did not work


class Action(StrEnum):
    """What is done about it."""

    WRITE = "write"
    LEAVE = "leave"
    BESIDE = "beside"
    REMOVE = "remove"  # only in undo: what a restore created and nobody changed since


class OnNewer(StrEnum):
    """What becomes of files that the handheld keeps."""

    KEEP = "keep"
    BOTH = "both"
    REPLACE = "replace"


NOT_HELD = "the archive cannot give its content any more; handhold verify says what is hurt"
#: What the records of a restore take in the archive besides what they keep, at the most. Bytes.
RECORD_BYTES = 64 << 10

#: Decisions for which the handheld's own file stays, unless asked otherwise.
KEPT = frozenset({Decision.NEWER, Decision.FORK, Decision.UNSURE})
#: Decisions after which something is not as the archive has it, and the owner should know.
LEFT = KEPT | {Decision.HELD_BACK, Decision.BY_HAND, Decision.BLOCKED, Decision.FAILED}


@dataclass(frozen=True, slots=True)
class Step:
    """One entry of the plan. ``path`` is where it goes in the home: another than the entry's if beside."""

    decision: Decision
    action: Action
    entry: Entry
    target: Target | None
    why: str
    found: Found
    path: str
    damage: bool = False  # it is the archive that is hurt

    @property
    def replaces(self) -> bool:
        """Whether a file that stands on the handheld makes way."""
        return self.action is Action.REMOVE or (self.action is Action.WRITE and self.found.what is What.FILE)

    @property
    def place(self) -> str:
        """The whole path of the target in written form; "" where there is none."""
        if self.target is None:
            return ""
        return f"{written(self.target.base).rstrip('/')}/{self.target.way(self.path)}"


@dataclass(frozen=True, slots=True)
class Source:
    """The snapshot that the entries come from."""

    name: str
    device: str
    day: date
    limit: int  # no file in it can be younger: nanoseconds


@dataclass(frozen=True, slots=True)
class Scene:
    """All that a plan needs besides the wishes themselves.

    ``histories`` by identity. ``entry_stamps`` and ``found_stamps`` tell a copy's time, by (emulator, home)
    as the entry has it. ``names`` are the folded names in a folder of a target, by its way from the base
    (``(base, way)``). ``rooms`` by ``Target.storage``; ``archive_storage`` is the one the archive lies on.
    """

    device: str
    source: Source
    now: int
    histories: Mapping[Identity, Lines] = field(default_factory=dict)
    on_newer: OnNewer = OnNewer.KEEP
    entry_stamps: Mapping[tuple[str, str], Stamps] = field(default_factory=dict)
    found_stamps: Mapping[tuple[str, str], Stamps] = field(default_factory=dict)
    names: Mapping[tuple[str, str], frozenset[str]] = field(default_factory=dict)
    rooms: Mapping[str, Room] = field(default_factory=dict)
    archive_room: Room | None = None
    archive_storage: str = ""
    forms: Forms = field(default_factory=dict)  # homes that hold the same saves in two forms
    archive_trouble: str = ""  # why the archive cannot be written to, if it cannot


@dataclass(frozen=True, slots=True)
class Plan:
    """What a restore would do."""

    source: Source
    device: str
    steps: tuple[Step, ...]

    @property
    def writes(self) -> tuple[Step, ...]:
        """The steps that change something on the handheld."""
        return tuple(step for step in self.steps if step.action is not Action.LEAVE)

    @property
    def bytes(self) -> int:
        """How much is written."""
        return sum(s.entry.size for s in self.steps if s.action in (Action.WRITE, Action.BESIDE))

    @property
    def counts(self) -> dict[str, int]:
        """How many steps have which decision; decisions that no step has are not in it."""
        counted = Counter(step.decision for step in self.steps)
        return {decision.value: counted[decision] for decision in Decision if counted[decision]}

    @property
    def left(self) -> tuple[Step, ...]:
        """The steps that leave the handheld other than the archive has it."""
        return tuple(s for s in self.steps if s.action is Action.LEAVE and s.decision in LEFT)

    @property
    def damaged(self) -> tuple[Step, ...]:
        """The steps that the archive could not give what it should."""
        return tuple(s for s in self.steps if s.damage)


def plan(wishes: Iterable[Wish], scene: Scene) -> Plan:
    """Decides on every wish. The steps come in the wishes' order."""
    return settled([decide(wish, scene) for wish in wishes], scene)


def settled(steps: list[Step], scene: Scene) -> Plan:
    """The plan of steps that were decided one by one, with what shows only in all of them together."""
    steps = _one_place_each(steps)
    steps = _beside(steps, scene)
    steps = _with_room(steps, scene)
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
        while way := way.rpartition("/")[0]:
            folders.setdefault((base, way), at)
    for place, members in by_place.items():
        if len(members) > 1:
            _settle(steps, members)
        if (other := folders.get(place)) is not None and steps[members[0]].action is not Action.LEAVE:
            for at in members:
                steps[at] = _block(steps[at], f'its name is that of a folder of "{steps[other].entry.path}"')
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
            steps[at] = _block(
                steps[at], f"{why}; put one of them elsewhere with --home {first.entry.emulator}=PATH"
            )


def _twin(first: Step) -> str:
    return f'the same as "{first.entry.path}" of "{first.entry.home}", which goes there'


def _block(step: Step, why: str) -> Step:
    return replace(step, decision=Decision.BLOCKED, action=Action.LEAVE, why=why)


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


def _with_room(steps: list[Step], scene: Scene) -> list[Step]:
    """Blocks all writes on a storage that is too small for them, before anything is written."""
    needs: dict[str, _Need] = {}
    safety = 0
    for step in steps:
        if step.action is Action.LEAVE or step.target is None:
            continue
        needs.setdefault(step.target.storage, _Need()).add(step, step.target.traits.cluster)
        if step.replaces:
            safety += step.found.size
    if safety:
        safety += RECORD_BYTES
    archive = scene.archive_room
    reasons: dict[str, str] = {}
    for storage, need in needs.items():
        room = scene.rooms.get(storage)
        if room is None:
            continue
        wanted = need.bytes + (safety if archive is not None and storage == scene.archive_storage else 0)
        if wanted > room.free:
            reasons[storage] = (
                f"no room on {room.name}: {size(wanted)} needed, {size(room.free)} free; "
                "make room, or restore less at a time"
            )
    no_safety = archive is not None and scene.archive_storage not in needs and safety > archive.free
    blocked: list[Step] = []
    for step in steps:
        writes = step.action is not Action.LEAVE and step.target is not None
        if writes and step.target is not None and step.target.storage in reasons:
            step = _block(step, reasons[step.target.storage])
        elif writes and step.replaces and scene.archive_trouble:
            step = _block(step, f"what it would replace cannot be kept first: {scene.archive_trouble}")
        elif writes and no_safety and step.replaces:
            assert archive is not None
            step = _block(
                step,
                f"no room in the archive to keep what it would replace: {size(safety)} needed, "
                f"{size(archive.free)} free",
            )
        blocked.append(step)
    return blocked


class _Need:
    """Bytes that the writes on one storage take at the most, in whole clusters."""

    def __init__(self) -> None:
        self._growth = 0
        self._replacing = 0
        self._largest = 0
        self._folders: set[tuple[str, str]] = set()

    def add(self, step: Step, cluster: int) -> None:
        new = _clusters(step.entry.size, cluster)
        if step.replaces:
            self._growth += max(0, new - _clusters(step.found.size, cluster))
            self._replacing += new
            self._largest = max(self._largest, new)
        else:
            self._growth += new
        assert step.target is not None
        folder = (step.target.base, step.target.way(step.path).rpartition("/")[0])
        if step.found.what is What.NOTHING and folder not in self._folders:
            self._folders.add(folder)
            self._growth += cluster

    @property
    def bytes(self) -> int:
        """What replaces stands beside what it replaces until its batch is through."""
        return self._growth + min(self._replacing, max(BATCH_BYTES, self._largest))


def _clusters(count: int, cluster: int) -> int:
    return -(-count // cluster) * cluster


def _span(ns: int) -> str:
    for unit, step in (("day", 86_400), ("hour", 3600), ("minute", 60)):
        if ns >= step * NS:
            count = ns // (step * NS)
            return f"{count:,} {unit}{'s' if count != 1 else ''}"
    return f"{ns // NS} seconds"
