"""What a restore decides: its steps, the plan that they make, and what is looked at for it. Values only."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import date
from enum import StrEnum

import msgspec
from msgspec.structs import replace

from handhold.archive.sameness import Forms
from handhold.archive.standing import Lines
from handhold.model import Entry, Identity
from handhold.names import written
from handhold.restore.clock import Stamps
from handhold.restore.found import Found, Room, Target, What


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

#: Decisions for which the handheld's own file stays, unless asked otherwise.
KEPT = frozenset({Decision.NEWER, Decision.FORK, Decision.UNSURE})
#: Decisions after which something is not as the archive has it, and the owner should know.
LEFT = KEPT | {Decision.HELD_BACK, Decision.BY_HAND, Decision.BLOCKED, Decision.FAILED}


class Step(msgspec.Struct, frozen=True):
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


class Source(msgspec.Struct, frozen=True):
    """The snapshot that the entries come from."""

    name: str
    device: str
    day: date
    limit: int  # no file in it can be younger: nanoseconds


class Scene(msgspec.Struct, frozen=True):
    """All that a plan needs besides the wishes themselves.

    ``histories`` by identity. ``entry_stamps`` and ``found_stamps`` tell a copy's time, by (emulator, home)
    as the entry has it. ``names`` are the folded names in a folder of a target, by its way from the base
    (``(base, way)``). ``rooms`` by ``Target.storage``; ``archive_storage`` is the one the archive lies on.
    """

    device: str
    source: Source
    now: int
    histories: Mapping[Identity, Lines] = {}
    on_newer: OnNewer = OnNewer.KEEP
    entry_stamps: Mapping[tuple[str, str], Stamps] = {}
    found_stamps: Mapping[tuple[str, str], Stamps] = {}
    names: Mapping[tuple[str, str], frozenset[str]] = {}
    rooms: Mapping[str, Room] = {}
    archive_room: Room | None = None
    archive_storage: str = ""
    forms: Forms = {}  # homes that hold the same saves in two forms
    archive_trouble: str = ""  # why the archive cannot be written to, if it cannot


class Plan(msgspec.Struct, frozen=True):
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


def block(step: Step, why: str) -> Step:
    """The step, not taken, with the reason."""
    return replace(step, decision=Decision.BLOCKED, action=Action.LEAVE, why=why)
