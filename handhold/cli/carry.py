"""``carry``: brings the newest progress of each save from all devices to the one at hand, or only tells."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

from handhold import amounts
from handhold.cli import words
from handhold.cli.asking import agree, settled
from handhold.cli.line import App, Context, Ended, Option
from handhold.cli.options import Checklist, Emulators, Games, Homes, Json, Yes
from handhold.cli.restore import checklist_file, outcome, selection, status_of
from handhold.cli.session import Session
from handhold.errors import Exit

if TYPE_CHECKING:
    from datetime import datetime

    from handhold.cli.console import Console
    from handhold.restore.carry import Carry
    from handhold.restore.cases import Save, Version
    from handhold.restore.steps import Plan

_MOST_FORKS = 24


def join(app: App) -> None:
    """Adds the command."""
    app.command()(carry)


def carry(
    context: Context,
    emulator: Emulators = None,
    part: Annotated[
        list[str] | None, Option(metavar="PART", help="This part instead of saves; repeat.")
    ] = None,
    game: Games = None,
    take: Annotated[
        str | None,
        Option(metavar="DEVICE", help="Whose save to take where more than one played on."),
    ] = None,
    to: Annotated[
        list[str] | None, Option(metavar="NAME=PATH", help="Where a volume is, if not at its place.")
    ] = None,
    home: Homes = None,
    checklist: Checklist = None,
    dry_run: Annotated[
        bool, Option("--dry-run", help="Only show which device has the newest save of each game.")
    ] = False,
    yes: Yes = False,
    json: Json = False,
) -> None:
    """Brings the newest save of each game to the device at hand. It looks at all devices in the archive.

    Where two devices played on from the same save nothing is overwritten: --take says whose comes.
    """
    from handhold.cli import plans
    from handhold.config import named_paths
    from handhold.restore.carry import carry as bring
    from handhold.restore.carry import prepare_carry
    from handhold.restore.targets import Elsewhere, home_option

    session: Session = context.obj
    console = session.console
    settled(json, dry_run=dry_run, yes=yes)
    elsewhere = Elsewhere(named_paths("--to", to or ()), tuple(home_option(text) for text in home or ()))
    ticked = checklist_file(checklist)
    wanted = selection(session.emulators_named(emulator), part, game)
    archive = session.archive()
    device = session.device()
    with console.progress("Looking") as bar:
        prepared = prepare_carry(
            archive,
            device,
            session.catalogue().layouts,
            clock=session.clock,
            selection=wanted,
            take=take,
            elsewhere=elsewhere,
            progress=lambda done, total: bar(done, 0, total),
        )
    _warn(console, prepared)
    plan = prepared.plan
    write = bool(plan.writes) and not dry_run
    if not json:
        asked = [one.value for one in wanted.parts]
        _show(console, prepared, session.clock(), after=not write, parts=asked)
    if write:
        size = amounts.size(plan.bytes)
        agree(console, yes, f"Bring {words.amount(len(plan.writes), 'file')} ({size})?")
    name = None
    if not dry_run:  # with nothing to write it tidies up after runs that were cut off
        with console.progress("Writing") as bar:
            applied = bring(
                archive,
                device,
                prepared,
                clock=session.clock,
                progress=lambda done, total: bar(done, 0, total),
            )
        plan = applied.plan
        name = applied.restored.name if applied.restored else None
        for text in applied.told:
            console.warn(text)
        if write and not json:
            outcome(console, applied)
            plans.show_after(console, prepared.by_hand)
            console.say(f"\n{plans.last_line(plan.steps)}")
    elif not json:
        console.say("\nThis was only the plan; nothing was written.")
    if json:
        console.document(
            {
                **plans.document(plan, prepared.by_hand, dry_run=dry_run, restore=name),
                "saves": [_save_document(save) for save in prepared.saves],
            }
        )
    if ticked is not None:
        from handhold.restore.checklist import checklist_of

        ticked.write(checklist_of(prepared, None if dry_run else plan), session.clock())
        console.tell(f"The checklist is in {checklist}.")
    raise Ended(_status(plan))


def _status(plan: Plan) -> Exit:
    """As after a restore; but nothing is left undone where this device has the newest."""
    from msgspec.structs import replace

    from handhold.restore.steps import Decision

    return status_of(replace(plan, steps=tuple(s for s in plan.steps if s.decision is not Decision.NEWER)))


def _warn(console: Console, prepared: Carry) -> None:
    if prepared.hurt:
        console.warn(
            f"{words.listed(list(prepared.hurt), 3)} could not be read, so which is newest was decided "
            "without it; handhold verify says what is hurt."
        )
    if prepared.unrecorded and prepared.plan.writes:
        console.warn(f"This cannot be undone: {prepared.unrecorded}.")


def _nothing(parts: Sequence[str]) -> str:
    """Why there is nothing to compare."""
    if "cache" in parts:
        return "Caches are never kept, so there are none to carry: emulators make them again."
    if "games" in parts:
        return "The archive holds no games: they are kept only where a snapshot was asked to (--part games)."
    return f"The archive holds no {words.listed(list(parts)) or 'saves'} yet."


def _show(
    console: Console, prepared: Carry, clock: datetime, *, after: bool, parts: Sequence[str] = ()
) -> None:
    """The plan for people: what needs the owner first, then which device has what."""
    from handhold.cli import plans
    from handhold.restore.steps import Action, Decision

    plan = prepared.plan
    others = [
        f"{name} (as of {words.moment(taken)})"
        for name, taken in sorted(prepared.last.items())
        if name != plan.device
    ]
    console.say(f"Onto {plan.device}, from {words.listed(others, 8) or 'no other device yet'}:")
    for emulator in prepared.running:
        console.say(
            f"\nCaution: files of {emulator} changed within the last two minutes. If it is running, "
            "close it first: it writes its memory back over what is brought."
        )
    _forks(console, prepared, clock)
    plans.show_hands(console, "First, by hand:", [one for one in prepared.by_hand if one.when == "before"])
    steps = plan.steps
    plans.section(console, "Not there yet:", [s for s in steps if s.decision is Decision.BY_HAND])
    plans.section(console, "Cannot be written:", [s for s in steps if s.decision is Decision.BLOCKED])
    plans.section(console, "Stays away:", [s for s in steps if s.decision is Decision.HELD_BACK])
    if prepared.saves:
        console.say("\nThe newest of each:")
        console.table(("Game", "Emulator", "Newest on", "Played", "Here"), _rows(prepared.saves, clock))
    else:
        console.say(f"\n{_nothing(parts)}")
    plans.writes(console, [s for s in steps if s.action is not Action.LEAVE])
    _removed(console, prepared.saves)
    if prepared.unseen:
        console.say(
            f"\n{words.amount(prepared.unseen, 'save')} of this device are in no snapshot yet. So that other "
            "devices can have them: handhold snapshot"
            if prepared.unseen != 1
            else "\n1 save of this device is in no snapshot yet. So that other devices can have it: "
            "handhold snapshot"
        )
    if after:
        plans.show_after(console, prepared.by_hand)


def _removed(console: Console, saves: Sequence[Save]) -> None:
    """What was removed on other devices, and stays here: a carry removes nothing."""
    gone: dict[tuple[str, ...], list[str]] = {}
    for save in saves:
        if save.removed_on and save.here.value in ("same", "newer"):
            gone.setdefault(save.removed_on, []).append(save.title)
    for devices, titles in gone.items():
        named = words.listed(list(dict.fromkeys(titles)), 6)
        console.say(f"\nRemoved on {words.listed(list(devices))}, and stays here: {named}.")


def _forks(console: Console, prepared: Carry, clock: datetime) -> None:
    """The saves that only the owner can decide on, with what speaks for each side."""
    games: dict[tuple[str, str], list[Save]] = {}
    for save in prepared.saves:
        if save.here.value == "fork" and save.taken is None:
            games.setdefault((save.emulator, save.title), []).append(save)
    if not games:
        return
    console.say("\nNeeds you: played on more than one device, and nothing is overwritten:")
    for (emulator, title), saves in [*games.items()][:_MOST_FORKS]:
        console.say(f"\n  {title} ({emulator})")
        rows = []
        for device in sorted({v.device for save in saves for v in save.versions if v.newest}):
            sides = [v for save in saves for v in save.versions if v.newest and v.device == device]
            last = max(sides, key=lambda version: version.modified)
            rows.append(
                (
                    f"    {device}{' (this one)' if last.here else ''}",
                    words.when(last.modified, clock),
                    amounts.size(sum(version.size for version in sides)),
                    _evenings(sides),
                )
            )
        console.table(("    Device", "Played", "Size", "Since they parted"), rows, right=(2,))
    if len(games) > _MOST_FORKS:
        console.say(f"  and {len(games) - _MOST_FORKS} more (--json lists all)")
    (emulator, title), saves = next(iter(games.items()))
    other = next((v.device for s in saves for v in s.versions if v.newest and not v.here), "DEVICE")
    console.say(
        f'\n  To choose: handhold carry --take {other} --game "{title}" (without --game for all of them). '
        "What it replaces stays in the archive."
    )
    first = [
        title
        for (_, title), saves in games.items()
        if any(save.never_here and any(version.here for version in save.versions) for save in saves)
    ]
    if first:
        console.say(
            f"  No night knows what stands here of {words.listed(first, 4)}. If an emulator made it at its "
            "first start (an empty memory card), take the other one."
        )


def _evenings(sides: Sequence[Version]) -> str:
    count = max(version.evenings for version in sides)
    return words.amount(count, "evening") if count else "put back"


def _rows(saves: Sequence[Save], clock: datetime) -> list[tuple[str, str, str, str, str]]:
    """A row for each game; several where its files differ. What needs the owner comes first."""
    groups: dict[tuple[str, str, str, str], list[Save]] = {}
    for save in sorted(saves, key=lambda one: _ORDER.index(one.here.value)):
        newest = save.newest.device if save.newest else " or ".join(_sides(save))
        groups.setdefault((save.emulator, save.title, newest, _here(save)), []).append(save)
    rows = []
    for (emulator, title, newest, here), members in groups.items():
        played = max(
            (version.modified for save in members for version in save.versions if version.newest), default=0
        )
        title = title if members[0].part.value == "saves" else f"{title} ({members[0].part.value})"
        rows.append((title, emulator, newest, words.when(played, clock), here))
    return rows


#: What needs the owner, what comes, what stays.
_ORDER = ("fork", "older", "missing", "removed", "newer", "same")


def _sides(save: Save) -> list[str]:
    """The devices between which the owner is to choose."""
    return sorted({version.device for version in save.versions if version.newest})


def _here(save: Save) -> str:
    if save.taken is not None:
        return f"taken: {save.taken}"
    if save.here.value == "fork" and not any(version.here and version.newest for version in save.versions):
        return "others played"
    return _WORDS[save.here.value]


_WORDS = {
    "fork": "both played",
    "older": "older",
    "missing": "missing",
    "removed": "removed",
    "newer": "the newest",
    "same": "the same",
}


def _save_document(save: Save) -> dict[str, Any]:
    return {
        "emulator": save.emulator,
        "part": save.part.value,
        "game": save.game,
        "path": save.path,
        "newest": _newest_document(save.newest),
        "here": save.here.value,
        "taken": save.taken,
        "removed_on": list(save.removed_on),
        "versions": [
            {
                "device": version.device,
                "here": version.here,
                "newest": version.newest,
                "modified": words.stamp(version.modified),
                "since": version.since.isoformat() if version.since else None,
                "size": version.size,
                "sha256": version.sha256,
                "evenings": version.evenings,
            }
            for version in save.versions
        ],
    }


def _newest_document(newest: Version | None) -> dict[str, Any] | None:
    """None where there is a fork."""
    if newest is None:
        return None
    return {
        "device": newest.device,
        "modified": words.stamp(newest.modified),
        "since": newest.since.isoformat() if newest.since else None,
    }
