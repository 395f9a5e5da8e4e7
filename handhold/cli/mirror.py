"""``mirror``: a second archive is brought up to date."""

from __future__ import annotations

import os
from contextlib import ExitStack
from typing import TYPE_CHECKING, Annotated, Any

from handhold import amounts
from handhold.cli import words
from handhold.cli.line import App, Argument, Context, Ended
from handhold.cli.options import Json
from handhold.cli.session import Session
from handhold.errors import Exit, NotNow, OwnerError, WrongInput

if TYPE_CHECKING:
    from handhold.archive.archive import Archive
    from handhold.archive.mirror import Mirrored
    from handhold.cli.console import Console


def join(app: App) -> None:
    """Adds the command."""
    app.command()(mirror)


def mirror(
    context: Context,
    dest: Annotated[str, Argument(metavar="DEST", help="The second archive, or an empty folder.")],
    json: Json = False,
) -> None:
    """Brings a second archive up to date with this one.

    Every file is checked when it has arrived; nothing is deleted in either. Run it again after it was cut
    off. The other way round: handhold --archive DEST mirror THIS.
    """
    from handhold.archive.mirror import mirror as bring
    from handhold.archive.mirror import open_second
    from handhold.archive.storage import LocalStorage
    from handhold.condition.mirrors import Mirror, remember
    from handhold.typed import checked_path

    session: Session = context.obj
    first = session.archive()
    place = os.path.abspath(os.path.expanduser(checked_path("DEST", dest)))
    here, there = os.path.realpath(session.archive_path), os.path.realpath(place)
    if here == there or os.path.commonpath((here, there)) in (here, there):
        raise WrongInput(
            "The second archive is this one, or one lies in the other.",
            "Name a folder on another card or disk.",
        )
    storage = LocalStorage(place)
    open_second(first, storage)  # before the lock leaves anything there
    with ExitStack() as stack:
        try:
            stack.enter_context(first.locked("mirror"))
        except NotNow:
            raise
        except OwnerError:
            pass  # a card that can only be read is not changed by anybody else either
        with session.console.progress("Copying") as bar:
            done = bring(first, storage, progress=lambda part, total: bar(0, part, 0, total))
    if (upto := done.upto(first)) is not None:
        remember(first.id, Mirror(place, session.clock(), upto, done.adopted(first)))
    if json:
        session.console.document(_document(first, place, done))
    else:
        _show(session.console, place, done)
    raise Ended(_status(done))


def _status(done: Mirrored) -> Exit:
    if done.hurt:
        return Exit.DAMAGE
    return Exit.NOT_EVERYTHING if done.lack.apart or done.held_back else Exit.DONE


def _show(console: Console, place: str, done: Mirrored) -> None:
    lack = done.lack
    if done.hurt:
        console.warn("Hurt in this archive, and not copied:")
        for file, why in sorted(done.hurt.items())[:12]:
            console.warn(f"  {file}: {why}")
        console.warn("handhold verify says what that concerns; handhold mend repairs what can be repaired.")
    if done.held_back:
        names = words.listed([one.name for one in done.held_back], 3)
        console.warn(f"Waiting until that is repaired, for they need it: {names}.")
    if lack.diverged:
        console.warn("The two archives went on apart: each had snapshots that the other lacked.")
    if lack.apart:
        console.warn(
            f"{words.amount(len(lack.apart), 'snapshot')} of {words.listed(list(lack.both))} stayed where "
            "they are: nothing would tell in which order they and those over there were taken, and an older "
            "save could pass for a newer one. Keep both as they are; for a second archive name an empty "
            "folder."
        )
    elif lack.both:
        console.warn(
            f"{words.listed(list(lack.both))} went on in both. Which of the saves is newer only you can say: "
            "handhold history shows them, and neither overwrites the other."
        )
    apart = {one.device for one in lack.apart}
    if only := [one.name for one in lack.only_there if not one.let_go and one.device not in apart]:
        names = words.listed(only, 3)
        console.say(
            f"Only there: {names}. The other way round brings that here: handhold --archive {place} mirror …"
        )
    if lack.let_go:
        console.say(f"Let go there, and not brought back: {words.amount(len(lack.let_go), 'snapshot')}.")
    if not done.files:
        lacks = lack.apart or done.held_back
        console.say("Nothing was copied." if lacks else f"{place} lacks nothing.")
        return
    what = f"{words.amount(len(done.arrived), 'snapshot')}, {words.amount(done.files, 'file')}"
    console.say(
        f"{'A second archive was made' if done.made else 'Brought up to date'}: {place} ({what}, "
        f"{amounts.size(done.bytes)} copied and checked there)."
    )


def _document(first: Archive, place: str, done: Mirrored) -> dict[str, Any]:
    lack = done.lack
    return {
        "archive": first.storage.where,
        "mirror": place,
        "id": first.id,
        "made": done.made,
        "files": done.files,
        "bytes": done.bytes,
        "arrived": [one.name for one in done.arrived],
        "held_back": [one.name for one in done.held_back],
        "hurt": [{"file": file, "what": why} for file, why in sorted(done.hurt.items())],
        "diverged": lack.diverged,
        "both": list(lack.both),
        "apart": [one.name for one in lack.apart],
        "let_go": [one.name for one in lack.let_go],
        "only_there": [one.name for one in lack.only_there],
    }
