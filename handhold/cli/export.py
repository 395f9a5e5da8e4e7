"""``export``: a snapshot, or a piece of it, for people without handhold."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, BinaryIO

from handhold import amounts
from handhold.cli import words
from handhold.cli.line import App, Argument, Context, Ended, Option
from handhold.cli.options import Emulators, Games, Json, Parts, SnapshotName
from handhold.cli.session import Session
from handhold.errors import Exit, OwnerError, WrongInput

if TYPE_CHECKING:
    from datetime import tzinfo

    from handhold.interchange.export import Exported
    from handhold.interchange.sink import About, Sink


class Form(StrEnum):
    """What an export is written as."""

    FOLDER = "folder"
    TAR = "tar"
    ZIP = "zip"
    BAGIT = "bagit"


#: Endings of packed files of other forms: whoever names one does not mean a folder.
_NOT_WRITTEN = (
    ".tar.gz", ".tgz", ".tar.xz", ".txz", ".tar.bz2", ".tbz2", ".tar.zst", ".tzst",
    ".gz", ".xz", ".bz2", ".zst", ".7z",
)  # fmt: skip


def join(app: App) -> None:
    """Adds the command."""
    app.command()(export)


def export(
    context: Context,
    snapshot: SnapshotName,
    destination: Annotated[
        str, Argument(metavar="DEST", help="A new folder or file; - writes a tar to standard output.")
    ],
    as_: Annotated[
        str | None,
        Option("--as", metavar="FORM", help="folder, tar, zip or bagit; otherwise as DEST's ending says."),
    ] = None,
    emulator: Emulators = None,
    part: Parts = None,
    game: Games = None,
    json: Json = False,
) -> None:
    """Writes a snapshot as a plain folder, a tar, a zip or a bag. That is for people without handhold."""
    from handhold import __version__
    from handhold.cli.restore import last_readable, selection
    from handhold.interchange.export import export as write
    from handhold.interchange.items import items
    from handhold.interchange.sink import About
    from handhold.restore.inside import Inside
    from handhold.restore.select import choose

    session: Session = context.obj
    console = session.console
    form = _form(as_, destination)
    if destination == "-" and json:
        raise WrongInput("Standard output cannot take both the tar and --json.", "Name a file.")
    archive = session.archive()
    if destination != "-":
        _apart(session.archive_path, destination)
    found = last_readable(archive, snapshot)
    manifest = archive.read(found)
    inside = Inside(archive, manifest, session.catalogue().layouts)
    chosen = choose(
        list(archive.entries(manifest)), selection(session.emulators_named(emulator), part, game), inside.of
    )
    about = About(found.name, found.device, found.taken, f"handhold {__version__}")
    total = sum(entry.size for entry in chosen.every)
    gaps = manifest.gaps if selection(emulator, part, game).everything else ()
    with _sink(form, destination, about) as sink, console.progress("Writing") as bar:
        exported = write(
            items(archive, chosen, found.taken.tzinfo),
            sink,
            gaps,
            lambda files, written: bar(files, written, len(chosen.every), total),
        )
    if json:
        console.document(
            {
                "export": destination,
                "snapshot": found.name,
                "as": form.value,
                "files": exported.files,
                "bytes": exported.bytes,
                "left": [
                    {"emulator": one.emulator, "path": one.path, "why": one.why, "damage": one.damage}
                    for one in exported.left
                ],
            }
        )
    else:
        _tell(session, exported, found.name, destination, len(gaps))
    if any(one.damage for one in exported.left) or inside.hurt:
        raise Ended(Exit.DAMAGE)
    raise Ended(Exit.NOT_EVERYTHING if exported.left else Exit.DONE)


def _tell(session: Session, exported: Exported, snapshot: str, destination: str, gaps: int) -> None:
    from handhold.interchange.sink import MISSING, SUMS

    console = session.console
    where = "standard output" if destination == "-" else destination
    for one in exported.left[:20]:
        why = one.why.removeprefix(f"{one.path} ({one.emulator}) ")  # a damaged file says itself which it is
        console.warn(f"Left out: {one.emulator}: {one.path}: {why}")
    if len(exported.left) > 20:
        console.warn(f"and {len(exported.left) - 20:,} more; {MISSING} in the export names all")
    amount = f"{words.amount(exported.files, 'file')} of {snapshot} ({amounts.size(exported.bytes)})"
    console.tell(f"{amount} written to {where}.")
    if gaps:
        console.tell(
            f"{words.amount(gaps, 'thing')} could not be kept that night; {MISSING} in it says which."
        )
    console.tell(
        f"The list of checksums in it ({SUMS}, or a bag's manifest) proves later that nothing of it changed."
    )


def _form(named: str | None, destination: str) -> Form:
    if named is None:
        if destination == "-":
            return Form.TAR
        ending = os.path.splitext(destination)[1].lower()
        if packed := next((one for one in _NOT_WRITTEN if destination.lower().endswith(one)), None):
            raise WrongInput(
                f"A {packed} is not written, only a folder, .tar or .zip.",
                "Name it .tar or .zip; for a folder of that name say --as folder.",
            )
        return {".tar": Form.TAR, ".zip": Form.ZIP}.get(ending, Form.FOLDER)
    try:
        form = Form(named.casefold())
    except ValueError:
        raise WrongInput(f'--as is folder, tar, zip or bagit, not "{named}".') from None
    if destination == "-" and form is not Form.TAR:
        raise WrongInput(
            f"Standard output cannot take a {form.value}, only a tar.", "Name a folder or a file."
        )
    return form


def _apart(archive: str, destination: str) -> None:
    """Nothing foreign is put among the archive's own files, where it would be taken for damage."""
    home, place = (os.path.realpath(os.path.expanduser(path)) for path in (archive, destination))
    if place == home or place.startswith(os.path.join(home, "")):
        raise WrongInput(f"{destination} lies in the archive.", "Name a place outside of it.")


@contextmanager
def _sink(form: Form, destination: str, about: About) -> Iterator[Sink]:
    """Where the export goes. A file gets its name when it is whole; a storage that is full is told."""
    from handhold.interchange.bag import Bag
    from handhold.interchange.folder import Folder
    from handhold.interchange.tape import Tape
    from handhold.interchange.zipped import Zipped

    place = os.path.abspath(os.path.expanduser(destination))
    try:
        if destination == "-":
            if sys.stdout.isatty():
                raise WrongInput(
                    "A tar does not go onto a screen.", "Send it on: handhold export … - > FILE.tar"
                )
            yield Tape(sys.stdout.buffer)
        elif form is Form.FOLDER:
            yield Folder(place)
        elif form is Form.BAGIT:
            yield Bag(place, about)
        else:
            with _new_file(place) as file:
                sink = _file_sink(form, file, about.taken.tzinfo)
                try:
                    yield sink
                except BaseException:
                    if isinstance(sink, Zipped):
                        sink.abandon()
                    raise
    except OSError as error:
        if isinstance(error, BrokenPipeError):
            raise
        if isinstance(error, FileNotFoundError) and not os.path.isdir(folder := os.path.dirname(place)):
            raise WrongInput(
                f"There is no folder {folder}.", "Is the card in? Otherwise make the folder first."
            ) from None
        raise OwnerError(
            f"The export to {destination} was not finished: {(error.strerror or str(error)).lower()}.",
            "Make room or name another place; what is half written there can be deleted.",
        ) from error


def _file_sink(form: Form, file: BinaryIO, zone: tzinfo | None) -> Sink:
    from handhold.interchange.tape import Tape
    from handhold.interchange.zipped import Zipped

    return Tape(file) if form is Form.TAR else Zipped(file, zone)


@contextmanager
def _new_file(place: str) -> Iterator[BinaryIO]:
    """A file that has its name only when it is whole and on the storage."""
    if os.path.lexists(place):
        raise WrongInput(f"{place} is there already; nothing is overwritten.", "Name a file that is new.")
    partial = f"{place}.part"
    try:
        with open(partial, "xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        os.rename(partial, place)
    except FileExistsError:
        raise WrongInput(
            f"{partial} is there: another export may be writing it.", "If none is, delete it."
        ) from None
    except BaseException:
        try:
            os.unlink(partial)
        except OSError:
            pass  # the storage is gone; what was wrong is told anyway
        raise
