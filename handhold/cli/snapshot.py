"""``snapshot``: takes one."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple

from handhold import amounts
from handhold.cli import words
from handhold.cli.knownlayouts import Known, known_layouts
from handhold.cli.last import same_medium_line, shared_volumes
from handhold.cli.line import App, Context, Ended, Option
from handhold.cli.options import Json
from handhold.cli.session import Session
from handhold.cli.survey import (
    conflict_document,
    gap_document,
    show_gaps,
    show_stale,
    stale_document,
)
from handhold.errors import Exit, WrongInput
from handhold.model import Part

if TYPE_CHECKING:
    from handhold.changes import Lost, Suspicious
    from handhold.cli.console import Console
    from handhold.snapshot import Result


def join(app: App) -> None:
    """Adds the command."""
    app.command()(snapshot)


def snapshot(
    context: Context,
    keep: Annotated[
        list[str] | None, Option(metavar="PART", help="Keep this part too (games); repeat.")
    ] = None,
    leave: Annotated[
        list[str] | None, Option(metavar="PART", help="Leave this part out (textures); repeat.")
    ] = None,
    reread: Annotated[
        bool, Option("--reread", help="Read every file, whatever its size and time say.")
    ] = False,
    newest: Annotated[
        int | None,
        Option(
            metavar="N", min=1, help="Keep only the newest N exports of an emulator that exports everything."
        ),
    ] = None,
    only_layouts: Annotated[
        bool, Option("--only-layouts", help="Keep only what a layout names; recognise nothing.")
    ] = False,
    note: Annotated[str, Option(metavar="TEXT", help="A few words to find this snapshot by.")] = "",
    level: Annotated[
        int,
        Option(metavar="N", min=1, max=19, help="How hard new data is packed: 1 is fast, 19 is small."),
    ] = 3,
    nightly: Annotated[
        bool, Option("--nightly", help="Nobody watches: only a line if something is wrong, and a log.")
    ] = False,
    on_trouble: Annotated[
        str | None,
        Option(metavar="COMMAND", help="With --nightly: run this if something is wrong."),
    ] = None,
    json: Json = False,
) -> None:
    """Takes a snapshot of the device into the archive."""
    session: Session = context.obj
    wanted = Wanted(tuple(keep or ()), tuple(leave or ()), reread, newest, only_layouts, note, level)
    if not nightly:
        if on_trouble is not None:
            raise WrongInput("--on-trouble is for nights that nobody watches.", "Add --nightly.")
        known = known_layouts(session)
        result = _take(session, wanted, known)
        if json:
            session.console.document({**document(result), **known.document})
        else:
            show(session, result)
        known.tell(session.console)
        raise Ended(_status(result, known))
    if json:
        raise WrongInput("--nightly has its log and its one line, and no --json.", "Leave one of them out.")
    from handhold.cli.nightly import trouble_of, unwatched

    hook = on_trouble if on_trouble is not None else session.config.on_trouble
    with unwatched(session, hook) as night:
        known = known_layouts(session)
        result = _take(session, wanted, known)
        show(session, result)
        known.tell(session.console)
        night.trouble = trouble_of(result, known.trouble)
        raise Ended(_status(result, known))


def _status(result: Result, known: Known) -> Exit:
    return Exit.NOT_EVERYTHING if result.gaps or result.other or known.mistakes else Exit.DONE


class Wanted(NamedTuple):
    """How a snapshot is to be taken, as it was typed."""

    keep: tuple[str, ...]
    leave: tuple[str, ...]
    reread: bool
    newest: int | None
    only_layouts: bool
    note: str
    level: int


def _take(session: Session, wanted: Wanted, known: Known) -> Result:
    from handhold.snapshot import Options, take

    note = checked_note(wanted.note)
    parts = session.kept_parts(wanted.keep, wanted.leave)
    archive = session.archive()
    device = session.device(partial=True)
    layouts = known.layouts
    recognise = session.recognises(wanted.only_layouts)
    if not layouts and not recognise and known.mistakes is not None:
        raise known.mistakes
    if not layouts and not recognise:
        raise WrongInput(
            "There is no layout, and recognition is turned off, so handhold does not know what to keep.",
            f"Leave --only-layouts (recognise: false in the config) out, or write a layout into "
            f"{session.own_layouts}.",
        )
    if Part.GAMES in parts and not any(
        rule.part is Part.GAMES for layout in layouts for rule in layout.rules
    ):
        session.console.warn("No layout here says where games lie (pattern games-folder), so none is kept.")
    options = Options(
        parts=parts,
        reread=wanted.reread,
        note=note,
        level=wanted.level,
        leave_out=session.leave_out,
        recognise=recognise,
        newest=wanted.newest,
        newest_otherwise=session.config.newest,
    )
    with session.console.progress("Keeping") as bar:
        result = take(
            archive,
            device,
            layouts,
            options,
            session.clock,
            progress=bar,
            seen=lambda count: bar(count, 0),
        )
    if archive.without_parity:
        why = next(iter(archive.without_parity.values()))
        session.console.warn(
            f"The night is safe, but without its parity: {why.rstrip('.')}.\n"
            "handhold mend makes the parity that is missing."
        )
    return result


#: The most characters of a note: a line or two of a list.
LONGEST_NOTE = 200


def checked_note(note: str) -> str:
    """The note, if it is one line of text that a list can show. Raises ``WrongInput``."""
    categories = {unicodedata.category(character) for character in note}
    if "Cs" in categories:
        raise WrongInput("The note is not valid text.", "Write it in UTF-8.")
    if categories & {"Cc", "Zl", "Zp"}:
        raise WrongInput("The note is more than one line.", "Write a few words without line breaks and tabs.")
    if len(note) > LONGEST_NOTE:
        raise WrongInput(
            f"The note has {len(note):,} characters, and {LONGEST_NOTE} are the most.", "Write a few words."
        )
    return note


def document(result: Result) -> dict[str, Any]:
    """The result for scripts."""
    return {
        "snapshot": result.snapshot.name,
        "device": result.snapshot.device,
        "files": result.files,
        "bytes": result.bytes,
        "new_files": result.new_files,
        "stored_bytes": result.stored_bytes,
        "gaps": [gap_document(gap) for gap in result.gaps],
        "left_volumes": [{"volume": name, "files": files} for name, files in result.left.items()],
        "gone": [one.emulator for one in result.gone],
        "gone_files": [one._asdict() for one in result.lost],
        "suspicious": [one._asdict() for one in result.suspicious],
        "renamed": [one._asdict() for one in result.renamed],
        "unread": list(result.unread),
        "unrecognised": [
            {"emulator": emulator, "files": files} for emulator, files in result.unrecognised.items()
        ],
        "recognised": [
            {"emulator": emulator, "files": files} for emulator, files in result.recognised.items()
        ],
        "conflicts": [conflict_document(conflict) for conflict in result.conflicts],
        "odd": [one._asdict() for one in result.odd],
        "stale": [stale_document(one) for one in result.stale],
        "older_exports": [
            {"emulator": one.emulator, "volume": one.volume, "path": one.path} for one in result.older
        ],
        "other": result.other and result.other.name,
        "seconds": round(result.seconds, 3),
    }


def show(session: Session, result: Result) -> None:
    """The result for people; its last line is the one to read. Quiet, it says nothing when all is well."""
    console = session.console
    missed = result.gone or result.lost or result.suspicious
    if console.quiet and not (
        result.unread or result.other or result.gaps or missed or result.renamed or result.odd or result.stale
    ):
        return  # all is well, and nobody asked
    show_gaps(console, result.gaps, "Could not be kept:")
    if result.conflicts:
        console.say(
            f"\n{words.amount(sum(c.files for c in result.conflicts), 'file')} claimed by two emulators "
            "(handhold survey shows which)."
        )
    show_missed(console, result)
    if result.unread:
        last = words.listed(list(result.unread), 3)
        console.warn(
            f"{last} cannot be read any more, so what is new was told from older nights, and files that only "
            "those nights held may be lost. handhold verify says what is hurt."
        )
    if result.other:
        name = result.snapshot.device
        console.warn(
            f"Two handhelds keep their nights here as {name}: this one, and one that took "
            f"{result.other.name}. Nothing of either is lost, and neither counts as newer than the other for "
            "that. Give one of them another name: handhold setup on it. If it is one handheld that is kept "
            "from two places, write the same origin: into both configs."
        )
    for one in result.renamed:
        console.say(
            f"\n{words.amount(one.files, 'file')} of {one.old} kept as {one.new} from now on; what was kept "
            f"until now stays there, and {one.old} is its name in the earlier nights."
        )
    show_exports(console, result)
    if result.recognised:
        files = sum(result.recognised.values())
        console.say(
            f"\nRecognised and kept, though no layout names them: "
            f"{words.amount(files, 'save or state', 'saves and states')} of "
            f"{words.listed(list(result.recognised), 6)} (handhold survey --why)."
        )
    if result.unrecognised:
        files = sum(result.unrecognised.values())
        console.say(
            f"\nLeft out, as asked (no layout names them): {words.amount(files, 'file')} of "
            f"{words.listed(sorted(result.unrecognised), 6)}; earlier nights keep what they hold of them."
        )
    told = (result.unrecognised, result.gaps, result.conflicts, missed, result.renamed, result.recognised)
    if any(told) or result.odd or result.stale or result.older:
        console.say()
    added = f"{amounts.size(result.stored_bytes)} added, {words.took(result.seconds)}"
    console.say(f"Kept as {result.snapshot.name} ({added}).")
    console.say(last_line(result))
    if result.first and (shared := sorted(name for _, name in shared_volumes(session))):
        console.say(f"\n{same_medium_line(shared)}")


def show_missed(console: Console, result: Result) -> None:
    """What the last night held and this one does not, and saves that were emptied."""
    from handhold.changes import Went

    for volume, files in result.left.items():
        kept = words.amount(files, "file was", "files were")
        console.say(
            f"\nThe volume {volume}, from which {kept} kept last time, is not among the volumes of "
            f"{result.snapshot.device} now. The earlier nights keep what was on it."
        )
    for one in result.gone:
        console.say(f"\n{one.emulator} was kept last time: {one.why}. The earlier nights keep it.")
    told = {one.emulator for one in result.gone}
    gone = [lost for lost in result.lost if lost.what is Went.GONE and lost.emulator not in told]
    if gone:
        console.say(f"\nGone since last time (earlier nights keep them): {named(gone)}.")
    others = [lost for lost in result.lost if lost.what is not Went.GONE and lost.emulator not in told]
    if others:
        console.say(
            "\nStill there, but renamed or no longer named by the layout (earlier nights keep them as they "
            f"were): {named(others)}."
        )
    for what, last_good in dict.fromkeys((one.what, one.last_good) for one in result.suspicious):
        emptied = [one for one in result.suspicious if (one.what, one.last_good) == (what, last_good)]
        night = f"{last_good} has the last good one" if last_good else "no night has a good one any more"
        console.say(f"\n{_BLANK[what]} now ({night}): {named(emptied)}.")
    if any(one.last_good for one in result.suspicious):
        console.say(
            "To go back: handhold restore NIGHT --emulator EMULATOR --game GAME --on-newer replace. If it is "
            "meant to be so, delete the file."
        )


_BLANK = {"empty": "Empty", "all zero": "Nothing but zeros", "all 0xFF": "Nothing but ones (0xFF)"}


def named(files: Sequence[Lost | Suspicious], most: int = 8) -> str:
    """Files by emulator, part and game: ``plumtree saves: Snow Ferry; lantern states: Mole Hollow``."""
    groups: dict[tuple[str, Part], list[str]] = {}
    for one in files:
        group = groups.setdefault((one.emulator, one.part), [])
        if (name := one.game or one.path) not in group:
            group.append(name)
    return "; ".join(
        f"{emulator} {part}: {words.listed(names, most)}" for (emulator, part), names in groups.items()
    )


def show_exports(console: Console, result: Result, most: int = 8) -> None:
    """What there is to say about exports: old ones, ones that were left out, ones that are no sound zips."""
    show_stale(console, result.stale)
    if result.odd:
        console.say("\nKept as they are, but not sound:")
        for one in result.odd[:most]:
            console.say(f"  {one.volume}:{one.path} ({one.emulator}): {one.why}")
        if len(result.odd) > most:
            console.say(f"  and {len(result.odd) - most} more (--json lists all)")
    for emulator in dict.fromkeys(one.emulator for one in result.older):
        count = sum(1 for one in result.older if one.emulator == emulator)
        console.say(
            f"\n{words.amount(count, 'older export file')} of {emulator} left out, as asked; "
            "what earlier nights hold of them stays there."
        )


def last_line(result: Result) -> str:
    """One line that a player understands."""
    new = {part: count for part, count in result.new_by_part.items() if count}
    if not new:
        news = "nothing new since last time"
    else:
        saves, states = new.pop(Part.SAVES, 0), new.pop(Part.STATES, 0)
        pieces = []
        if saves:
            pieces.append(words.amount(saves, "new or changed save"))
        if states:
            pieces.append(words.amount(states, "state"))
        if others := sum(new.values()):
            pieces.append(words.amount(others, "other file"))
        news = words.listed(pieces)
    gaps = f"; {words.amount(len(result.gaps), 'gap')}, see above" if result.gaps else ""
    return f"{words.amount(result.files, 'file')} ({amounts.size(result.bytes)}) safe: {news}{gaps}."
