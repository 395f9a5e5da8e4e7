"""``thin``: lets nights go by a rule."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from handhold import amounts
from handhold.cli import words
from handhold.cli.asking import agree, settled
from handhold.cli.line import App, Context, Ended, Option
from handhold.cli.options import Json, Yes
from handhold.cli.session import Session
from handhold.errors import Exit, NotNow, WrongInput

if TYPE_CHECKING:
    from handhold.archive.head import Snapshot
    from handhold.archive.thin import Thinned, Thinning
    from handhold.cli.console import Console

_MOST = 12  # lines of a kind on the screen


def join(app: App) -> None:
    """Adds the command."""
    app.command()(thin)


def thin(
    context: Context,
    nights: Annotated[int, Option(min=0, metavar="N", help="Keep the last N nights.")] = 0,
    weeks: Annotated[int, Option(min=0, metavar="N", help="Keep the newest of N weeks.")] = 0,
    months: Annotated[int, Option(min=0, metavar="N", help="Keep the newest of N months.")] = 0,
    years: Annotated[int, Option(min=0, metavar="N", help="Keep the newest of N years.")] = 0,
    zone: Annotated[
        str | None, Option(metavar="ZONE", help="Your time zone, if it is not this machine's.")
    ] = None,
    let_go: Annotated[
        bool, Option("--let-go", help="Also give up saves that stand in no night that stays.")
    ] = False,
    dry_run: Annotated[bool, Option("--dry-run", help="Only show which nights would go.")] = False,
    yes: Yes = False,
    json: Json = False,
) -> None:
    """Lets older nights go to make room. You say how many stay of each device.

    Of the last N nights, weeks (from Monday), months and years that have one the newest snapshot stays. The
    newest of a device always stays, and no save is let go that stands in no other night.
    """
    from handhold.archive.retention import Rule
    from handhold.archive.thin import prepare
    from handhold.archive.thin import thin as let
    from handhold.cli.zone import owner_zone

    session: Session = context.obj
    console = session.console
    rule = Rule(nights, weeks, months, years)
    if not rule.most:
        raise WrongInput(
            "thin was not told what stays.",
            "For example: handhold thin --nights 30 --weeks 26 --months 24 --years 10 --dry-run",
        )
    settled(json, dry_run=dry_run, yes=yes)
    archive = session.archive()
    now = session.clock()
    owner = owner_zone(zone, now)

    def plan() -> Thinning:
        with console.progress("Looking") as bar:
            return prepare(archive, rule, owner, now, let_go=let_go, progress=lambda a, b: bar(a, 0, b))

    found = plan()
    if not json:
        _show(console, found)
    if dry_run or found.nothing:
        if json:
            console.document(_document(found, None, dry_run))
        else:
            console.say(
                "This was only the plan; nothing was changed." if dry_run else "Nothing is to be done."
            )
        raise Ended(Exit.DAMAGE if found.missing else Exit.DONE)
    gone = len(found.goes)
    what = f"Let {words.amount(gone, 'night')} go" if gone else "Let go what nothing needs any more"
    agree(console, yes, f"{what}?")
    with archive.locked("thin"):
        again = plan()
        if [one.file for one in again.goes] != [one.file for one in found.goes]:
            raise NotNow(
                "Another run has changed the archive since this was shown, so nothing was let go.",
                "Run it again.",
            )
        with console.progress("Letting go") as bar:
            done = let(archive, again, progress=lambda a, b: bar(a, 0, b))
    if json:
        console.document(_document(again, done, dry_run))
    else:
        for text in done.told:
            console.warn(text)
        came = f"{amounts.size(max(0, done.freed))} came back."
        known = f"{words.amount(done.let_go, 'night')} let go; what stood where and when is still known. "
        console.say(known + came if done.let_go else came)
    if done.damage:
        raise Ended(Exit.DAMAGE)
    raise Ended(Exit.NOT_EVERYTHING if done.told else Exit.DONE)


def _show(console: Console, plan: Thinning) -> None:
    """The plan for people: what goes by device, what stays all the same, and the room."""
    if plan.missing:
        console.warn(
            f"{words.amount(plan.missing, 'piece')} of what stays cannot be found; handhold verify says what "
            "that concerns."
        )
    devices: dict[str, list[Snapshot]] = {}
    for one in plan.goes:
        devices.setdefault(one.device, []).append(one)
    stay: dict[str, int] = {}
    for one, _ in plan.stays:
        stay[one.device] = stay.get(one.device, 0) + 1
    console.table(
        ("Device", "Stay", "Go", "From", "To"),
        [
            (
                device,
                f"{stay.get(device, 0):,}",
                f"{len(gone := devices.get(device, [])):,}",
                f"{gone[0].taken:%Y-%m-%d}" if gone else "-",
                f"{gone[-1].taken:%Y-%m-%d}" if gone else "-",
            )
            for device in sorted({*devices, *stay})
        ],
        right=(1, 2),
    )
    _listed(console, "\nThese go:", [one.name for one in plan.goes])
    held = {one.file: one.name for one, _ in plan.stays}
    lines = []
    for file, entries in plan.sole.items():
        names = list(dict.fromkeys(entry.game or entry.path for entry in entries))
        lines.append(f"{held[file]}: {words.listed(names, 3)}")
    _listed(
        console,
        "\nThese stay as well, for they alone have a save (--let-go gives it up):",
        lines,
    )
    if plan.records:
        console.say(
            "\nRestores that are older than 30 days cannot be undone any more: what they put aside goes too."
        )
    console.say(f"\nAbout {amounts.size(plan.sweep.freed)} come back.")


def _listed(console: Console, title: str, lines: list[str]) -> None:
    if lines:
        console.say(title)
        for line in lines[:_MOST]:
            console.say(f"  {line}")
        if len(lines) > _MOST:
            console.say(f"  and {len(lines) - _MOST} more (--json lists all)")


def _document(plan: Thinning, done: Thinned | None, dry_run: bool) -> dict[str, Any]:
    """The plan, and what was done, for scripts."""
    return {
        "dry_run": dry_run,
        "goes": [one.name for one in plan.goes],
        "stays": [{"snapshot": one.name, "device": one.device, "why": list(why)} for one, why in plan.stays],
        "only_there": [
            {"snapshot": one.name, "emulator": entry.emulator, "part": entry.part, "path": entry.path}
            for one, _ in plan.stays
            for entry in plan.sole.get(one.file, ())
        ],
        "records": [one.name for one in plan.records],
        "frees": plan.sweep.freed,
        "freed": done.freed if done else 0,
        "told": done.told if done else [],
    }
