"""``changes``: what differs between two snapshots, or between one and the device as it is now."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

from handhold import amounts
from handhold.cli import words
from handhold.cli.line import App, Argument, Context, Ended
from handhold.cli.options import Emulators, EveryFile, Games, Json, Parts, Paths
from handhold.cli.session import Session
from handhold.cli.survey import gap_document, show_gaps
from handhold.errors import Exit

if TYPE_CHECKING:
    from handhold.archive.archive import Archive
    from handhold.cli.console import Console
    from handhold.history.differences import Difference, Differences, State
    from handhold.model import Entry
    from handhold.restore.select import Selection

_MOST_NAMES = 6


def join(app: App) -> None:
    """Adds the command."""
    app.command()(changes)


def changes(
    context: Context,
    first: Annotated[
        str | None,
        Argument(metavar="A", help="The earlier one; else the last snapshot of this device."),
    ] = None,
    second: Annotated[
        str | None, Argument(metavar="B", help="The later one; else the device as it is now.")
    ] = None,
    emulator: Emulators = None,
    part: Parts = None,
    game: Games = None,
    path: Paths = None,
    files: EveryFile = False,
    json: Json = False,
) -> None:
    """Shows what changed since the last snapshot, or between two. Keeps nothing.

    Snapshots are named as everywhere: latest, DEVICE, DEVICE.DATE or a whole name.
    """
    from handhold.cli.restore import selection
    from handhold.history.differences import differences
    from handhold.history.states import as_of
    from handhold.restore.select import choose

    session: Session = context.obj
    archive = session.archive()
    before = as_of(archive, archive.find(first or session.device_name))
    after = as_of(archive, archive.find(second)) if second else _now(session, archive)
    wanted = selection(session.emulators_named(emulator), part, game, path)
    if not wanted.everything:
        choose([*before.entries, *after.entries], wanted, where="two of them")  # names that neither knows
        before, after = _selected(before, wanted), _selected(after, wanted)
    found = differences(before, after)
    if json:
        session.console.document(document(before, after, found))
    else:
        show(session.console, before, after, found, files=files)
    raise Ended(Exit.NOT_EVERYTHING if after.gaps and second is None else Exit.DONE)


def _now(session: Session, archive: Archive) -> State:
    from handhold.cli.knownlayouts import known_layouts
    from handhold.history.states import as_it_is
    from handhold.snapshot import Options

    device = session.device(partial=True)
    known = known_layouts(session)
    options = Options(
        parts=session.kept_parts(),
        leave_out=session.leave_out,
        recognise=session.recognises(False),
        newest_otherwise=session.config.newest,
    )
    with session.console.progress("Looking") as bar:
        state = as_it_is(
            archive, device, known.layouts, options, session.clock, lambda done, total: bar(done, 0, total)
        )
    known.tell(session.console)
    return state


def _selected(state: State, wanted: Selection) -> State:
    """The state with only what was asked for; that it holds nothing of it is an answer."""
    from msgspec.structs import replace

    from handhold.restore.select import Fits, title_of

    fits = Fits(wanted)
    entries = (e for e in state.entries if fits.emulator(e.emulator) and fits(e.part, title_of(e), e.path))
    return replace(state, entries=tuple(entries))


def show(console: Console, before: State, after: State, found: Differences, *, files: bool) -> None:
    """The differences for people: by emulator, part and game, saves first."""
    from handhold.history.differences import What

    console.say(f"From {before.name} to {after.name}:")
    told = [one for one in found.found if one.what is not What.UNKNOWN]
    if not told:
        console.say("\nNothing changed.")
    elif files:
        rows = [(one.what.value, amounts.size(one.entry.size), _line(one, before, after)) for one in told]
        console.say()
        console.table(("What", "Size", "File"), rows, right=(1,), cut=False)
    else:
        console.say()
        console.table(("Part", "Emulator", "What", "Files", "Games"), _grouped(told), right=(3,))
        moved = [_line(one, before, after) for one in found.of(What.MOVED)]
        if moved:
            console.say("\nMoved, with the same content:")
            for line in moved[:_MOST_NAMES]:
                console.say(f"  {line}")
        if len(moved) > _MOST_NAMES:
            console.say(f"  and {len(moved) - _MOST_NAMES} more (--files lists all)")
    console.say(f"\n{_sum(found)}")
    unknown = found.of(What.UNKNOWN)
    missed = sum(1 for one in unknown if one.after is None)
    if missed:
        console.say(
            f"{words.amount(missed, 'file')} of {before.name} could not be looked for in {after.name}; "
            "nothing is said of them."
        )
    if len(unknown) > missed:
        console.say(
            f"{words.amount(len(unknown) - missed, 'file')} of {after.name} may be new, or {before.name} "
            "could not see them."
        )
    show_gaps(console, after.gaps, f"Could not be read in {after.name}:")


def _grouped(told: Sequence[Difference]) -> list[tuple[str, ...]]:
    from handhold.restore.select import title_of

    groups: dict[tuple[str, str, str], list[Entry]] = {}
    for one in told:
        entry = one.entry
        groups.setdefault((entry.part.value, entry.emulator, one.what.value), []).append(entry)
    rows: list[tuple[str, ...]] = []
    last = ("", "")
    for (part, emulator, what), entries in groups.items():
        names = list(dict.fromkeys(title_of(entry) for entry in entries))
        rows.append(
            (
                part if part != last[0] else "",
                emulator if (part, emulator) != last else "",
                what,
                f"{len(entries):,}",
                words.listed(names, _MOST_NAMES),
            )
        )
        last = (part, emulator)
    return rows


def _line(one: Difference, before: State, after: State) -> str:
    now = f"{one.entry.emulator}: {one.entry.path}"
    if one.what.value != "moved" or one.before is None or one.after is None:
        return now
    old = f"{one.before.emulator}: {one.before.path}"
    if old == now:  # in another home of its emulator
        old, now = _place(before, one.before), _place(after, one.after)
    return f"{old} -> {now}"


def _place(state: State, entry: Entry) -> str:
    place = state.place(entry)
    return ":".join(place) if place else f"{entry.home}: {entry.path}"


def _sum(found: Differences) -> str:
    from handhold.history.differences import What

    counts = [
        f"{len(some):,} {what.value}"
        for what in (What.NEW, What.CHANGED, What.GONE, What.MOVED)
        if (some := found.of(what))
    ]
    return ", ".join([*counts, f"{found.same:,} the same"]) + "."


def document(before: State, after: State, found: Differences) -> dict[str, Any]:
    """The same for scripts."""
    return {
        "before": _state(before),
        "after": _state(after),
        "changes": [
            {
                "what": one.what.value,
                "emulator": one.entry.emulator,
                "part": one.entry.part.value,
                "game": one.entry.game,
                "path": one.entry.path,
                "before": _side(before, one.before),
                "after": _side(after, one.after),
            }
            for one in found.found
        ],
        "same": found.same,
    }


def _state(state: State) -> dict[str, Any]:
    return {
        "snapshot": None if state.is_now else state.name,
        "device": state.device,
        "taken": state.taken.isoformat(),
        "gaps": [gap_document(gap) for gap in state.gaps],
    }


def _side(state: State, entry: Entry | None) -> dict[str, Any] | None:
    if entry is None:
        return None
    place = state.place(entry)
    return {
        "emulator": entry.emulator,
        "part": entry.part.value,
        "home": entry.home,
        "volume": place[0] if place else None,
        "path": entry.path,
        "size": entry.size,
        "modified": words.stamp(entry.modified),
        "sha256": entry.sha256,
    }
