"""Carries a plan out: what makes way goes into the archive first, and what was written is recorded there.

In this order, so that a run that is cut off anywhere loses nothing and can be taken back:

1. a safety manifest with every file that is about to be replaced;
2. a restored manifest with the note ``begun``: what is intended, for undo after a cut;
3. the files, a batch at a time (``writing``);
4. the restored manifest: what stands on the device from now on.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass, replace

from handhold.archive.archive import Archive
from handhold.archive.manifest import Snapshot, VolumeNote
from handhold.archive.standing import BEGUN
from handhold.model import Clock, Device, Entry, Kind, Site
from handhold.names import native
from handhold.restore.making import Made
from handhold.restore.plan import Action, Decision, Plan, Step
from handhold.restore.writing import Done, Writing, standing_as
from handhold.snapshot import Wanted, keep_files


@dataclass(frozen=True, slots=True)
class Applied:
    """What a restore did: the plan with what became of each step, and the manifests that record it."""

    plan: Plan
    safety: Snapshot | None
    restored: Snapshot | None

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
    progress: Callable[[int, int], None] | None = None,
) -> Applied:
    """Carries the plan out on the device at hand.

    ``made`` are the files of the plan that no snapshot holds (see ``prepare``). A file that cannot be
    written becomes a step ``failed`` with why, and the others go on. ``progress`` is
    told the files done and their number. Raises ``NotNow`` if another run holds the archive, and
    ``OwnerError`` if the archive cannot take the safety snapshot: then nothing was touched.
    """
    with archive.locked("restore"), Writing(archive, progress) as writing:
        writing.tidy(plan.steps)
        if not plan.writes:
            return Applied(plan, None, None)
        steps = list(plan.steps)
        safety, lost = _keep_first(archive, device, plan, clock)
        for at, why in lost.items():
            steps[at] = replace(steps[at], decision=Decision.FAILED, action=Action.LEAVE, why=why)
        todo = [at for at, step in enumerate(steps) if step.action is not Action.LEAVE]
        if not todo:
            return Applied(replace(plan, steps=tuple(steps)), safety, None)
        _put(archive, made, {steps[at].entry.sha256 for at in todo})
        record = _Record(archive, device, plan.source.name, safety, clock)
        record.write(_intended([steps[at] for at in todo]), [steps[at] for at in todo], BEGUN)
        done: list[Done] = []
        try:
            with closing(writing.write([steps[at] for at in todo])) as outcomes:
                for outcome in outcomes:
                    done.append(outcome)
        finally:
            # Also when the run is stopped halfway: what was done stays recorded.
            places = {_place(steps[at]): at for at in todo}
            for one in done:
                steps[places[_place(one.step)]] = one.step
            written = [one.written for one in done if one.written is not None]
            restored = record.write(written, [one.step for one in done], note or f"from {plan.source.name}")
    return Applied(replace(plan, steps=tuple(steps)), safety, restored)


def _put(archive: Archive, made: Sequence[Made], needed: Collection[str]) -> None:
    """Puts the content of files that are made of others into the archive, from where all is written."""
    wanted = [one for one in made if one.entry.sha256 in needed]
    if wanted:
        with archive.writer() as writer:
            for one in wanted:
                one.put(writer)


def _keep_first(
    archive: Archive, device: Device, plan: Plan, clock: Clock
) -> tuple[Snapshot | None, dict[int, str]]:
    """Puts what makes way into the archive; the steps whose file did not get there, with why."""
    replacing = {at: step for at, step in enumerate(plan.steps) if step.replaces}
    if not replacing:
        return None, {}
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
                entries=entries,
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


def _sites(steps: Iterable[Step]) -> tuple[Site, ...]:
    return tuple(dict.fromkeys(step.target.site for step in steps if step.target is not None))


def _place(step: Step) -> tuple[str, str]:
    assert step.target is not None
    return step.target.base, step.target.way(step.path)
