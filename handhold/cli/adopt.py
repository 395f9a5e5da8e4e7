"""``adopt``: old backups that were made by hand become snapshots of their own dates."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Any

from handhold import amounts
from handhold.cli import words
from handhold.cli.asking import agree, settled
from handhold.cli.line import App, Argument, Context, Ended, Option
from handhold.cli.options import Json, Yes
from handhold.cli.session import Session
from handhold.errors import Exit, WrongInput

if TYPE_CHECKING:
    from handhold.archive.archive import Archive, Snapshot
    from handhold.interchange.adopt.adopt import Backup
    from handhold.model import Gap


def join(app: App) -> None:
    """Adds the command."""
    app.command()(adopt)


def adopt(
    context: Context,
    backup: Annotated[list[str], Argument(metavar="BACKUP...", help="A folder, a zip or a tar.")],
    date: Annotated[
        str | None,
        Option(metavar="DATE", help="Of what day it is; otherwise by its name or its newest save."),
    ] = None,
    home: Annotated[
        list[str] | None,
        Option(metavar="EMULATOR=PATH", help="A folder of it that is this emulator's; repeat."),
    ] = None,
    only_layouts: Annotated[
        bool, Option("--only-layouts", help="Take in only what a layout names; recognise nothing.")
    ] = False,
    dry_run: Annotated[bool, Option("--dry-run", help="Only show what would be taken in.")] = False,
    yes: Yes = False,
    json: Json = False,
) -> None:
    """Takes old backups in, each as a snapshot of its date.

    They are of the device at hand, and stay as they are.
    """
    from handhold.interchange.adopt.adopt import look, take_in

    session: Session = context.obj
    console = session.console
    settled(json, dry_run=dry_run, yes=yes)
    if date is not None and len(backup) > 1:
        raise WrongInput("--date speaks of one backup.", "Take in one at a time, or let their names tell.")
    given = dict(map(_home, home or ()))
    device = session.device_name
    archive = session.archive()
    documents: list[dict[str, Any]] = []
    status = Exit.DONE
    for path in backup:
        with _opened(session, archive, path) as (root, name, gaps):
            found = look(
                archive,
                root,
                name,
                device,
                list(session.catalogue().layouts.values()),
                now=session.clock(),
                date=date,
                given=given,
                parts=session.kept_parts(),
                recognise=session.recognises(only_layouts),
                volumes=list(session.config.volumes),
                leave_out=session.leave_out,
                gaps=gaps,
            )
            if not json:
                _show(session, found)
            snapshot, new = None, True
            kept_gaps: Sequence[Gap] = found.gaps
            if not dry_run:
                day = found.dated.taken.date().isoformat()
                agree(console, yes, f"Take it in as a snapshot of {device} of {day}?")
                with console.progress("Reading") as bar:
                    snapshot, new = take_in(archive, found, now=session.clock(), progress=bar)
                kept_gaps = archive.read(snapshot).gaps
            if kept_gaps:
                status = Exit.NOT_EVERYTHING
        documents.append(_document(path, found, snapshot, new, kept_gaps))
        if not json:
            _tell(session, snapshot, new, kept_gaps)
    if json:
        console.document({"device": device, "dry_run": dry_run, "adopted": documents})
    raise Ended(status)


def _home(text: str) -> tuple[tuple[str, str], str]:
    name, equals, path = text.partition("=")
    emulator, _, home = name.partition(":")
    if not equals or not emulator:
        raise WrongInput(f'--home is EMULATOR=PATH, not "{text}".', "As --home tinplate=old/Tinplate")
    plain = os.path.normpath(path).strip("/")
    if plain.startswith(".."):
        raise WrongInput(f"--home {text} leads out of the backup.", "Name a folder in it.")
    return (emulator, home), "" if plain == "." else plain


@contextmanager
def _opened(session: Session, archive: Archive, path: str) -> Iterator[tuple[str, str, list[Gap]]]:
    """The backup as a folder, with its name, and what did not come out of one that is packed."""
    from handhold.archive.adopted import BACKUP
    from handhold.interchange.adopt.unpacking import packed, stem, unpack

    place = os.path.abspath(os.path.expanduser(path))
    name = os.path.basename(place) or "backup"
    if os.path.isdir(place):
        if os.path.exists(os.path.join(place, "archive.yaml")):
            raise WrongInput(
                f"{path} is an archive and no old backup.", "handhold --archive takes it as it is."
            )
        yield place, name, []
        return
    if not os.path.exists(place):
        raise WrongInput(f"There is no {path}.", "Look whether its medium is in.")
    if not packed(name):
        raise WrongInput(f"{path} is no folder, no zip and no tar.", "Unpack it, and name the folder.")
    with tempfile.TemporaryDirectory(prefix="handhold-adopt-") as folder:
        session.console.tell(f"Unpacking {name} …")
        yield folder, stem(name), unpack(place, folder, BACKUP, session.clock().tzinfo)


def _show(session: Session, found: Backup) -> None:
    console, moment = session.console, words.moment(found.dated.taken)
    # a line break in a folder's name begins no line of ours
    console.say(f"{words.printable(found.name)}: {found.device}, {moment} ({found.dated.why})")
    if found.doubtful:
        console.say(
            f"That may be the time of a copy, so it counts as older than the last night of {found.device}. "
            "If it is newer, say of what day it is: --date YEAR-MONTH-DAY"
        )
    groups: dict[tuple[str, str], list[int]] = {}
    for claim in found.claims:
        emulator = found.sites[claim.site].emulator
        groups.setdefault((emulator, claim.part.value), []).append(claim.size)
    rows = [
        (emulator, part, f"{len(sizes):,}", amounts.size(sum(sizes)))
        for (emulator, part), sizes in sorted(groups.items())
    ]
    console.table(("Emulator", "Part", "Files", "Size"), rows, right=(2, 3))
    files = sum(one.files for one in found.unclaimed)
    if files:
        size = amounts.size(sum(one.bytes for one in found.unclaimed))
        console.say(f"Not taken in: {words.amount(files, 'file')} ({size}) that nothing knows:")
        for one in found.unclaimed[:8]:
            console.say(f"  {one.path or '(loose in it)'}: {words.amount(one.files, 'file')}")
        if len(found.unclaimed) > 8:
            console.say(f"  and {len(found.unclaimed) - 8} more places (--json lists all)")


def _tell(session: Session, snapshot: Snapshot | None, new: bool, gaps: Sequence[Gap]) -> None:
    from handhold.cli.survey import show_gaps

    console = session.console
    show_gaps(console, gaps, "Could not be taken in:")
    if snapshot is None:
        console.say("This was only a look; nothing was written.")
    elif new:
        console.say(
            f"Kept as {snapshot.name}, {words.amount(snapshot.files, 'file')}. The backup stays as it is."
        )
    else:
        console.say(f"It is in the archive already, as {snapshot.name}.")


def _document(
    path: str, found: Backup, snapshot: Snapshot | None, new: bool, gaps: Sequence[Gap]
) -> dict[str, Any]:
    from handhold.cli.survey import gap_document

    return {
        "backup": path,
        "snapshot": snapshot.name if snapshot is not None else None,
        "new": new,
        "taken": found.dated.taken.isoformat(),
        "dated_by": found.dated.why,
        "files": len(found.claims),
        "bytes": sum(claim.size for claim in found.claims),
        "entries": [
            {
                "emulator": found.sites[claim.site].emulator,
                "part": claim.part.value,
                "game": claim.game,
                "path": claim.path,
                "size": claim.size,
            }
            for claim in found.claims
        ],
        "unclaimed": [{"path": one.path, "files": one.files, "bytes": one.bytes} for one in found.unclaimed],
        "gaps": [gap_document(gap) for gap in gaps],
    }
