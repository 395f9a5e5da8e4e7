"""The histories that an owner asks for, read from the archive: of files, and of what lies in exports."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

import msgspec

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot
from handhold.archive.sameness import folded
from handhold.archive.searching import Glance
from handhold.archive.sightings import Sighting, Sightings, View, in_order, look_ahead, sightings
from handhold.archive.standing import Line, Span, line_of
from handhold.errors import Damaged, OwnerError, UnknownName, WrongInput
from handhold.history.exports import members_seen
from handhold.history.versions import History, Seen, history
from handhold.layouts.layout import Layout
from handhold.model import Entry, Identity, Kind, Part
from handhold.restore.athand import forms_of, layouts_of_nights
from handhold.restore.inside import Inner, inner, plain_name
from handhold.restore.select import (
    Fits,
    Selection,
    at_or_below,
    choose,
    pattern_of,
    title,
    title_of_member,
    words_of,
)
from handhold.unseen import unseen


class Place(NamedTuple):
    """A file or folder on a volume, by its path there in written form."""

    volume: str
    path: str


class Asked(msgspec.Struct, frozen=True):
    """What an owner asks for. ``what`` is a game, an emulator, or a path in an emulator's home."""

    selection: Selection
    what: str | None = None
    place: Place | None = None


class Histories(msgspec.Struct, frozen=True):
    """The saves that were asked for, by emulator, part and path."""

    saves: tuple[History, ...]
    snapshots: tuple[Snapshot, ...]  # all that could be read, in their order
    unreadable: tuple[str, ...]  # snapshots, and lists of what lies in zips


def read_histories(
    archive: Archive,
    asked: Asked,
    layouts: Mapping[str, Layout],
    progress: Callable[[int, int], None] | None = None,
) -> Histories:
    """The histories of all that is asked for; ``layouts`` are the owner's.

    Raises ``UnknownName`` and ``WrongInput`` where the archive holds nothing of it.
    """
    wanted = _Wanted(asked)
    with look_ahead(archive, wanted.glance, wanted.words) as ahead:
        nights = {night.device: night for night in archive.past()}
        at_hand = layouts_of_nights(archive, nights, layouts)
        found = sightings(
            archive,
            wanted.glance,
            words=wanted.words,
            forms=forms_of(at_hand),
            ahead=ahead,
            progress=progress,
        )
    views = _by_device(found.views)
    saves: list[History] = []
    for identity, some in found.found.items():
        files = [one for one in some if wanted.file(one)]
        if files:
            gone = _gone(files, views)
            saves.append(history(identity, [_seen(one) for one in files], gone))
    look = _Look(archive, at_hand, found)
    for identity, seen in look.inside(wanted).items():
        saves.append(history(identity, seen, {}, inside=True))
    if not saves:
        error = _nothing(archive, nights.values(), asked, look)
        if hurt := [*found.unreadable, *archive.unreadable]:  # there it may be
            more = f" and {len(hurt) - 1} more" if len(hurt) > 1 else ""
            told = f"{hurt[0]}{more} could not be read in full; handhold verify says what is hurt."
            error.advice = f"{told} {error.advice}".strip()
        raise error
    saves.sort(key=_order)
    return Histories(tuple(saves), tuple(view.snapshot for view in found.views), tuple(found.unreadable))


class _Wanted:
    """What is asked for, ready to be asked of many files."""

    def __init__(self, asked: Asked) -> None:
        self._fits = Fits(asked.selection)
        self._what = pattern_of((asked.what,)) if asked.what else None
        self._place = asked.place
        named = (asked.what,) if asked.what else asked.selection.games or asked.selection.paths
        #: What fits has one of these in its game, path or emulator; empty where nothing is sure.
        self.words = words_of(named)

    def glance(self, one: Glance | Entry) -> bool:
        """Whether an entry has to be looked at; a zip has for what lies in it."""
        if not self._fits.emulator(one.emulator):
            return False
        return one.members is not None or self._named(
            one.emulator, one.part, title(one.game, one.path), one.path
        )

    def file(self, one: Sighting) -> bool:
        """Whether a file is asked for."""
        entry = one.entry
        if not self._named(entry.emulator, entry.part, title(entry.game, entry.path), entry.path):
            return False
        if self._place is None:
            return True
        place = folded(f"{one.line.path}/{entry.path}".strip("/"))
        at = folded(self._place.path)
        return one.line.volume == self._place.volume and (not at or f"{place}/".startswith(f"{at}/"))

    def member(self, emulator: str, one: Inner) -> bool:
        """Whether what lies in a zip is asked for; nothing in it has a place on a device."""
        name = plain_name(one.member)
        return self._place is None and self._named(emulator, one.part, title_of_member(one), name)

    def _named(self, emulator: str, part: Part, name: str, path: str) -> bool:
        if not self._fits(part, name, path):
            return False
        return self._what is None or says(self._what, emulator, name, path)


def says(what: re.Pattern[str], emulator: str, name: str, path: str) -> bool:
    """Whether a word means a file: its game, its emulator, its name, or its path or a folder above it."""
    return (
        what.fullmatch(folded(name)) is not None
        or what.fullmatch(emulator) is not None
        or what.fullmatch(folded(path.rpartition("/")[2])) is not None
        or at_or_below(what, path)
    )


class _Look:
    """Looks into the zips that were found; each distinct list of members is read once."""

    def __init__(self, archive: Archive, layouts: Mapping[str, Layout], found: Sightings) -> None:
        self._archive = archive
        self._layouts = layouts
        self._found = found
        self._known: dict[tuple[str, Part, str], tuple[Inner, ...]] = {}

    def of(self, entry: Entry) -> tuple[Inner, ...]:
        """The members of a zip, as its layout sees them."""
        if entry.members is None:
            return ()
        key = (entry.emulator, entry.part, entry.members)
        if key not in self._known:
            try:
                members = self._archive.members(entry)
            except OwnerError:
                members = ()
                self._found.unreadable.append(entry.path)
            layout = self._layouts.get(entry.emulator)
            self._known[key] = tuple(inner(one, entry, layout) for one in members if not one.is_folder)
        return self._known[key]

    def inside(self, wanted: _Wanted) -> dict[Identity, list[Seen]]:
        """What was seen in zips of all that is asked for, by save."""
        zips = [one for some in self._found.found.values() for one in some if one.entry.members is not None]
        return members_seen(
            (one, [each for each in self.of(one.entry) if wanted.member(one.entry.emulator, each)])
            for one in zips
        )


def _seen(one: Sighting) -> Seen:
    span = Span(one.held.first.sequence, one.held.last.sequence)
    entry = one.entry
    return Seen(entry.sha256, one.line, one.held, span, entry, entry.size, entry.modified)


def _by_device(views: Iterable[View]) -> dict[str, list[View]]:
    nights: dict[str, list[View]] = {}
    for view in views:
        if view.snapshot.kind is Kind.NIGHT:
            nights.setdefault(view.snapshot.device, []).append(view)
    return nights


def _gone(files: Sequence[Sighting], views: Mapping[str, Sequence[View]]) -> dict[Line, Snapshot]:
    """The lines on which nothing stands any more, with the night that saw it first."""
    latest: dict[Line, Sighting] = {}
    for one in files:
        known = latest.get(one.line)
        if known is None or in_order(known.held.last) < in_order(one.held.last):
            latest[one.line] = one
    return {line: night for line, one in latest.items() if (night := _missed(one, views)) is not None}


def _missed(one: Sighting, views: Mapping[str, Sequence[View]]) -> Snapshot | None:
    found = None
    last = in_order(one.held.last)
    for view in reversed(views.get(one.line.device, ())):
        if in_order(view.snapshot) <= last:
            break
        if _looked(view, one):
            found = view.snapshot
    return found


def _looked(view: View, one: Sighting) -> bool:
    """Whether a night looked at the place of a file, and would have seen it."""
    for site in view.sites:
        if site.emulator == one.entry.emulator and site.volume == one.line.volume:
            home = line_of(one.line.device, one.entry.home, site).path
            if f"{one.line.path}/".startswith(f"{home}/" if home else ""):
                place = (site.volume, f"{site.path}/{one.entry.path}".lstrip("/"))
                recognised = one.entry.emulator not in view.layouts
                return not any(
                    spot.holds(place, one.entry.part, recognised)
                    for spot in unseen(view.gaps, view.left_out, view.only_layouts)
                )
    return False


def _nothing(archive: Archive, nights: Collection[Snapshot], asked: Asked, look: _Look) -> OwnerError:
    """Why nothing was found, with the nearest names there are."""
    entries = list({entry.key: entry for entry in _latest(archive, nights)}.values())
    if not entries and (nights or archive.unreadable):
        return Damaged("No list of files in the archive can be read.")
    if not entries:
        return WrongInput("The archive holds no snapshot yet.", "handhold snapshot takes the first.")
    try:
        choose(entries, asked.selection, look.of, where="archive")
    except (UnknownName, WrongInput) as error:
        return error
    if asked.place is not None:
        return WrongInput(
            f"The archive holds nothing of {asked.place.volume}:{asked.place.path}.",
            "handhold survey shows what is kept of the device.",
        )
    titles = {title(entry.game, entry.path) for entry in entries}
    known = sorted(titles | {entry.emulator for entry in entries})
    return UnknownName("game, emulator or path", asked.what or "", known, "* stands for any text.")


def _latest(archive: Archive, nights: Iterable[Snapshot]) -> Iterator[Entry]:
    for night in nights:
        try:
            yield from archive.entries(archive.read(night))
        except OwnerError:
            continue  # what is hurt has been named


#: Saves before everything else.
_PARTS = {part: at for at, part in enumerate(Part)}


def _order(one: History) -> tuple[int, str, str, str]:
    emulator, part, path = one.identity
    return _PARTS[part], folded(title(one.entry.game, path)), emulator, path
