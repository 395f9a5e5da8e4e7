"""What is left for the owner to do, before and after a restore: steps that no program can do."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

import msgspec

from handhold.layouts.layout import Layout
from handhold.model import HomeKind, Part
from handhold.restore.steps import Action, Decision, Step

_SHOWN = 3


class ByHand(msgspec.Struct, frozen=True):
    """One step by hand; ``when`` is ``before`` or ``after`` the restore."""

    emulator: str
    when: str
    what: str


def by_hand(
    steps: Iterable[Step],
    layouts: Mapping[str, Layout],
    moving: bool,
    made: Collection[tuple[str, str, str]] = (),
) -> list[ByHand]:
    """The steps by hand of a plan, by emulator: what is to be done before come first. Pure.

    ``moving``: the snapshot is another device's, so everything around the files is to be done as well. On the
    same device only an import inside the emulator is left, and what an emulator needs that is not there. What
    comes before (install it, start it once) is told only where the home is not there yet. ``made`` are the
    keys of what is made of members of zips: no whole export, so the steps that import one are not for it.
    """
    by_emulator: dict[str, list[Step]] = {}
    for step in steps:
        if step.action is not Action.LEAVE or step.decision is Decision.BY_HAND:
            by_emulator.setdefault(step.entry.emulator, []).append(step)
    before: list[ByHand] = []
    after: list[ByHand] = []
    for emulator, members in sorted(by_emulator.items()):
        layout = layouts.get(emulator)
        missing = [step for step in members if step.decision is Decision.BY_HAND]
        importing = any(
            step.target is not None and step.target.site.kind is HomeKind.EXPORT
            for step in members
            if step.action is not Action.LEAVE and step.entry.key not in made
        )
        if layout and missing:
            before += [ByHand(emulator, "before", what) for what in layout.before]
        if layout and (missing or importing):
            after += [ByHand(emulator, "after", what) for what in layout.imports]
        if layout and (moving or missing or (importing and not layout.imports)):
            after += [ByHand(emulator, "after", what) for what in layout.after]
        if importing and not (layout and (layout.imports or layout.after)):
            after.append(
                ByHand(emulator, "after", "Import what was put into its export folder, inside the emulator.")
            )
        if moving:
            after += [ByHand(emulator, "after", what) for what in _warnings(members)]
    return before + after


def _warnings(steps: list[Step]) -> list[str]:
    """What is known of data that moves to another handheld (common practice, no source)."""
    written = [step for step in steps if step.action is not Action.LEAVE]
    told = []
    if any(step.entry.part is Part.STATES for step in written):
        told.append(
            "A save state may not load in another version of the emulator; "
            "if it does not, load the game's own save."
        )
    settings = [step.path for step in written if step.entry.part is Part.SETTINGS]
    if settings:
        shown = ", ".join(settings[:_SHOWN]) + (
            f" and {len(settings) - _SHOWN} more" if len(settings) > _SHOWN else ""
        )
        told.append(f"Look through the settings that name folders, the screen or its driver: {shown}.")
    return told
