"""``layout draft``: a layout from what lies in a folder."""

from __future__ import annotations

import os
import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple

from handhold.cli import words
from handhold.cli.foldername import Placed, evidence_of, inside_places, own_name, placed, title_of
from handhold.cli.line import App, Argument, Context, Ended, Option
from handhold.cli.options import Json
from handhold.cli.session import Session
from handhold.errors import Exit, OwnerError, WrongInput
from handhold.names import native, written

if TYPE_CHECKING:
    from handhold.device.glance import Glance
    from handhold.layouts.draft.draft import Proposal
    from handhold.layouts.reading import Draft

_MOST_TOLD = 8
_MOST_FILES_OF_A_NAME = 100


def join(app: App) -> None:
    """Adds the command."""
    app.command()(draft)


def draft(
    context: Context,
    folder: Annotated[Path, Argument(metavar="FOLDER", readable=False, help="An emulator's folder.")],
    write: Annotated[
        bool, Option("--write", help="Put it into your layouts folder, as a file of its own.")
    ] = False,
    id: Annotated[str | None, Option("--id", metavar="ID", help="The layout's id.")] = None,
    title: Annotated[str | None, Option("--title", metavar="TITLE", help="Its title.")] = None,
    json: Json = False,
) -> None:
    """Drafts a layout from what lies in a folder. It has a pattern, rules of its own, and what is unsure."""
    from handhold.device.glance import glance
    from handhold.layouts.draft import draft as drafts
    from handhold.layouts.draft.sighting import wanted
    from handhold.layouts.recognition.recognise import emulator_id

    session: Session = context.obj
    named = _named(session, id, title)
    place = placed(session, folder)
    with session.console.progress("Looking") as bar:
        seen = glance(place.root, place.way, session.leave_out, lambda files: bar(files, 0))
    shown = written(str(folder))
    if not seen.sightings and seen.unread:
        raise OwnerError(
            f"{shown} cannot be looked through: {seen.unread[0].why}.",
            "Allow reading it, then run this again.",
        )
    if not seen.sightings:
        raise WrongInput(f"There is no file in {shown}.", "Play something in the emulator first, or save.")
    if not any(wanted(one.looks) for one in seen.sightings):
        raise WrongInput(
            f"Nothing in {shown} ({words.amount(len(seen.sightings), 'file')}) looks like a save, a state or "
            "anything else of an emulator.",
            "Is it the right folder? If so, write its layout by hand: handhold layout list has patterns.",
        )
    role_path = own_name(place.names)
    known = known_drafts(session)
    # What no folder has a name for is called like the folder itself, or like its volume.
    called = role_path or (place.names[-1] if place.names else place.at.partition(":")[0])
    title_ = named.title or title_of(called, place)
    id_ = named.id or emulator_id(called, {one.id for one in known if one.id})
    if named.id and (other := next((one for one in known if one.id == named.id), None)):
        raise WrongInput(f'The id "{named.id}" is taken, by {other.file}.', "Choose another: --id ID")
    inside = inside_places(session, role_path)
    proposal = drafts.draft(
        seen.sightings,
        patterns_of(),
        evidence_of(place, seen, bool(inside)),
        drafts.Wanted(id_, title_, shown, (place.at,), place.about, inside),
    )
    if write:
        refuse(place, folder, proposal, seen, known)
    file = written_to(session, proposal.text, id_) if write else None
    notes = list(notes_on(place, seen, proposal, known))
    if json:
        session.console.document(document(proposal, seen, file, notes))
    else:
        if file is None:
            print(proposal.text, end="", file=session.console.out)
        else:
            session.console.say(f"Written to {written(str(file))}.")
        tell(session, proposal, seen, notes)
    raise Ended(Exit.NOT_EVERYTHING if seen.unread or proposal.missed else Exit.DONE)


class _Named(NamedTuple):
    id: str | None
    title: str | None


def _named(session: Session, id: str | None, title: str | None) -> _Named:
    """What the owner wants it to be called, checked. Raises ``WrongInput``."""
    from handhold.documents.mistakes import Wrong
    from handhold.documents.reader import says
    from handhold.layouts.layout import identifier
    from handhold.layouts.reading import MOST_TITLE

    try:
        return _Named(
            None if id is None else identifier(id), None if title is None else says(title, MOST_TITLE)
        )
    except Wrong as wrong:
        option = "--id" if id is not None and wrong.what.startswith("the name") else "--title"
        raise WrongInput(f"{option}: {wrong.what}.", f"Expected is {wrong.expected}.") from wrong


def known_drafts(session: Session) -> list[Draft]:
    """Every layout and pattern that is there, whatever may be wrong with some of them."""
    from handhold.layouts.catalogue import files_in, read_files
    from handhold.resources import patterns_folder

    return read_files(files_in([patterns_folder(), *session.layout_folders], []), [])


def patterns_of() -> Any:
    """The patterns that come with handhold."""
    from handhold.layouts.catalogue import read_catalogue

    return read_catalogue([]).patterns


def refuse(place: Placed, folder: Path, proposal: Proposal, seen: Glance, known: Sequence[Draft]) -> None:
    """Raises ``WrongInput`` where a layout more would do harm: one that is there, or several in one."""
    shown = written(str(folder))
    for one in homes_at(place, known):
        raise WrongInput(
            f"{shown} is a home of {one.id} already, by {one.file}.",
            "Change that file, or delete it and draft again; without --write the draft is only shown.",
        )
    deeper = emulators_in(place, seen, proposal)
    if len(deeper) > 1 or (deeper and not place.names):
        first = folder / native(deeper[0][len("/".join(place.names)) :].lstrip("/"))
        raise WrongInput(
            f"{shown} is no single emulator's folder: {words.listed(deeper)} "
            f"{'lie' if len(deeper) > 1 else 'lies'} in it.",
            f"Draft each by itself: handhold layout draft {shlex.quote(written(str(first)))} --write",
        )


def homes_at(place: Placed, known: Sequence[Draft]) -> list[Draft]:
    """The layouts that have a home right there."""
    from handhold.device.listing import folded

    volume, _, path = place.at.partition(":")
    return [
        one
        for one in known
        if any(
            {at.volume, volume} & {"*", at.volume} == {at.volume} and folded(at.path) == folded(path)
            for home in one.homes
            for at in home.at or ()
        )
    ]


def emulators_in(place: Placed, seen: Glance, proposal: Proposal) -> list[str]:
    """Folders in it that play an emulator's role of their own, relative to the volume."""
    from handhold.layouts.draft.sighting import KEPT, wanted
    from handhold.layouts.recognition.recognise import role
    from handhold.model import HomeKind

    if proposal.like.kind in (HomeKind.GAMES, HomeKind.EXPORT) or not place.root:
        return []
    base = "/".join(place.names)
    roles = {
        role(f"{base}/{one.path}".lstrip("/").rpartition("/")[0])
        for one in seen.sightings
        if wanted(one.looks) in KEPT
    }
    return sorted(one for one in roles if one and one.count("/") >= len(place.names))


def written_to(session: Session, text: str, id: str) -> Path:
    """Writes a new file into the owner's layouts folder; never over one that is there."""
    from handhold.documents.file import reason

    folders = session.layout_folders
    folder = folders[0] if folders else session.own_layouts
    try:
        folder.mkdir(parents=True, exist_ok=True)
        there = {name.lower() for name in os.listdir(folder)}
        for number in range(1, _MOST_FILES_OF_A_NAME):
            name = f"{id}.yaml" if number == 1 else f"{id}-{number}.yaml"
            if name in there:
                continue
            if _new_file(folder / name, text):
                return folder / name
    except OSError as error:
        raise OwnerError(
            f"The draft cannot be written into {written(str(folder))}: {reason(error)}.",
            "Name another folder: handhold --layouts DIR layout draft …",
        ) from error
    raise OwnerError(
        f"There are {_MOST_FILES_OF_A_NAME} files called {id} in {written(str(folder))}.",
        "Choose another: --id ID",
    )


def _new_file(path: Path, text: str) -> bool:
    """Whether the file was not there and is now."""
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o666)
    except FileExistsError:
        return False
    try:
        with open(handle, "wb") as stream:
            stream.write(text.encode("utf-8"))
            stream.flush()
            os.fsync(stream.fileno())
    except OSError:
        os.unlink(path)  # half a layout is worse than none
        raise
    return True


def notes_on(place: Placed, seen: Glance, proposal: Proposal, known: Sequence[Draft]) -> list[str]:
    """What the owner should know beside the draft."""
    from handhold.layouts.draft.sighting import KEPT

    notes = []
    if place.about:
        notes.append(f"{place.at}: {place.about}.")
    notes += [f"{one.id} ({one.file}) has a home there already." for one in homes_at(place, known)]
    deeper = emulators_in(place, seen, proposal)
    if len(deeper) > 1:
        notes.append(f"Several emulators seem to lie in here ({words.listed(deeper)}); draft each by itself.")
    kept = sum(proposal.recognised.get(part, 0) for part in KEPT)
    if not kept:
        notes.append("Nothing in it looks like a save or a state.")
    return notes


def tell(session: Session, proposal: Proposal, seen: Glance, notes: Sequence[str]) -> None:
    """How good the draft is."""
    from handhold.layouts.draft.sighting import KEPT

    console = session.console
    total = len(seen.sightings)
    found = [f"{part.value} {count:,}" for part, count in sorted(proposal.recognised.items())]
    console.tell(f"{words.amount(total, 'file')} seen; recognised: {', '.join(found)}.")
    for note in notes:
        console.warn(note)
    for unread in seen.unread[:_MOST_TOLD]:
        console.warn(f"Not read: {unread.path or '(the folder)'}: {unread.why}.")
    if len(seen.unread) > _MOST_TOLD:
        console.warn(f"Not read: {len(seen.unread) - _MOST_TOLD} more.")
    for sighting, given in proposal.missed[:_MOST_TOLD]:
        console.warn(
            f"Looks like {sighting.looks.part} and is {given or 'not claimed'} by the draft: {sighting.path}"
        )
    if len(proposal.missed) > _MOST_TOLD:
        console.warn(f"And {len(proposal.missed) - _MOST_TOLD} more.")
    if not proposal.missed and any(proposal.recognised.get(part) for part in KEPT):
        console.tell("The draft claims every save and state that was recognised.")
    doubts = proposal.doubts
    if doubts.unsure:
        console.tell(f"Not sure of {words.amount(doubts.unsure, 'file')}: see the comments at its end.")
    if doubts.unclaimed:
        console.tell(
            f"{words.amount(doubts.unclaimed, 'file')} like nothing that is known; nothing claims them."
        )


def document(proposal: Proposal, seen: Glance, file: Path | None, notes: Sequence[str]) -> dict[str, Any]:
    """The draft for scripts."""
    doubts = proposal.doubts
    return {
        "id": proposal.layout.id,
        "title": proposal.layout.title,
        "like": proposal.like.pattern,
        "homes": [
            {"name": h.name, "kind": h.kind.value, "at": [str(p) for p in h.at]}
            for h in proposal.layout.homes
        ],
        "file": None if file is None else written(str(file)),
        "yaml": proposal.text,
        "files": len(seen.sightings),
        "recognised": {part.value: count for part, count in sorted(proposal.recognised.items())},
        "claimed": {part.value: count for part, count in sorted(proposal.claimed.items())},
        "not_claimed": [
            {"path": s.path, "part": s.looks.part, "given": given, "why": "; ".join(s.looks.reasons)}
            for s, given in proposal.missed
        ],
        "unsure": [
            {
                "kind": kind,
                "part": one.part,
                "given": one.given,
                "path": one.path,
                "files": one.files,
                "examples": list(one.examples),
                "confidence": one.confidence,
                "why": "; ".join(one.reasons),
            }
            for kind, rows in (
                ("perhaps", doubts.perhaps),
                ("otherwise", doubts.otherwise),
                ("unknown", doubts.unknown),
            )
            for one in rows
        ],
        "patterns": [
            {
                "id": one.pattern,
                "home": one.home,
                "score": round(one.score, 3),
                "right": one.right,
                "of": one.of,
            }
            for one in proposal.likenesses
        ],
        "unread": [{"path": one.path, "why": one.why} for one in seen.unread],
        "links": seen.links,
        "notes": list(notes),
    }
