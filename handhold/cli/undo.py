"""``undo``: takes the last restore back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from handhold import amounts
from handhold.cli import words
from handhold.cli.asking import agree, settled
from handhold.cli.line import App, Context, Ended
from handhold.cli.options import DryRun, Json, Yes
from handhold.cli.restore import outcome, status_of
from handhold.cli.session import Session

if TYPE_CHECKING:
    from handhold.cli.console import Console
    from handhold.restore.steps import Step
    from handhold.restore.undo import Undo


def join(app: App) -> None:
    """Adds the command."""
    app.command()(undo)


def undo(
    context: Context,
    dry_run: DryRun = False,
    yes: Yes = False,
    json: Json = False,
) -> None:
    """Takes the last restore or carry onto this device back. What was played since stays.

    A second undo brings it back again.
    """
    from handhold.cli import plans
    from handhold.restore.undo import prepare_undo
    from handhold.restore.undo import undo as take_back

    session: Session = context.obj
    console = session.console
    settled(json, dry_run=dry_run, yes=yes)
    archive = session.archive()
    device = session.device()
    with console.progress("Looking") as bar:
        prepared = prepare_undo(
            archive, device, clock=session.clock, progress=lambda done, total: bar(done, 0, total)
        )
    if not json:
        _show(console, prepared)
    plan = prepared.plan
    name = None
    if not dry_run and (plan.writes or prepared.empty):
        agree(console, yes, _question(prepared))
        with console.progress("Writing") as bar:
            applied = take_back(
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
        if not json:
            outcome(console, applied)
            if plan.writes or applied.failed:
                console.say(plans.last_line(plan.steps))
            else:
                console.say("\nThe empty folders that it had made are gone.")
    elif not json:
        console.say(
            "\nThis was only the plan; nothing was written." if dry_run else "\nNothing is to be done."
        )
    if json:
        console.document(plans.document(plan, (), dry_run=dry_run, restore=name))
    raise Ended(status_of(plan))


def _show(console: Console, prepared: Undo) -> None:
    from handhold.restore.steps import Action, Decision

    steps = prepared.plan.steps
    when = words.moment(prepared.restore.taken)
    note = prepared.restore.note
    carried = note if note.startswith("carried from ") else ""
    cut = " It was cut off; what it had done by then is taken back." if prepared.cut_off else ""
    onto = prepared.plan.device
    if prepared.of_undo:
        console.say(f"Taking back the undo of {when}, onto {onto}: all is again as before it.{cut}")
    elif carried:
        console.say(f"Taking back what was {carried} on {when}, onto {onto}.{cut}")
    else:
        console.say(f"Taking back the restore of {when} (from {prepared.base}), onto {onto}.{cut}")
    if prepared.elsewhere:
        console.say("\nOutside this device it writes or removes:")
        for place in prepared.elsewhere:
            console.say(f"  {place}")
    if prepared.empty and not prepared.plan.writes:
        folders = words.amount(prepared.empty, "empty folder")
        console.say(f"\nNo file of it is here. What goes away again is what it made on the way: {folders}.")
    groups = (
        ("Comes back as it was:", [s for s in steps if s.action is Action.WRITE]),
        ("Goes away again (the archive keeps it):", [s for s in steps if s.action is Action.REMOVE]),
        ("Stays, because it was changed since:", [s for s in steps if s.decision is Decision.NEWER]),
        ("Cannot be taken back:", [s for s in steps if s.decision is Decision.BLOCKED]),
    )
    for title, members in groups:
        if not members:
            continue
        console.say(f"\n{title}")
        names: dict[tuple[str, str], list[str]] = {}
        for step in members:
            names.setdefault((step.entry.emulator, step.entry.part.value), []).append(_name(step))
        for (emulator, part), titles in names.items():
            count = words.amount(len(titles), "file")
            console.say(f"  {emulator}, {part}, {count}: {words.listed(list(dict.fromkeys(titles)), 3)}")
            for why in dict.fromkeys(s.why for s in members if s.decision is Decision.BLOCKED):
                console.say(f"    {why}")


def _name(step: Step) -> str:
    """The file's own name: what was put beside another has no other."""
    return step.path.rpartition("/")[2]


def _question(prepared: Undo) -> str:
    from handhold.restore.steps import Action

    plan = prepared.plan
    if not plan.writes:
        return f"Take it back: remove {words.amount(prepared.empty, 'empty folder')}?"
    back = sum(1 for s in plan.writes if s.action is not Action.REMOVE)
    gone = len(plan.writes) - back
    pieces = [f"write {words.amount(back, 'file')} ({amounts.size(plan.bytes)})"] if back else []
    pieces += [f"remove {words.amount(gone, 'file')}"] if gone else []
    return f"Take it back: {' and '.join(pieces)}?"
