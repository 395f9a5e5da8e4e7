"""A restore's plan and outcome, as people and as scripts read it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from handhold.cli import words
from handhold.restore.plan import Action, Decision, Plan, Step
from handhold.restore.select import title_of

if TYPE_CHECKING:
    from handhold.cli.console import Console
    from handhold.restore.byhand import ByHand

_STAYS = (Decision.NEWER, Decision.FORK, Decision.UNSURE)
_MOST_LINES = 24


def document(
    plan: Plan, steps: Sequence[Step], by_hand: Sequence[ByHand], *, dry_run: bool, restore: str | None
) -> dict[str, Any]:
    """The plan, or what became of it, for scripts."""
    counts: dict[str, int] = {}
    for step in steps:
        counts[step.decision.value] = counts.get(step.decision.value, 0) + 1
    return {
        "restore": restore,
        "snapshot": plan.source.name,
        "dry_run": dry_run,
        "steps": [
            {
                "decision": step.decision.value,
                "action": step.action.value,
                "emulator": step.entry.emulator,
                "part": step.entry.part.value,
                "game": step.entry.game,
                "path": step.entry.path,
                "target": step.place or None,
                "why": step.why,
            }
            for step in steps
        ],
        "counts": counts,
        "by_hand": [hand_document(one) for one in by_hand],
    }


def hand_document(one: ByHand) -> dict[str, str]:
    """A step by hand for scripts."""
    return {"emulator": one.emulator, "when": one.when, "what": one.what}


def show(console: Console, plan: Plan, by_hand: Sequence[ByHand], running: Sequence[str]) -> None:
    """The plan for people: what needs the owner first, games rather than paths."""
    steps = plan.steps
    console.say(f"From {plan.source.name} onto {plan.device}:")
    for emulator in running:
        console.say(
            f"\nCaution: files of {emulator} changed within the last two minutes. If it is running, "
            "close it first: it writes its memory back over what is restored."
        )
    show_hands(console, "First, by hand:", [one for one in by_hand if one.when == "before"])
    _section(console, "Not there yet:", [s for s in steps if s.decision is Decision.BY_HAND])
    _section(console, "Cannot be written:", [s for s in steps if s.decision is Decision.BLOCKED])
    stays = [s for s in steps if s.decision in _STAYS and s.action is Action.LEAVE]
    _section(console, "Stays as it is on this device:", stays)
    beside = [s for s in steps if s.action is Action.BESIDE]
    _section(console, "Put beside what stands there:", beside)
    replaced = [s for s in steps if s.decision in _STAYS and s.action is Action.WRITE]
    _section(console, "Replaced although it may be newer (kept in the archive first):", replaced)
    _section(console, "Held back:", [s for s in steps if s.decision is Decision.HELD_BACK])
    _writes(console, [s for s in steps if s.action is Action.WRITE and s.decision not in _STAYS])
    same = sum(1 for s in steps if s.decision is Decision.SAME)
    if same:
        console.say(f"\nThere already: {words.amount(same, 'file')}.")
    show_hands(console, "Afterwards, by hand:", [one for one in by_hand if one.when == "after"])
    if stays:
        console.say(
            "\nTo put the archived ones beside these: --on-newer both. To go back to them on purpose: "
            "--on-newer replace; what it replaces goes into the archive first, and handhold undo "
            "brings it back."
        )


def show_hands(console: Console, title: str, by_hand: Sequence[ByHand]) -> None:
    """Steps by hand, by emulator."""
    if not by_hand:
        return
    console.say(f"\n{title}")
    for emulator in dict.fromkeys(one.emulator for one in by_hand):
        console.say(f"  {emulator}")
        for one in by_hand:
            if one.emulator == emulator:
                console.say(f"    - {one.what}")


def _section(console: Console, title: str, steps: Sequence[Step]) -> None:
    """Steps with their reasons; those of one emulator and one reason are one line."""
    if not steps:
        return
    console.say(f"\n{title}")
    groups: dict[tuple[str, str], list[Step]] = {}
    for step in steps:
        groups.setdefault((step.entry.emulator, step.why), []).append(step)
    last = ""
    for (emulator, why), members in sorted(groups.items())[:_MOST_LINES]:
        parts = words.listed(sorted({step.entry.part.value for step in members}))
        names = words.listed(list(dict.fromkeys(title_of(step.entry) for step in members)), 3)
        console.say(f"  {emulator if emulator != last else ' ' * len(emulator)}  {parts}: {names}")
        console.say(f"    {why}")
        last = emulator
    if len(groups) > _MOST_LINES:
        console.say(f"  and {len(groups) - _MOST_LINES} more (--json lists all)")


def _writes(console: Console, steps: Sequence[Step]) -> None:
    if not steps:
        console.say("\nNothing is to be written.")
        return
    console.say(f"\nWill be written: {_sum(steps)}")
    groups: dict[tuple[str, str], list[Step]] = {}
    for step in steps:
        groups.setdefault((step.entry.emulator, step.entry.part.value), []).append(step)
    rows = []
    last = ""
    for (emulator, part), members in sorted(groups.items()):
        names = list(dict.fromkeys(title_of(step.entry) for step in members))
        size = words.size(sum(step.entry.size for step in members))
        rows.append(
            (emulator if emulator != last else "", part, f"{len(members):,}", size, words.listed(names, 3))
        )
        last = emulator
    console.table(("Emulator", "Part", "Files", "Size", "Games"), rows, right=(2, 3))


def _sum(steps: Iterable[Step]) -> str:
    among = list(steps)
    new = sum(1 for s in among if s.decision is Decision.WRITE)
    size = words.size(sum(step.entry.size for step in among))
    brought = len(among) - new
    both = f", {brought} of them in place of an older version" if brought else ""
    return f"{words.amount(len(among), 'file')}, {size}{both}"


def last_line(steps: Sequence[Step]) -> str:
    """What became of it, in one line."""
    written = [s for s in steps if s.action in (Action.WRITE, Action.BESIDE)]
    removed = sum(1 for s in steps if s.action is Action.REMOVE)
    pieces = [
        f"{words.amount(len(written), 'file')} written ({words.size(sum(s.entry.size for s in written))})"
    ]
    if removed:
        pieces.append(f"{removed:,} removed")
    for decision, text in _OUTCOMES.items():
        count = sum(1 for s in steps if s.decision is decision and s.action is Action.LEAVE)
        if count:
            pieces.append(f"{count:,} {text}")
    return "; ".join(pieces) + "."


_OUTCOMES = {
    Decision.SAME: "there already",
    Decision.NEWER: "newer on this device and left",
    Decision.FORK: "left because both sides changed",
    Decision.UNSURE: "left because nothing tells which is newer",
    Decision.HELD_BACK: "held back",
    Decision.BY_HAND: "not there yet",
    Decision.BLOCKED: "that cannot be written",
    Decision.FAILED: "failed",
}
