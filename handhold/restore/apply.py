"""Carries a plan out: what makes way goes into the archive first, and what was written is recorded there.

In this order, so that a run that is cut off anywhere loses nothing and can be taken back:

1. a safety manifest with every file that is about to be replaced;
2. a restored manifest with the note ``begun``: what is intended, for undo after a cut;
3. the files, a batch at a time (``writing``);
4. the restored manifest: what stands on the device from now on.

An archive that cannot be written to gives back what replaces nothing: that is put there without a record.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING

import msgspec
from msgspec.structs import replace

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot, VolumeNote
from handhold.archive.standing import BEGUN, ELSEWHERE
from handhold.errors import NotNow, OwnerError, StoppedHalfway
from handhold.model import Clock, Device, Entry, Kind, Site
from handhold.names import native
from handhold.restore.done import Done, standing_as
from handhold.restore.ownnotes import Place, remember, remember_folders
from handhold.restore.steps import NOT_HELD, Action, Decision, Plan, Step
from handhold.restore.stopping import stopped_once
from handhold.restore.writing import Writing

if TYPE_CHECKING:
    from handhold.keeping import Wanted
    from handhold.restore.making import Made


class Applied(msgspec.Struct, frozen=True):
    """What a restore did: the plan with what became of each step, and the manifests that record it."""

    plan: Plan
    safety: Snapshot | None
    restored: Snapshot | None
    told: tuple[str, ...] = ()  # what the owner should know besides: what undo will not take back

    @property
    def failed(self) -> tuple[Step, ...]:
        """The steps that did not work, each with why."""
        return tuple(step for step in self.plan.steps if step.decision is Decision.FAILED)


def apply(
    archive: Archive,
    device: Device,
    plan: Plan,
    *,
    clock: Clock,
    note: str = "",
    made: Sequence[Made] = (),
    takes_back: Sequence[Place] = (),
    progress: Callable[[int, int], None] | None = None,
) -> Applied:
    """Carries the plan out on the device at hand.

    ``takes_back`` are folders that a restore made which is taken back, outermost first: those that are empty
    then go.

    ``made`` are the files of the plan that no snapshot holds (see ``prepare``). A file that cannot be
    written becomes a step ``failed`` with why, and the others go on. So does one whose card is no longer the
    one that the plan was made for. ``progress`` is told the files done and their number. With nothing to
    write it only tidies up after runs that were cut off. Raises ``NotNow`` if another run holds the archive.
    """
    with stopped_once(), ExitStack() as stack:
        try:
            trouble = _hold(stack, archive)
        except NotNow:
            if plan.writes:
                raise
            return Applied(plan, None, None)  # another run writes just now: what lies about may be its own
        writing = stack.enter_context(Writing(archive, progress))
        writing.tidy(plan.steps)
        applied = _Run(archive, device, plan, clock, note, writing, trouble).go(made)
        if takes_back:
            writing.take_away(takes_back)
        return applied


def _hold(stack: ExitStack, archive: Archive) -> str:
    """Takes the archive's lock until the stack ends; or why the archive cannot be written to."""
    try:
        stack.enter_context(archive.locked("restore"))
    except NotNow:
        raise
    except OwnerError as error:
        return error.what
    return ""


class _Run:
    """One plan being carried out. ``trouble`` is why the archive cannot be written to, "" if it can."""

    def __init__(
        self,
        archive: Archive,
        device: Device,
        plan: Plan,
        clock: Clock,
        note: str,
        writing: Writing,
        trouble: str,
    ) -> None:
        self.archive = archive
        self.device = device
        self.plan = plan
        self.clock = clock
        self.note = note or f"from {plan.source.name}"
        self.writing = writing
        self.trouble = trouble
        self.steps = list(plan.steps)
        self.told: list[str] = []

    def go(self, made: Sequence[Made]) -> Applied:
        """Carries it out."""
        for at in self._todo():
            if why := self.writing.out_of_reach(self.steps[at]):
                self._fail([at], f"{why}; put it back and run this again")
        safety = self._keep_first()
        self._put(made)
        restored = self._write(_Record(self.archive, self.device, self.plan.source.name, safety, self.clock))
        return Applied(replace(self.plan, steps=tuple(self.steps)), safety, restored, tuple(self.told))

    def _todo(self) -> list[int]:
        return [at for at, step in enumerate(self.steps) if step.action is not Action.LEAVE]

    def _fail(self, places: Iterable[int], why: str) -> None:
        for at in places:
            self.steps[at] = replace(self.steps[at], decision=Decision.FAILED, action=Action.LEAVE, why=why)

    def _replacing(self) -> list[int]:
        return [at for at in self._todo() if self.steps[at].replaces]

    def _cannot_keep(self) -> None:
        self._fail(
            self._replacing(), f"what stands there could not be kept first, so it was left: {self.trouble}"
        )

    def _keep_first(self) -> Snapshot | None:
        """Puts what makes way into the archive."""
        safety = None
        if self._replacing() and not self.trouble:
            replacing = {at: self.steps[at] for at in self._replacing()}
            try:
                safety, lost = _keep_first(self.archive, self.device, replacing, self.plan, self.clock)
                for at, why in lost.items():
                    self._fail([at], why)
            except NotNow:
                raise
            except OwnerError as error:
                self.trouble = error.what
        if self.trouble:
            self._cannot_keep()
        return safety

    def _put(self, made: Sequence[Made]) -> None:
        """Puts the content of files that are made of others into the archive, from where all is written."""
        needed = {self.steps[at].entry.sha256 for at in self._todo()}
        wanted = [one for one in made if one.entry.sha256 in needed]
        if wanted and not self.trouble:
            try:
                with self.archive.writer() as writer:
                    for one in wanted:
                        one.put(writer)
                return
            except NotNow:
                raise
            except OwnerError as error:
                self.trouble = error.what
        mine = {one.entry.sha256 for one in wanted}
        self._fail(
            [at for at in self._todo() if self.steps[at].entry.sha256 in mine],
            f"it is made in the archive first: {self.trouble}",
        )

    def _write(self, record: _Record) -> Snapshot | None:
        """Writes the files, and on record before and after."""
        begun = self._begin(record) if self._todo() else None
        todo = self._todo()
        if not todo:
            return begun
        try:
            self.writing.write([self.steps[at] for at in todo])
        except KeyboardInterrupt as error:
            written = {_place(one.step) for one in self.writing.outcomes if one.written is not None}
            raise StoppedHalfway(len(written), begun is not None) from error
        finally:
            # Also when the run is stopped halfway: what was done stays recorded.
            done = {_place(outcome.step): outcome for outcome in self.writing.outcomes}
            places = {_place(self.steps[at]): at for at in todo}
            for place, one in done.items():
                self.steps[places[place]] = one.step
            restored = self._end(record, [*done.values()], begun) if begun is not None else None
        return restored

    def _begin(self, record: _Record) -> Snapshot | None:
        # The archive may have been hurt, or read anew and found so, since the plan was made.
        todo = self._todo()
        needed = [self.steps[at].entry for at in todo if self.steps[at].action is not Action.REMOVE]
        if not self.archive.hold_all(needed):
            self._fail([at for at in todo if not self._held(self.steps[at])], NOT_HELD)
        intended = [self.steps[at] for at in self._todo()]
        if not self.trouble:
            try:
                begun = record.write(_intended(intended), intended, BEGUN)
                self._note(begun, intended)
                if missing := _missing(intended):  # what a run that is cut off may have made by then
                    remember_folders(self.archive.id, begun.file, missing)
                return begun
            except NotNow:
                raise
            except OwnerError as error:
                self.trouble = error.what
            except ValueError:  # a list of what lies in a zip is lost: it is told, and nothing is replaced
                self.trouble = "the archive has lost some of what is to be written."
        self._cannot_keep()  # nothing makes way without a record to take it back by
        if self._todo():
            self.told.append(
                f"This restore is not on record, so handhold undo cannot take it back: {self.trouble}"
            )
        return None

    def _held(self, step: Step) -> bool:
        """Whether the archive still gives what a step writes; from a torn bundle, it is read to know."""
        if step.action is Action.REMOVE or self.archive.holds(step.entry):
            return True
        try:
            for _ in self.archive.content(step.entry):
                pass
        except OwnerError:
            return False
        return True

    def _end(self, record: _Record, done: Sequence[Done], begun: Snapshot) -> Snapshot:
        written = [one.written for one in done if one.written is not None]
        steps = [one.step for one in done]
        try:
            restored = record.write(written, steps, self.note)
        except NotNow:
            raise
        except OwnerError:
            return begun  # undo takes back from what was intended
        self._note(restored, steps)
        if self.writing.made:
            remember_folders(self.archive.id, restored.file, self.writing.made)
        return restored

    def _note(self, record: Snapshot, steps: Iterable[Step]) -> None:
        """This machine's own word for what it writes elsewhere."""
        homes = {site.path for site in _sites(steps) if site.volume == ELSEWHERE}
        if homes and not remember(self.archive.id, record.file, homes):
            text = (
                "No note could be left on this machine of what was written outside the device, "
                "so handhold undo will leave that as it is."
            )
            self.told += [text] if text not in self.told else []


def _keep_first(
    archive: Archive, device: Device, replacing: Mapping[int, Step], plan: Plan, clock: Clock
) -> tuple[Snapshot | None, dict[int, str]]:
    """Puts what makes way into the archive; the steps whose file did not get there, with why."""
    from handhold.keeping import (
        keep_files,
    )  # what it takes to read a device is loaded where anything makes way

    wanted = [_wanted(step) for step in replacing.values()]
    snapshot, entries, gaps = keep_files(
        archive,
        device,
        wanted,
        kind=Kind.SAFETY,
        clock=clock,
        sites=_sites(replacing.values()),
        base=plan.source.name,
        note=f"before a restore from {plan.source.name}",
    )
    kept = {entry.key: entry for entry in entries}
    reasons = {(gap.emulator, gap.path): gap.why for gap in gaps}
    lost: dict[int, str] = {}
    for at, step in replacing.items():
        assert step.target is not None
        entry = kept.get((step.entry.emulator, step.target.site.home, step.path))
        if entry is None:
            why = reasons.get((step.entry.emulator, step.path), "it could not be read")
            lost[at] = f"what stands there could not be kept first, so it was left: {why}"
        elif entry.sha256 != step.found.sha256:
            lost[at] = "it changed after the plan was made and was left as it is; run this again"
        elif not archive.holds(entry):
            lost[at] = (
                "what stands there could not be kept first, so it was left: the archive does not hold it"
            )
    return snapshot, lost


def _wanted(step: Step) -> Wanted:
    from handhold.keeping import Wanted

    assert step.target is not None
    return Wanted(
        emulator=step.entry.emulator,
        part=step.entry.part,
        game=step.entry.game,
        home=step.target.site.home,
        path=step.path,
        volume=step.target.site.volume,
        place=os.path.join(step.target.base, native(step.target.way(step.path))),
    )


class _Record:
    """Writes the restored manifests of one run."""

    def __init__(
        self, archive: Archive, device: Device, base: str, safety: Snapshot | None, clock: Clock
    ) -> None:
        self._archive = archive
        self._device = device
        self._base = base
        self._safety = safety
        self._clock = clock

    def write(self, entries: Sequence[Entry], steps: Sequence[Step], note: str) -> Snapshot:
        with self._archive.writer() as writer:
            return writer.finish(
                device=self._device.name,
                kind=Kind.RESTORED,
                taken=self._clock(),
                volumes=[VolumeNote(v.name, v.traits.filesystem) for v in self._device.volumes],
                sites=_sites(steps),
                layouts={},
                entries=entries
                if self._archive.hold_all(entries)
                else [writer.put_again(entry) for entry in entries],
                gaps=[],
                note=note,
                base=self._base,
                safety=self._safety.file if self._safety else None,
            )


def _intended(steps: Iterable[Step]) -> list[Entry]:
    return [
        standing_as(step, step.target, step.entry.modified)
        for step in steps
        if step.target is not None and step.action is not Action.REMOVE
    ]


def _missing(steps: Iterable[Step]) -> list[Place]:
    """The folders on the way to what is to be written that are not there yet, outermost first."""
    seen: set[Place] = set()
    missing: list[Place] = []
    for step in steps:
        if step.target is None or step.action is Action.REMOVE:
            continue
        base, way = step.target.base, step.target.way(step.path).rpartition("/")[0]
        while way and (base, way) not in seen:
            seen.add((base, way))
            if os.path.lexists(os.path.join(base, native(way))):
                break  # and so are those above it
            missing.append((base, way))
            way = way.rpartition("/")[0]
    return sorted(missing, key=lambda place: place[1].count("/"))


def _sites(steps: Iterable[Step]) -> tuple[Site, ...]:
    return tuple(dict.fromkeys(step.target.site for step in steps if step.target is not None))


def _place(step: Step) -> tuple[str, str]:
    assert step.target is not None
    return step.target.base, step.target.way(step.path)
