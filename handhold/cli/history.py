"""``history``: the versions of a save through the nights, and any of them brought back."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

from handhold.cli.line import App, Argument, Context, Option
from handhold.cli.options import Emulators, Games, Json, Paths
from handhold.cli.session import Session
from handhold.errors import UnknownName, WrongInput

if TYPE_CHECKING:
    from handhold.archive.archive import Archive
    from handhold.archive.head import Snapshot
    from handhold.history.reading import Asked, Place
    from handhold.history.versions import History, Version


def join(app: App) -> None:
    """Adds the command."""
    app.command()(history)


def history(
    context: Context,
    what: Annotated[
        str | None,
        Argument(
            metavar="WHAT",
            help="A game, an emulator, a file's path in its emulator's home, or a place here.",
        ),
    ] = None,
    emulator: Emulators = None,
    part: Annotated[
        list[str] | None,
        Option(metavar="PART", help="This part instead of saves and states; repeat."),
    ] = None,
    game: Games = None,
    path: Paths = None,
    calendar: Annotated[bool, Option("--calendar", help="The evenings on which it was played.")] = False,
    all_: Annotated[bool, Option("--all", help="Every version on a line of its own.")] = False,
    restore: Annotated[
        str | None, Option(metavar="NUMBER", help="Bring this version back onto the device at hand.")
    ] = None,
    on_newer: Annotated[
        str,
        Option(metavar="keep|both|replace", help="With --restore: where this device has newer progress."),
    ] = "keep",
    dry_run: Annotated[
        bool, Option("--dry-run", help="With --restore: only show what would be done.")
    ] = False,
    yes: Annotated[bool, Option("--yes", help="With --restore: do it without asking.")] = False,
    json: Json = False,
) -> None:
    """Shows the versions of a save, across nights and devices. Each can be brought back.

    Numbers count from the oldest version on and stay as they are when nights come.
    """
    from handhold.cli import versions
    from handhold.history.evenings import evenings
    from handhold.history.reading import read_histories

    session: Session = context.obj
    if restore is None and (dry_run or yes or on_newer != "keep"):
        raise WrongInput("--on-newer, --dry-run and --yes go with --restore.", "Say which: --restore NUMBER")
    archive = session.opened()
    layouts = session.sound_layouts().catalogue.layouts  # to look back needs none of those with a slip
    if what is not None:
        titles = {layout.title.casefold(): layout.id for layout in layouts.values()}
        what = titles.get(what.casefold(), what)
    asked = _asked(session, what, emulator, part, game, path)
    try:
        with session.console.progress("Looking") as bar:
            found = read_histories(archive, asked, layouts, lambda done, total: bar(done, 0, total))
    finally:
        session.tell_hurt()
    for name in found.unreadable[:3]:
        session.console.warn(f"{name} could not be read in full; handhold verify says what is hurt.")
    if restore is not None:
        _bring(context, found.saves, restore, on_newer, dry_run=dry_run, yes=yes, json=json)
        return
    played = evenings(found.saves, found.snapshots) if calendar or json else []
    if json:
        session.console.document(versions.document(found, played))
    elif calendar:
        versions.show_calendar(session.console, found.saves, played, every=all_)
    else:
        versions.show(session.console, found.saves, every=all_)


def _asked(
    session: Session,
    what: str | None,
    emulator: Sequence[str] | None,
    part: Sequence[str] | None,
    game: Sequence[str] | None,
    path: Sequence[str] | None,
) -> Asked:
    from msgspec.structs import replace

    from handhold.cli.restore import selection
    from handhold.history.reading import Asked
    from handhold.model import Part

    chosen = selection(session.emulators_named(emulator), part, game, path)
    place = _place(session, what) if what else None
    # whoever names a file means that file, whatever part it is
    if not (chosen.parts or path or place or "/" in (what or "")):
        chosen = replace(chosen, parts=(Part.SAVES, Part.STATES))
    return Asked(chosen, None if place else what, place)


def _place(session: Session, what: str) -> Place | None:
    """Where an absolute path lies on the device at hand; None for anything else."""
    import os

    from handhold.history.reading import Place
    from handhold.names import written

    if not os.path.isabs(what):
        return None
    place = os.path.normpath(what)
    for name, root in session.volume_paths.items():
        below = os.path.relpath(place, os.path.abspath(root))
        if below == "." or not below.startswith(".."):
            return Place(name, "" if below == "." else written(below))
    raise WrongInput(
        f"{what} lies on no volume of {session.device_name}.",
        "Name the file by its game, or by its path in the emulator's home.",
    )


def _bring(
    context: Context,
    saves: Sequence[History],
    wanted: str,
    on_newer: str,
    *,
    dry_run: bool,
    yes: bool,
    json: bool,
) -> None:
    """Brings a version back by the plan of a restore: from a snapshot that holds it, that save alone."""
    from handhold.cli.restore import restore

    session: Session = context.obj
    if len(saves) > 1:
        raise WrongInput(
            f"{len(saves)} files fit, and each has versions of its own.",
            f"Say which: --emulator {saves[0].identity[0]} --path {shlex.quote(saves[0].identity[2])}",
        )
    save = saves[0]
    version = save.version(wanted)
    if version is None:
        known = [str(one.number) for one in reversed(save.versions)]
        raise UnknownName("version", wanted, known, "handhold history lists them.")
    source = version.source
    if source is None:
        raise WrongInput(
            f"Version {version.number} is in no snapshot that can be named any more.",
            "Another version can be brought back; or look whether handhold undo reaches it.",
        )
    restore(
        context,
        source.name,
        emulator=[save.identity[0]],
        part=[save.identity[1].value] if save.inside else None,  # a zip comes whole
        path=[save.identity[2]] if save.inside else _companions(session.archive(), version, source),
        on_newer=on_newer,
        dry_run=dry_run,
        yes=yes,
        json=json,
    )


def _companions(archive: Archive, version: Version, source: Snapshot) -> list[str]:
    """The paths of the files that make up a save together with this one: half of a save is none."""
    from handhold.restore.units import unit_of

    own = version.entry
    entries = archive.entries(archive.read(source))
    return [one.path for one in entries if one.part is own.part and unit_of(one) == unit_of(own)]
