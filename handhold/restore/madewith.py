"""States that another version of an emulator made: they may not load here (common practice, no source)."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping

import msgspec
from msgspec.structs import replace

from handhold.device.versions import version_of
from handhold.layouts.layout import Layout
from handhold.model import Part
from handhold.names import native
from handhold.restore.found import NoTarget, Target
from handhold.restore.lying import HomeKey
from handhold.restore.steps import Action, Decision, Step


class OtherVersion(msgspec.Struct, frozen=True):
    """An emulator that is here in another version than on the night of the snapshot."""

    emulator: str
    then: str
    here: str


def other_versions(
    then: Mapping[str, str],
    layouts: Mapping[str, Layout],
    targets: Mapping[HomeKey, Target | NoTarget],
) -> tuple[OtherVersion, ...]:
    """The emulators of which both versions are known, and differ."""
    found = []
    for emulator, version in sorted(then.items()):
        layout = layouts.get(emulator)
        if layout is None:
            continue
        homes = [
            (target.site.home, os.path.join(target.base, native(target.below)))
            for (name, _), target in sorted(targets.items())
            if name == emulator and isinstance(target, Target)
        ]
        here = version_of(layout, homes)
        if here is not None and here != version:
            found.append(OtherVersion(emulator, version, here))
    return tuple(found)


def marked(steps: Iterable[Step], versions: Iterable[OtherVersion]) -> tuple[Step, ...]:
    """The steps, those of such states with a word about it. Pure."""
    by_emulator = {one.emulator: one for one in versions}
    return tuple(
        replace(step, why=f"{step.why}; made with {one.then}, here is {one.here}: may not load")
        if step.entry.part is Part.STATES
        and (one := by_emulator.get(step.entry.emulator)) is not None
        and (step.action in (Action.WRITE, Action.BESIDE) or step.decision is Decision.SAME)
        else step
        for step in steps
    )
