"""A restore's plan and outcome, as people and as scripts read it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from handhold import amounts
from handhold.cli import words
from handhold.cli.games import games_document, show_games, show_versions
from handhold.cli.settings import settings_document, show_settings
from handhold.restore.select import title_of
from handhold.restore.steps import Action, Decision, Plan, Step

if TYPE_CHECKING:
    from handhold.cli.console import Console
    from handhold.restore.byhand import ByHand
    from handhold.restore.prepare import Place, Prepared

_STAYS = (Decision.NEWER, Decision.FORK, Decision.UNSURE)
_MOST_LINES = 24
#: So many emulators share a step by hand before it is said once for all.
_SHARED = 3


def document(
    plan: Plan,
    by_hand: Sequence[ByHand],
    *,
    dry_run: bool,
    restore: str | None,
    prepared: Prepared | None = None,
) -> dict[str, Any]:
    """The plan, or what became of it, for scripts; ``prepared`` has what else is known of a restore."""
    places = prepared.places if prepared is not None else ()
    steps = plan.steps
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
        "places": [
            {"emulator": p.emulator, "home": p.home, "place": p.text, "own_layout": p.own_layout}
            for p in places
        ],
        "unread_lists": prepared.hurt_pages if prepared is not None else 0,
        "told": list(prepared.told) if prepared is not None else [],
        "by_hand": [hand_document(one) for one in by_hand],
        **({**settings_document(prepared), **games_document(prepared)} if prepared is not None else {}),
    }


def hand_document(one: ByHand) -> dict[str, str]:
    """A step by hand for scripts."""
    return {"emulator": one.emulator, "when": one.when, "what": one.what}


def show(console: Console, prepared: Prepared, *, after: bool, files: bool = False) -> None:
    """The plan for people: what needs the owner first, games rather than paths.

    ``after``: with what is to be done by hand afterwards. ``files``: every file with its place as well.
    """
    steps = prepared.plan.steps
    console.say(f"From {prepared.plan.source.name} onto {prepared.plan.device}:")
    _places(console, prepared.places)
    writing = sorted({s.entry.emulator for s in steps if s.action is not Action.LEAVE})
    if writing:
        console.say(f"\nClose these emulators first: {words.listed(writing, 12)}.")
    for emulator in prepared.running:
        console.say(
            f"\nCaution: files of {emulator} changed within the last two minutes. If it is running, "
            "close it first: it writes its memory back over what is restored."
        )
    show_hands(console, "First, by hand:", [one for one in prepared.by_hand if one.when == "before"])
    section(console, "Not there yet:", [s for s in steps if s.decision is Decision.BY_HAND])
    section(console, "Cannot be written:", [s for s in steps if s.decision is Decision.BLOCKED])
    stays = [s for s in steps if s.decision in _STAYS and s.action is Action.LEAVE]
    section(console, "Stays as it is on this device:", stays)
    beside = [s for s in steps if s.action is Action.BESIDE]
    section(console, "Put beside what stands there:", beside)
    replaced = [s for s in steps if s.decision in _STAYS and s.action is Action.WRITE]
    section(console, "Replaced although it may be newer (kept in the archive first):", replaced)
    section(console, "Held back:", [s for s in steps if s.decision is Decision.HELD_BACK])
    writes(console, [s for s in steps if s.action is not Action.LEAVE])
    show_versions(console, prepared.versions)
    show_games(console, prepared)
    show_settings(console, prepared)
    same = sum(1 for s in steps if s.decision is Decision.SAME)
    if same:
        console.say(f"\nThere already: {words.amount(same, 'file')}.")
    if files:
        _files(console, steps)
    if after:
        show_after(console, prepared.by_hand)
    first = sorted(
        {
            (s.entry.emulator, s.entry.part.value)
            for s in stays
            if s.decision in (Decision.NEWER, Decision.UNSURE)
        }
    )
    if prepared.moving and first:
        console.say(
            "\nIf one of these is only what an emulator made at its first start (an empty memory card), put "
            "the archived one in its place:"
        )
        for emulator, part in first[:_MOST_LINES]:
            console.command(
                f"restore {prepared.plan.source.name}",
                f"--emulator {emulator} --part {part} --on-newer replace",
            )
    if stays:
        console.say(
            "\nTo put the archived ones beside these: --on-newer both. To go back to them on purpose: "
            "--on-newer replace; what it replaces goes into the archive first, and handhold undo "
            "brings it back."
        )


def question(plan: Plan) -> str:
    """What an owner is asked, with the sums."""
    writes = plan.writes
    counts = Counter(step.decision for step in plan.left)
    left = [
        f"{counts[decision]:,} {text if counts[decision] == 1 else many}"
        for decision, text, many in _ASIDE
        if counts[decision]
    ]
    aside = f" {', '.join(left)}." if left else ""
    return f"Write {words.amount(len(writes), 'file')} ({amounts.size(plan.bytes)})?{aside}"


_ASIDE = (
    (Decision.NEWER, "newer here stays", "newer here stay"),
    (Decision.FORK, "that both sides changed stays", "that both sides changed stay"),
    (Decision.UNSURE, "that may be newer stays", "that may be newer stay"),
    (Decision.HELD_BACK, "held back", "held back"),
    (Decision.BY_HAND, "not there yet", "not there yet"),
    (Decision.BLOCKED, "cannot be written", "cannot be written"),
)


def _places(console: Console, places: Sequence[Place]) -> None:
    several = {p.emulator for p in places if sum(o.emulator == p.emulator for o in places) > 1}
    for place in places[:_MOST_LINES]:
        home = f" ({place.home})" if place.emulator in several else ""
        console.say(f"  {place.emulator}{home} -> {place.text}{_known_by(place)}")
    if len(places) > _MOST_LINES:
        console.say(f"  and {len(places) - _MOST_LINES} more (--json lists all)")


def _known_by(place: Place) -> str:
    """What says where a home goes, where none of the owner's layouts does."""
    if place.own_layout:
        return ""
    from handhold.device.recognising import is_found

    return " (recognised)" if is_found(place.home) else " (by the layout stored in the archive)"


def _files(console: Console, steps: Sequence[Step]) -> None:
    console.say()
    rows = []
    for step in steps:
        quiet = step.action is Action.LEAVE or step.action.value == step.decision.value
        what = step.decision.value if quiet else f"{step.decision.value}, {step.action.value}"
        rows.append((what, step.place or f"{step.entry.emulator}: {step.entry.path}"))
    console.table(("Decision", "File"), rows, cut=False)


def show_after(console: Console, by_hand: Sequence[ByHand]) -> None:
    """What is left to do by hand once the files are there."""
    show_hands(console, "Afterwards, by hand:", [one for one in by_hand if one.when == "after"])


def show_hands(console: Console, title: str, by_hand: Sequence[ByHand]) -> None:
    """Steps by hand, by emulator; what three or more emulators share is said once."""
    if not by_hand:
        return
    console.say(f"\n{title}")
    sharing: dict[str, list[str]] = {}
    for one in by_hand:
        names = sharing.setdefault(one.what, [])
        if one.emulator not in names:
            names.append(one.emulator)
    groups: dict[tuple[str, ...], list[str]] = {}
    for what, names in sharing.items():
        for group in [tuple(names)] if len(names) >= _SHARED else [(name,) for name in names]:
            groups.setdefault(group, []).append(what)
    for group, whats in groups.items():
        console.say(f"  for {words.listed(list(group), 12)}" if len(group) > 1 else f"  {group[0]}")
        for what in whats:
            console.say(f"    - {what}")


def section(console: Console, title: str, steps: Sequence[Step]) -> None:
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


def writes(console: Console, steps: Sequence[Step]) -> None:
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
        size = amounts.size(sum(step.entry.size for step in members))
        rows.append(
            (emulator if emulator != last else "", part, f"{len(members):,}", size, words.listed(names, 3))
        )
        last = emulator
    console.table(("Emulator", "Part", "Files", "Size", "Games"), rows, right=(2, 3))


def _sum(steps: Sequence[Step]) -> str:
    size = amounts.size(sum(step.entry.size for step in steps))
    beside = sum(1 for s in steps if s.action is Action.BESIDE)
    newer = sum(1 for s in steps if s.decision in _STAYS and s.replaces)
    older = sum(1 for s in steps if s.replaces) - newer
    counts = (
        (older, "in place of an older version"),
        (newer, "in place of what may be newer"),
        (beside, "beside what stands there"),
    )
    told = [f"{count:,} of them {where}" for count, where in counts if count]
    return ", ".join([words.amount(len(steps), "file"), size, *told])


def last_line(steps: Sequence[Step]) -> str:
    """What became of it, in one line."""
    written = [s for s in steps if s.action in (Action.WRITE, Action.BESIDE)]
    removed = sum(1 for s in steps if s.action is Action.REMOVE)
    pieces = []
    if written:
        size = amounts.size(sum(s.entry.size for s in written))
        pieces.append(f"{words.amount(len(written), 'file')} written ({size})")
    if removed:
        pieces.append(f"{removed:,} removed")
    if not pieces:
        pieces.append("Nothing written")
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
