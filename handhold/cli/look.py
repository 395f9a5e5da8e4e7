"""``list`` and ``show``: what is in an archive."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any

from handhold import amounts
from handhold.cli import words
from handhold.cli.line import App, Context, Option
from handhold.cli.options import Emulators, EveryFile, Games, Json, Parts, Paths, SnapshotName
from handhold.cli.session import Session
from handhold.cli.survey import gap_document, show_gaps
from handhold.model import Entry, Kind

if TYPE_CHECKING:
    from handhold.archive.archive import Archive, Manifest, Snapshot
    from handhold.archive.inventory import Game
    from handhold.restore.inside import Inner

_KINDS = {Kind.NIGHT: "night", Kind.SAFETY: "made way", Kind.RESTORED: "restored", Kind.ADOPTED: "adopted"}


def join(app: App) -> None:
    """Adds the commands."""
    app.command("list")(list_)
    app.command()(show)


def list_(
    context: Context,
    all_: Annotated[bool, Option("--all", help="What restores left behind as well.")] = False,
    last: Annotated[
        bool, Option("--last", help="When each device was last kept, and what needs you.")
    ] = False,
    json: Json = False,
) -> None:
    """Lists the snapshots of the archive, oldest first."""
    session: Session = context.obj
    archive = session.archive()
    if last:
        from handhold.cli import last as lately

        lately.last(session, archive, json)
        return
    snapshots = archive.snapshots() if all_ or json else archive.past()
    if json:
        session.console.document({"snapshots": [_about(snapshot) for snapshot in snapshots]})
        return
    if not snapshots:
        session.console.say("The archive holds no snapshot yet. handhold snapshot takes the first.")
        return
    rows = [
        (
            one.name,
            f"{one.files:,}",
            amounts.size(one.bytes),
            f"{one.gaps:,}" if one.gaps else "-",
            *((_KINDS[one.kind],) if all_ else ()),
            one.note,
        )
        for one in snapshots
    ]
    headers = ("Snapshot", "Files", "Size", "Gaps", *(("Kind",) if all_ else ()), "Note")
    session.console.table(headers, rows, right=(1, 2, 3), whole=(0,))  # names are there to be copied


def _about(snapshot: Snapshot) -> dict[str, Any]:
    return {
        "snapshot": snapshot.name,
        "device": snapshot.device,
        "taken": snapshot.taken.isoformat(),
        "sequence": snapshot.sequence,
        "kind": snapshot.kind.value,
        "files": snapshot.files,
        "bytes": snapshot.bytes,
        "gaps": snapshot.gaps,
        "note": snapshot.note,
    }


def show(
    context: Context,
    snapshot: SnapshotName = "latest",
    emulator: Emulators = None,
    part: Parts = None,
    game: Games = None,
    path: Paths = None,
    files: EveryFile = False,
    json: Json = False,
) -> None:
    """Shows what a snapshot holds, by emulator, part and game."""
    from handhold.cli.restore import selection
    from handhold.restore.inside import Inside
    from handhold.restore.select import choose

    session: Session = context.obj
    archive = session.archive()
    manifest = archive.read(archive.find(snapshot))
    inside = Inside(archive, manifest, {})
    choice = choose(
        list(archive.entries(manifest)),
        selection(session.emulators_named(emulator), part, game, path),
        inside.of,
    )
    members = {entry.key: inside.of(entry) for entry in choice.entries if entry.members}
    members.update((entry.key, some) for entry, some in choice.members)
    entries = sorted(choice.every, key=lambda entry: entry.key)
    for hurt in inside.hurt:
        session.console.warn(hurt)
    games = _games(session, archive, manifest, emulator)
    if json:
        session.console.document(
            {**document(manifest, entries, members), "games": [_game(one) for one in games]}
        )
        return
    console, clock = session.console, session.clock()
    console.say(f"{manifest.snapshot.name}, taken {words.moment(manifest.snapshot.taken)}")
    if files:
        listing: list[tuple[str, ...]] = []
        for e in entries:
            listing.append((amounts.size(e.size), words.when(e.modified, clock), f"{e.emulator}: {e.path}"))
            listing += [_member_line(one, clock) for one in members.get(e.key, ())]
        console.table(("Size", "Changed", "File"), listing, right=(0,), cut=False)
    else:
        console.table(
            ("Emulator", "Part", "Game", "Files", "Size", "Newest"),
            _grouped(entries, members, session),
            right=(3, 4),
        )
    console.say(f"\n{words.amount(len(entries), 'file')}, {amounts.size(sum(e.size for e in entries))}")
    if games:
        console.say(
            f"{words.amount(len(games), 'file')} of games ({amounts.size(sum(game.size for game in games))}) "
            "lay on the device that night; --json lists them."
        )
    for name, version in sorted(manifest.versions.items()):
        if not emulator or name in {entry.emulator for entry in entries}:
            console.say(f"{name} was in version {version}.")
    show_gaps(console, manifest.gaps, "Could not be kept that night:")


def _games(
    session: Session, archive: Archive, manifest: Manifest, emulator: Sequence[str] | None
) -> list[Game]:
    """The games on the device that night, of the emulators asked for; a list that is hurt is told."""
    from handhold.errors import Damaged

    asked = {name.casefold() for name in session.emulators_named(emulator)}
    try:
        games = archive.games(manifest)
    except Damaged as error:
        session.console.warn(str(error))
        return []
    return [game for game in games if not asked or game.emulator in asked]


def _game(game: Game) -> dict[str, Any]:
    return {
        "emulator": game.emulator,
        "home": game.home,
        "path": game.path,
        "size": game.size,
        "game": game.game,
    }


def document(
    manifest: Manifest,
    entries: Sequence[Entry],
    members: Mapping[tuple[str, str, str], Sequence[Inner]],
) -> dict[str, Any]:
    """The snapshot for scripts; ``members`` of zips by the key of their entry."""
    return {
        "snapshot": manifest.snapshot.name,
        "device": manifest.snapshot.device,
        "taken": manifest.snapshot.taken.isoformat(),
        "entries": [
            {
                "emulator": e.emulator,
                "part": e.part.value,
                "game": e.game,
                "home": e.home,
                "path": e.path,
                "size": e.size,
                "modified": words.stamp(e.modified),
                "sha256": e.sha256,
                **({"members": [_member(one) for one in members[e.key]]} if e.key in members else {}),
            }
            for e in entries
        ],
        "gaps": [gap_document(gap) for gap in manifest.gaps],
        "versions": dict(manifest.versions),
    }


def _member(one: Inner) -> dict[str, Any]:
    member = one.member
    return {
        "name": member.name,
        "part": one.part.value,
        "game": one.game,
        "size": member.size,
        "stored": member.stored,
        "modified": member.modified or None,
        "crc32": member.crc32,
        "method": member.method,
        "encrypted": member.encrypted,
    }


def _member_line(one: Inner, clock: datetime) -> tuple[str, ...]:
    member = one.member
    locked = " (needs a password)" if member.encrypted else ""
    return (amounts.size(member.size), _time_of(member.modified, clock), f"    in it: {member.name}{locked}")


def _time_of(modified: str, clock: datetime) -> str:
    """A member's time as people read it; one without an offset is shown as it stands."""
    if modified.endswith("Z"):
        return words.moment(datetime.fromisoformat(modified).astimezone(clock.tzinfo))
    return words.moment(datetime.fromisoformat(modified)) if modified else ""


def _grouped(
    entries: Sequence[Entry],
    members: Mapping[tuple[str, str, str], Sequence[Inner]],
    session: Session,
) -> list[tuple[str, ...]]:
    groups: dict[tuple[str, str, str], list[Entry]] = {}
    for entry in entries:
        groups.setdefault((entry.emulator, entry.part.value, entry.game or ""), []).append(entry)
    clock = session.clock()
    rows: list[tuple[str, ...]] = []
    last: tuple[str, str] = ("", "")
    for (emulator, part, game), files in sorted(groups.items()):
        rows.append(
            (
                emulator if emulator != last[0] else "",
                part if (emulator, part) != last else "",
                game or "-",
                f"{len(files):,}",
                amounts.size(sum(f.size for f in files)),
                words.when(max(f.modified for f in files), clock),
            )
        )
        last = (emulator, part)
        rows += _inside_rows([one for entry in files for one in members.get(entry.key, ())])
    return rows


def _inside_rows(members: Sequence[Inner], most: int = 12) -> list[tuple[str, ...]]:
    """What lies in the zips of one group, by part and game."""
    groups: dict[tuple[str, str], list[Inner]] = {}
    for one in members:
        groups.setdefault((one.part.value, one.game or ""), []).append(one)
    rows: list[tuple[str, ...]] = [
        (
            "",
            f"  in it: {part}",
            game or "-",
            f"{len(some):,}",
            amounts.size(sum(one.member.size for one in some)),
            "",
        )
        for (part, game), some in sorted(groups.items())
    ]
    if len(rows) > most:
        rows = [*rows[:most], ("", f"  and {len(rows) - most} more", "", "", "", "")]
    return rows
