"""``survey``: what is on the device, before anything is kept."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

from handhold import amounts
from handhold.cli import words
from handhold.cli.line import App, Context, Ended, Option
from handhold.cli.options import Json
from handhold.cli.session import Session
from handhold.errors import Exit
from handhold.model import Gap, Part, Site, nanoseconds

if TYPE_CHECKING:
    from handhold.cli.console import Console
    from handhold.device.claims import Conflict, Walk
    from handhold.device.exports import Stale
    from handhold.device.survey import Changed, Found


def join(app: App) -> None:
    """Adds the command."""
    app.command()(survey)


def survey(
    context: Context,
    why: Annotated[
        bool, Option("--why", help="Tell why files that no layout names were recognised.")
    ] = False,
    only_layouts: Annotated[
        bool, Option("--only-layouts", help="Look only for what a layout names; recognise nothing.")
    ] = False,
    json: Json = False,
) -> None:
    """Shows what is on the device: emulators, parts and newest saves.

    Also what cannot be read, and what nothing claims.

    An emulator that no layout speaks of is recognised by what its saves look like.
    """
    from handhold.device.exports import stale_exports
    from handhold.device.survey import changed, tally
    from handhold.device.volumes import free_room
    from handhold.device.walk import walk
    from handhold.whole import is_whole

    session: Session = context.obj
    device = session.device(partial=True)
    layouts = tuple(session.catalogue().layouts.values())
    with session.console.progress("Looking") as bar:
        walked = walk(
            device,
            layouts,
            leave_out=session.leave_out,
            progress=lambda seen: bar(seen, 0),
            recognise=session.recognises(only_layouts),
        )
    night = session.last_night()
    odd = changed(walked.unclaimed, nanoseconds(night), nanoseconds(session.clock())) if night else []
    found = tally(walked, layouts)
    stale = stale_exports(walked.claims, layouts, device.volumes, nanoseconds(session.clock()), is_whole)
    free = {volume.name: free_room(volume.path) for volume in device.volumes}
    if json:
        session.console.document(document(walked, found, free, stale, odd))
    else:
        show(session, walked, found, free, stale, odd, why)
    raise Ended(Exit.NOT_EVERYTHING if walked.gaps else Exit.DONE)


def document(
    walked: Walk,
    found: Sequence[Found],
    free: dict[str, int],
    stale: Sequence[Stale],
    odd: Sequence[Changed] = (),
) -> dict[str, Any]:
    """The survey for scripts."""
    return {
        "device": walked.device.name,
        "volumes": [
            {
                "name": v.name,
                "path": v.path,
                "filesystem": v.traits.filesystem,
                "free": known_room(free[v.name]),
            }
            for v in walked.device.volumes
        ],
        "emulators": [
            {
                "id": one.emulator,
                "title": one.title,
                "reach": one.reach.value,
                "state": one.state,
                "how": one.how,
                "homes": [
                    {"home": s.home, "kind": s.kind.value, "volume": s.volume, "path": s.path}
                    for s in one.sites
                ],
                "parts": {
                    part.value: {"files": t.files, "bytes": t.bytes, "newest": words.stamp(t.newest)}
                    for part, t in one.parts.items()
                },
                "reasons": [{"part": r.part.value, "why": r.why, "files": r.files} for r in one.reasons],
                "ways": [
                    {"home": w.home, "volume": w.volume, "path": w.path, "outcome": w.outcome.value}
                    for w in one.ways
                ],
            }
            for one in found
        ],
        "gaps": [gap_document(gap) for gap in walked.gaps],
        "conflicts": [conflict_document(c) for c in walked.conflicts],
        "stale": [stale_document(one) for one in stale],
        "changed": [
            {"volume": one.volume, "path": one.path, "newest": words.stamp(one.newest)} for one in odd
        ],
        "unclaimed": [
            {
                "volume": u.volume,
                "path": u.path,
                "part": u.part,
                "why": u.why,
                "files": u.files,
                "bytes": u.bytes,
                "newest": None if u.newest is None else words.stamp(u.newest),
            }
            for u in walked.unclaimed
        ],
    }


def known_room(free: int) -> int | None:
    """Bytes free, or None where the file system does not say."""
    return None if free >= sys.maxsize else free


def gap_document(gap: Gap) -> dict[str, Any]:
    """A gap for scripts."""
    return {
        "emulator": gap.emulator,
        "volume": gap.volume,
        "path": gap.path,
        "why": gap.why,
        "advice": gap.advice,
    }


def conflict_document(conflict: Conflict) -> dict[str, Any]:
    """Files that two emulators claim, for scripts."""
    return {
        "volume": conflict.volume,
        "path": conflict.path,
        "files": conflict.files,
        "winner": conflict.winner,
        "loser": conflict.loser,
        "why": conflict.why,
    }


def show(
    session: Session,
    walked: Walk,
    found: Sequence[Found],
    free: dict[str, int],
    stale: Sequence[Stale],
    odd: Sequence[Changed] = (),
    why: bool = False,
) -> None:
    """The survey for people."""
    console = session.console
    clock = session.clock()
    console.say(f"Device {walked.device.name}")
    for volume in walked.device.volumes:
        console.say(
            f"  {volume.name}: {volume.path} ({volume.traits.filesystem}, {words.room(free[volume.name])})"
        )
    console.say()
    rows: list[tuple[str, ...]] = []
    for one in found:
        if one.state != "found":
            continue
        where = [place(site) for site in one.sites]
        parts = [
            (p.value, f"{t.files:,}", amounts.size(t.bytes), words.when(t.newest, clock) if t.files else "")
            for p, t in one.parts.items()
        ] or [("nothing yet", "", "", "")]
        names = [one.title] if one.how == "layout" else [one.title, "(recognised)"]
        for i in range(max(len(names), len(where), len(parts))):
            part = parts[i] if i < len(parts) else ("", "", "", "")
            rows.append((names[i] if i < len(names) else "", where[i] if i < len(where) else "", *part))
    if rows:
        console.table(("Emulator", "Where", "Part", "Files", "Size", "Newest"), rows, right=(3, 4))
    else:
        console.say("No emulator was found here, by a layout or by what its data looks like.")
        console.say("handhold layout draft FOLDER writes a layout for a folder that holds one.")
    absent = [one.title for one in found if one.state == "absent"]
    if absent:
        console.say(f"\nNot on this device: {words.listed(sorted(absent), 12)}.")
    show_reasons(console, found, why)
    show_ways(console, found)
    show_stale(console, stale)
    show_gaps(console, walked.gaps, "Cannot be read, so it cannot be kept:")
    show_conflicts(console, walked)
    if odd:
        console.say("\nChanged since the last snapshot, and nobody knows what it is:")
        for each in odd[:8]:
            console.say(f"  {each.volume}:{each.path}, {words.when(each.newest, clock)}")
        if len(odd) > 8:
            console.say(f"  and {len(odd) - 8} more (--json lists all)")
        console.say("  If these are saves, handhold layout draft FOLDER has them kept.")
    if walked.unclaimed:
        console.say("\nNobody claims (not kept):")
        places: list[tuple[str, ...]] = [
            (
                f"{u.volume}:{u.path}",
                f"{u.files:,}",
                amounts.size(u.bytes),
                "" if u.newest is None else words.when(u.newest, clock),
                u.part.value if u.part else "",
            )
            for u in walked.unclaimed[:20]
        ]
        headers: tuple[str, ...] = ("Place", "Files", "Size", "Newest", "Looks like")
        if not any(row[-1] for row in places):
            headers, places = headers[:-1], [row[:-1] for row in places]
        console.table(headers, places, right=(1, 2))
        if len(walked.unclaimed) > 20:
            console.say(f"and {len(walked.unclaimed) - 20} more places (--json lists all).")
    if any(Part.GAMES in one.parts for one in found):
        console.say(
            "\nGames are counted, not kept. Keep only games and firmware that you have the right to copy."
        )


def show_reasons(console: Console, found: Sequence[Found], all_: bool, most: int = 6) -> None:
    """Why files that no layout names were recognised; without ``all_`` only that it can be asked."""
    told = [one for one in found if one.reasons]
    if not told:
        return
    files = sum(reason.files for one in told for reason in one.reasons)
    if not all_:
        console.say(
            f"\nKept because of what they look like, though no layout names them (--why): "
            f"{words.amount(files, 'save or state', 'saves and states')} of "
            f"{words.listed([one.title for one in told], 6)}."
        )
        return
    console.say("\nRecognised, because:")
    for one in told:
        console.say(f"  {one.title} ({one.emulator})")
        for reason in one.reasons[:most]:
            console.say(f"    {reason.part.value}, {words.amount(reason.files, 'file')}: {reason.why}")
        if len(one.reasons) > most:
            console.say(f"    and {len(one.reasons) - most} more reasons (--json lists all)")


def show_ways(console: Console, found: Sequence[Found]) -> None:
    """For emulators of which a place could not be read: every place that was tried, and what came of it."""
    hidden = [one for one in found if any(way.outcome in _HIDDEN for way in one.ways)]
    if not hidden:
        return
    console.say("\nWhere it was tried to read:")
    for one in hidden:
        console.say(f"  {one.title}")
        for way in one.ways:
            console.say(f"    {way.volume}:{way.path or '/'}: {way.outcome.value}")


_HIDDEN = ("refused", "not listed")


def place(site: Site) -> str:
    """Where a home lies, as a person reads it."""
    return f"{site.volume}:{site.path or '/'}"


def stale_document(one: Stale) -> dict[str, Any]:
    """An export that is too old, for scripts."""
    return {
        "emulator": one.emulator,
        "volume": one.volume,
        "path": one.path,
        "modified": words.stamp(one.modified),
        "why": one.why,
    }


def show_stale(console: Console, stale: Sequence[Stale]) -> None:
    """Exports that are too old, each with why."""
    if stale:
        console.say("\nOld exports:")
    for one in stale:
        console.say(f"  {one.volume}:{one.path}\n    {one.why[:1].upper()}{one.why[1:]}.")


def show_gaps(console: Console, gaps: Sequence[Gap], title: str, most: int = 12) -> None:
    """The gaps, each with what to do about it; the same advice once."""
    if not gaps:
        return
    console.say(f"\n{title}")
    advised: set[str] = set()
    for gap in gaps[:most]:
        owner = f" ({gap.emulator})" if gap.emulator else ""
        place = f"{gap.volume}:{gap.path}" if gap.path else gap.volume
        console.say(f"  {place}{owner}: {gap.why}")
        if gap.advice and gap.advice not in advised:
            advised.add(gap.advice)
            console.say(f"    {gap.advice}")
    if len(gaps) > most:
        console.say(f"  and {len(gaps) - most} more (--json lists all)")


def show_conflicts(console: Console, walked: Walk, most: int = 5) -> None:
    """Files that two emulators claim."""
    if not walked.conflicts:
        return
    console.say("\nClaimed by two emulators:")
    for conflict in walked.conflicts[:most]:
        console.say(
            f"  {conflict.volume}:{conflict.path}: {words.amount(conflict.files, 'file')} kept for "
            f"{conflict.winner}, not for {conflict.loser}:\n    {conflict.why}"
        )
    if len(walked.conflicts) > most:
        console.say(f"  and {len(walked.conflicts) - most} more (--json lists all)")
