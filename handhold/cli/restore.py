"""``restore``: plans, shows the plan, asks, applies."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from handhold.cli import words
from handhold.cli.session import Session, part_named
from handhold.errors import Exit, WrongInput

if TYPE_CHECKING:
    from handhold.cli.console import Console
    from handhold.restore.apply import Applied
    from handhold.restore.plan import OnNewer, Plan
    from handhold.restore.prepare import Prepared
    from handhold.restore.select import Selection


def join(app: typer.Typer) -> None:
    """Adds the command."""
    app.command()(restore)


def restore(
    context: typer.Context,
    snapshot: Annotated[str, typer.Argument(help="latest, DEVICE, DEVICE.DATE or a whole name.")],
    emulator: Annotated[
        list[str] | None, typer.Option(metavar="ID", help="Only this emulator; repeat.")
    ] = None,
    part: Annotated[list[str] | None, typer.Option(metavar="PART", help="Only this part; repeat.")] = None,
    game: Annotated[
        list[str] | None, typer.Option(metavar="GAME", help="Only this game; * and ? stand for text; repeat.")
    ] = None,
    to: Annotated[
        list[str] | None, typer.Option(metavar="NAME=PATH", help="Put a volume's files below this folder.")
    ] = None,
    home: Annotated[
        list[str] | None, typer.Option(metavar="EMULATOR=PATH", help="Where an emulator's home lies here.")
    ] = None,
    on_newer: Annotated[
        str,
        typer.Option(metavar="keep|both|replace", help="What to do where this device has newer progress."),
    ] = "keep",
    unpack: Annotated[
        bool, typer.Option("--unpack", help="Write what lies in zips as files, into a folder beside each.")
    ] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only show what would be done.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do it without asking.")] = False,
    json: Annotated[bool, typer.Option("--json", help="One JSON document for scripts.")] = False,
) -> None:
    """Puts a snapshot, or a piece of it, back onto the device at hand. Newer progress stays."""
    from handhold.cli import plans
    from handhold.config import named_paths
    from handhold.restore.apply import apply
    from handhold.restore.prepare import prepare
    from handhold.restore.targets import Elsewhere, home_option

    session: Session = context.obj
    console = session.console
    wanted = selection(emulator, part, game)
    elsewhere = Elsewhere(named_paths("--to", to or ()), tuple(home_option(text) for text in home or ()))
    policy = _policy(on_newer)
    if json and not (dry_run or yes):
        raise WrongInput("--json cannot ask.", "Add --dry-run to see the plan, or --yes to carry it out.")
    archive = session.archive()
    device = session.device()
    with console.progress("Looking") as bar:
        prepared = prepare(
            archive,
            device,
            session.catalogue().layouts,
            archive.find(snapshot),
            clock=session.clock,
            selection=wanted,
            elsewhere=elsewhere,
            on_newer=policy,
            unpack=unpack,
            progress=lambda done, total: bar(done, 0, total),
        )
    warn(console, prepared)
    if not json:
        plans.show(console, prepared.plan, prepared.by_hand, prepared.running)
    if dry_run or not prepared.plan.writes:
        if json:
            console.document(
                plans.document(
                    prepared.plan, prepared.plan.steps, prepared.by_hand, dry_run=dry_run, restore=None
                )
            )
        elif dry_run:
            console.say("\nThis was only the plan; nothing was written.")
        raise typer.Exit(status_of(prepared.plan))
    agree(console, yes, "Write these files?")
    with console.progress("Writing") as bar:
        applied = apply(
            archive,
            device,
            prepared.plan,
            clock=session.clock,
            made=prepared.made,
            progress=lambda done, total: bar(done, 0, total),
        )
    if json:
        name = applied.restored.name if applied.restored else None
        document = plans.document(
            applied.plan, applied.plan.steps, prepared.by_hand, dry_run=False, restore=name
        )
        console.document(document)
    else:
        outcome(console, applied)
    raise typer.Exit(status_of(applied.plan))


def selection(
    emulator: Sequence[str] | None, part: Sequence[str] | None, game: Sequence[str] | None
) -> Selection:
    """What the options single out; ``UnknownName`` for a part that there is not."""
    from handhold.restore.select import Selection

    return Selection(tuple(emulator or ()), tuple(part_named(name) for name in part or ()), tuple(game or ()))


def warn(console: Console, prepared: Prepared) -> None:
    """What the plan could not know."""
    if prepared.hurt:
        console.warn(
            f"{words.listed(list(prepared.hurt), 3)} could not be read, so who is newer was decided without "
            "it; handhold verify says what is hurt."
        )


def agree(console: Console, yes: bool, question: str) -> None:
    """Goes on only if the owner said yes, now or on the command line."""
    if yes:
        return
    if not console.asks:
        raise WrongInput(
            "Nothing was written: nobody is here to say yes.",
            "Add --yes to carry it out, or --dry-run to look.",
        )
    if not console.agrees(f"\n{question}"):
        console.say("Nothing was written.")
        raise typer.Exit(Exit.DONE)


def status_of(plan: Plan) -> Exit:
    """3 where something stayed as it was, 1 where everything that was tried failed."""
    from handhold.restore.plan import Action, Decision

    failed = any(step.decision is Decision.FAILED for step in plan.steps)
    if failed and not any(step.action is not Action.LEAVE for step in plan.steps):
        return Exit.FAILED
    return Exit.NOT_EVERYTHING if plan.left else Exit.DONE


def outcome(console: Console, applied: Applied) -> None:
    """What became of the plan, for people."""
    from handhold.cli import plans

    if applied.failed:
        console.say("\nDid not work:")
        for step in applied.failed[:20]:
            console.say(f"  {step.entry.emulator}: {step.place}")
            console.say(f"    {step.why}")
        if len(applied.failed) > 20:
            console.say(f"  and {len(applied.failed) - 20} more (--json lists all)")
    if applied.restored is not None:
        console.say("\nhandhold undo takes this back.")
    console.say(plans.last_line(applied.plan.steps))


def _policy(text: str) -> OnNewer:
    from handhold.errors import UnknownName
    from handhold.restore.plan import OnNewer

    try:
        return OnNewer(text.casefold())
    except ValueError:
        raise UnknownName("way to go on with --on-newer", text, [one.value for one in OnNewer]) from None
