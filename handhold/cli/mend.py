"""``mend``: repairs from parity, from the device, from another archive."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

from handhold.cli import words
from handhold.cli.asking import agree, settled
from handhold.cli.line import App, Context, Ended, Option
from handhold.cli.options import Json, Yes
from handhold.cli.session import Session
from handhold.cli.verify import damage_document, show_lost
from handhold.errors import Exit, OwnerError, WrongInput

if TYPE_CHECKING:
    from handhold.archive.mending.mend import Look
    from handhold.archive.mending.result import Mending
    from handhold.archive.storage import Storage
    from handhold.archive.writer import Writer
    from handhold.cli.console import Console
    from handhold.model import Entry

_MOST = 12  # lines of a kind on the screen


def join(app: App) -> None:
    """Adds the command."""
    app.command()(mend)


def mend(
    context: Context,
    other: Annotated[
        str | None, Option("--from", metavar="PATH", help="Another archive that may have what is lost.")
    ] = None,
    add_parity: Annotated[
        bool,
        Option("--add-parity", help="Make parity for all, and keep the archive with it from now on."),
    ] = False,
    dry_run: Annotated[bool, Option("--dry-run", help="Only show what could be mended.")] = False,
    yes: Yes = False,
    json: Json = False,
) -> None:
    """Repairs a hurt archive.

    From its parity, from the device, from another archive.

    A hurt file is replaced only by one that was written and read back; what cannot be mended is left.
    """
    from handhold.archive.storage import LocalStorage

    session: Session = context.obj
    console = session.console
    settled(json, dry_run=dry_run, yes=yes)
    storage = LocalStorage(session.archive_path)
    source = _other(other, session.archive_path)
    look = _look(session)

    def run(dry: bool) -> Mending:
        from handhold.archive.mending.mend import mend as repair

        with console.progress("Mending") as bar:
            return repair(
                storage,
                session.clock,
                other=source,
                look=look,
                add_parity=add_parity,
                dry=dry,
                progress=lambda what, done, total: bar(0, done, 0, total),
            )

    result = None
    if dry_run or not yes:
        result = run(True)
        if not json:
            _show(console, result)
    if not dry_run and (result is None or not result.nothing):
        if result is not None:
            agree(console, yes, "Mend it?")
        result = run(False)
        if not json:
            _show(console, result)
    assert result is not None
    if json:
        console.document(document(result))
    elif dry_run:
        console.say("This was only the plan; nothing was written.")
    if not result.after.ok:
        raise Ended(Exit.DAMAGE)
    raise Ended(Exit.NOT_EVERYTHING if result.told else Exit.DONE)


def _other(path: str | None, own: str) -> Storage | None:
    """The other archive, which must be there."""
    import os

    from handhold.archive.archive import Archive
    from handhold.archive.storage import LocalStorage
    from handhold.errors import Damaged
    from handhold.typed import checked_path

    if path is None:
        return None
    place = os.path.abspath(os.path.expanduser(checked_path("--from", path)))
    if os.path.realpath(place) == os.path.realpath(own):
        raise WrongInput(f"--from names the archive that is to be mended: {place}.", "Name another one.")
    storage = LocalStorage(place)
    try:
        Archive.open(storage)
    except Damaged:
        pass  # every block of it proves itself
    return storage


def _look(session: Session) -> Look | None:
    """How the device at hand is searched; None, with a word about it, where it is not known or not there."""
    try:
        device = session.device(partial=True)
    except OwnerError as error:
        session.console.tell(f"The device is not looked at: {error.what}")
        return None

    def look(writer: Writer, entries: Sequence[Entry]) -> None:
        from handhold.regaining import regain

        regain(device, writer, entries, session.leave_out)

    return look


def document(result: Mending) -> dict[str, Any]:
    """The result for scripts."""
    return {
        "ok": result.after.ok,
        "dry_run": result.dry,
        "mended": [{"file": one.file, "what": one.what, "source": one.source} for one in result.done],
        "removed": result.removed,
        "parity": result.parity,
        "lost_blocks": result.lost_blocks,
        "told": result.told,
        "damage": [damage_document(one) for one in result.after.damage],
    }


def _show(console: Console, result: Mending) -> None:
    """What was done, or would be, and what is left."""
    if result.nothing and result.before.ok:
        console.say("The archive is whole: there is nothing to mend.")
        return
    title = "Can be mended:" if result.dry else "Mended:"
    if result.done:
        console.say(title)
    for deed in result.done[:_MOST]:
        console.say(f"  {deed.file}: {deed.what}, from {deed.source}.")
    if len(result.done) > _MOST:
        console.say(f"  and {len(result.done) - _MOST} more (--json lists all)")
    if result.parity:
        made = "would be made" if result.dry else "made"
        console.say(f"Parity {made} for {words.amount(result.parity, 'file')}.")
    if result.removed:
        gone = "would be taken away" if result.dry else "taken away"
        console.say(
            f"{words.amount(len(result.removed), 'hurt file')} {gone}; nothing is needed of it any more."
        )
    for text in result.told[:_MOST]:
        console.warn(text)
    if result.dry:
        if result.lost_blocks:
            console.say(f"{words.amount(result.lost_blocks, 'block')} could not be found anywhere.")
        elif result.nothing:
            console.say("Nothing here can mend it.")
        else:
            _show_rest(console, result)
    elif result.after.ok:
        console.say("\nThe archive is whole again." if not result.before.ok else "\nThe archive is whole.")
    if not result.after.ok and (result.nothing or not result.dry):
        console.say("\nCould not be mended:")
        for damage in result.after.damage[:_MOST]:
            console.say(f"  {damage.file}: {damage.what}")
        show_lost(console, result.after.damage, _MOST)
        console.say(
            "Another archive may have it: handhold mend --from PATH. Everything else can be restored. A card "
            "that has lost sectors will lose more: copy the archive to another one."
        )


def _show_rest(console: Console, result: Mending) -> None:
    """The records of nights that a plan does not bring back: nothing but another copy of them can."""
    mended = {one.file for one in result.done} | set(result.removed)
    left = [
        one for one in result.before.damage if one.file.startswith("manifests/") and one.file not in mended
    ]
    if not left:
        return
    console.say("\nCannot be mended:")
    for damage in left[:_MOST]:
        console.say(f"  {damage.file}: {damage.what}")
    show_lost(console, left, _MOST)
    console.say("Another archive may have it: handhold mend --from PATH")
