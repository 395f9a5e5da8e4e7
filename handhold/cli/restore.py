"""``restore``: plans, shows the plan, asks, applies."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

from handhold.cli import words
from handhold.cli.asking import agree, settled
from handhold.cli.line import App, Context, Ended, Option
from handhold.cli.options import (
    Checklist,
    DryRun,
    Emulators,
    Games,
    Homes,
    Json,
    Parts,
    Paths,
    SnapshotName,
    Yes,
)
from handhold.cli.session import Session, part_named
from handhold.errors import Damaged, Exit, UnknownName, WrongInput

if TYPE_CHECKING:
    from handhold.archive.archive import Archive, Snapshot
    from handhold.cli.checklist import ChecklistFile
    from handhold.cli.console import Console
    from handhold.restore.apply import Applied
    from handhold.restore.prepare import Prepared
    from handhold.restore.select import Selection
    from handhold.restore.steps import OnNewer, Plan
    from handhold.restore.targets import Elsewhere


def join(app: App) -> None:
    """Adds the command."""
    app.command()(restore)


def restore(
    context: Context,
    snapshot: SnapshotName,
    emulator: Emulators = None,
    part: Parts = None,
    game: Games = None,
    path: Paths = None,
    to: Annotated[
        list[str] | None, Option(metavar="NAME=PATH", help="Put a volume's files below this folder.")
    ] = None,
    home: Homes = None,
    form: Annotated[
        list[str] | None,
        Option(
            metavar="EMULATOR=HOME",
            help="Where an emulator keeps saves beside the games or in a folder: the one to put them into.",
        ),
    ] = None,
    on_newer: Annotated[
        str,
        Option(metavar="keep|both|replace", help="What to do where this device has newer progress."),
    ] = "keep",
    unpack: Annotated[
        bool, Option("--unpack", help="Write what lies in zips as files, into a folder beside each.")
    ] = False,
    repoint: Annotated[
        list[str] | None,
        Option(metavar="OLD=NEW", help="Settings that name the path OLD name NEW instead; repeat."),
    ] = None,
    rename: Annotated[
        list[str] | None,
        Option(metavar="OLD=NEW", help="Saves of the game OLD go by the title NEW here; repeat."),
    ] = None,
    files: Annotated[bool, Option("--files", help="List every file with its place.")] = False,
    checklist: Checklist = None,
    dry_run: DryRun = False,
    yes: Yes = False,
    json: Json = False,
) -> None:
    """Puts a snapshot, or a piece of it, back onto the device at hand. Newer progress stays."""
    from handhold.cli import plans
    from handhold.restore.apply import apply
    from handhold.restore.prepare import prepare

    session: Session = context.obj
    console = session.console
    wanted = selection(emulator, part, game, path)
    elsewhere = _elsewhere(to or (), home or (), form or ())
    policy = _policy(on_newer)
    places = _repointed(repoint or ())
    ticked = checklist_file(checklist)
    settled(json, dry_run=dry_run, yes=yes)
    archive = session.archive()
    device = session.device()
    found = last_readable(archive, snapshot)
    with _whose(snapshot, found, device.name), console.progress("Looking") as bar:
        prepared = prepare(
            archive,
            device,
            session.catalogue().layouts,
            found,
            clock=session.clock,
            selection=wanted,
            elsewhere=elsewhere,
            on_newer=policy,
            unpack=unpack,
            repoint=places,
            renames=rename or (),
            progress=lambda done, total: bar(done, 0, total),
        )
    warn(console, prepared)
    plan = prepared.plan
    write = bool(plan.writes) and not dry_run
    if not json:
        plans.show(console, prepared, after=not write, files=files)
    if write:
        agree(console, yes, plans.question(plan))
    name = None
    if not dry_run:  # with nothing to write it tidies up after runs that were cut off
        with console.progress("Writing") as bar:
            applied = apply(
                archive,
                device,
                plan,
                clock=session.clock,
                made=prepared.made,
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
            plans.document(
                plan,
                prepared.by_hand,
                dry_run=dry_run,
                restore=name,
                prepared=prepared,
            )
        )
    if ticked is not None:
        from handhold.restore.checklist import checklist as listed

        ticked.write(listed(prepared, None if dry_run else plan), session.clock())
        console.tell(f"The checklist is in {checklist}.")
    raise Ended(Exit.DAMAGE if prepared.hurt_pages or prepared.hurt_lists else status_of(plan))


@contextmanager
def _whose(wanted: str, found: Snapshot, device: str) -> Iterator[None]:
    """Where nothing fits, and ``latest`` is another device's night, that is told: nothing need be lost."""
    try:
        yield
    except WrongInput as error:
        if wanted.casefold() != "latest" or found.device == device:
            raise
        raise WrongInput(
            f"{error.what} latest is {found.name} here, the newest night of all devices.",
            f"For this device's own newest night: handhold restore {device} … {error.advice}",
        ) from error


def _elsewhere(to: Sequence[str], home: Sequence[str], form: Sequence[str]) -> Elsewhere:
    """What ``--to``, ``--home`` and ``--form`` say; ``WrongInput`` for what cannot be."""
    from handhold.config import named_paths
    from handhold.restore.targets import Elsewhere, form_option, home_option

    return Elsewhere(
        named_paths("--to", to), tuple(map(home_option, home)), dict(form_option(text) for text in form)
    )


def _repointed(repoint: Sequence[str]) -> Mapping[str, str]:
    """What ``--repoint`` says; ``WrongInput`` for what cannot be."""
    if not repoint:
        return {}
    from handhold.restore.repoint.rewriting import repoint_options

    return repoint_options([*repoint])


def checklist_file(path: str | None) -> ChecklistFile | None:
    """Where a checklist is to go, checked before anything is done; None if nobody asked for one."""
    if path is None:
        return None
    from handhold.cli.checklist import ChecklistFile

    return ChecklistFile(path)


def last_readable(archive: Archive, wanted: str) -> Snapshot:
    """The snapshot that is meant; ``Damaged`` where a newer one that could be meant cannot be read.

    Somebody who asks for the latest night must not get an older one unawares.
    """
    from handhold.archive.finding import may_be_meant

    try:
        found = archive.find(wanted)
    except UnknownName:
        found = None
    hurt = may_be_meant(archive.unreadable, wanted, found)
    if found is not None and not hurt:
        return found
    if not hurt:
        return archive.find(wanted)
    first = hurt[-1]
    raise Damaged(
        f"{first.file} cannot be read; by its name it is of {first.device}, {words.moment(first.taken)} UTC, "
        f'and may be what "{wanted}" means.',
        f"handhold verify says what is hurt. To restore the last one that can be read: {found.name}"
        if found is not None
        else "handhold verify says what is hurt; handhold list shows the nights that can be read.",
    )


def selection(
    emulator: Sequence[str] | None,
    part: Sequence[str] | None,
    game: Sequence[str] | None,
    path: Sequence[str] | None = None,
) -> Selection:
    """What the options single out; ``UnknownName`` for a part that there is not."""
    from handhold.restore.select import Selection

    parts = tuple(part_named(name) for name in part or ())
    return Selection(tuple(emulator or ()), parts, tuple(game or ()), tuple(path or ()))


def warn(console: Console, prepared: Prepared) -> None:
    """What the plan could not know."""
    if prepared.hurt:
        console.warn(
            f"{words.listed(list(prepared.hurt), 3)} could not be read, so who is newer was decided without "
            "it; handhold verify says what is hurt."
        )
    if prepared.hurt_pages:
        lists = words.amount(prepared.hurt_pages, "list")
        named = "it" if prepared.hurt_pages == 1 else "they"
        console.warn(
            f"{lists} of files cannot be read; what {named} named is not in this plan. "
            "handhold verify says what is hurt."
        )
    for text in prepared.told:
        console.warn(f"{text}.")
    if prepared.unrecorded and prepared.plan.writes:
        console.warn(f"This restore cannot be undone: {prepared.unrecorded}.")


def status_of(plan: Plan) -> Exit:
    """4 where the archive is hurt, 3 where something stayed as it was, 1 where all that was tried failed."""
    from handhold.restore.steps import Action, Decision

    if plan.damaged:
        return Exit.DAMAGE
    failed = any(step.decision is Decision.FAILED for step in plan.steps)
    if failed and not any(step.action is not Action.LEAVE for step in plan.steps):
        return Exit.FAILED
    return Exit.NOT_EVERYTHING if plan.left else Exit.DONE


def outcome(console: Console, applied: Applied) -> None:
    """What became of the plan, for people."""
    from handhold.restore.steps import Action

    if applied.failed:
        console.say("\nDid not work:")
        for step in applied.failed[:20]:
            console.say(f"  {step.entry.emulator}: {step.place}")
            console.say(f"    {step.why}")
        if len(applied.failed) > 20:
            console.say(f"  and {len(applied.failed) - 20} more (--json lists all)")
    written = any(step.action is not Action.LEAVE for step in applied.plan.steps)
    if applied.restored is not None and written:
        console.say("\nhandhold undo takes this back.")


def _policy(text: str) -> OnNewer:
    from handhold.restore.steps import OnNewer

    try:
        return OnNewer(text.casefold())
    except ValueError:
        raise WrongInput(f'--on-newer is keep, both or replace, not "{text}".') from None
