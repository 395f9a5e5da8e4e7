"""``--rename OLD=NEW``: the copies of a game's saves go by the name that its game has on this device."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import msgspec

from handhold.archive.sameness import folded
from handhold.errors import UnknownName, WrongInput
from handhold.layouts.layout import Layout
from handhold.model import Entry
from handhold.names import trouble_with, written
from handhold.restore.found import NOTHING
from handhold.restore.steps import Action, Decision, Step


class Renamed(msgspec.Struct, frozen=True):
    """Entries as they go by other names; ``was`` has their old paths, by their new keys."""

    entries: list[Entry]
    every: Iterable[Entry]
    was: Mapping[tuple[str, str, str], str] = {}
    left: Sequence[Step] = ()  # what cannot go by another name, each with why


class NewName(msgspec.Struct, frozen=True):
    """A file whose copy goes by another name: its path in its home, as it was and as it is written."""

    emulator: str
    was: str
    path: str


def rename_options(texts: Sequence[str], entries: Iterable[Entry]) -> dict[str, tuple[str, str]]:
    """Each ``OLD=NEW`` as the titles of two games, by the old one folded.

    A title can hold ``=``: the one that leaves a game of the snapshot in front of it counts. Raises
    ``UnknownName`` for a game that the snapshot does not hold, ``WrongInput`` for a title no file can have.
    """
    if not texts:
        return {}
    games = {folded(entry.game): entry.game for entry in entries if entry.game}
    pairs: dict[str, tuple[str, str]] = {}
    for text in texts:
        splits = [(text[:at].strip(), text[at + 1 :].strip()) for at, c in enumerate(text) if c == "="]
        splits = [(old, new) for old, new in splits if old and new]
        if not splits:
            raise WrongInput(
                f'--rename "{text}" does not say one title for another.', 'Write it as --rename "Old=New"'
            )
        known = [pair for pair in splits if folded(written(pair[0])) in games]
        if not known:
            raise UnknownName("game", splits[0][0], sorted(games.values()))
        old, new = (written(title) for title in known[0])
        if "/" in new or trouble_with(new):
            raise WrongInput(f'--rename: no file can be called "{new}".', "Give a title without / in it.")
        before = pairs.setdefault(folded(old), (games[folded(old)], new))
        if before[1] != new:
            raise WrongInput(f'--rename says both "{before[1]}" and "{new}" for "{old}".')
    return pairs


def rename(
    picked: Sequence[Entry],
    every: Iterable[Entry],
    pairs: Mapping[str, tuple[str, str]],
    layouts: Mapping[str, Layout],
) -> Renamed:
    """The picked entries with the names of their games changed. Pure.

    ``every`` entry of the snapshot keeps its name or is renamed as well; a copy never takes the name that
    another of its files has.
    """
    if not pairs:
        return Renamed(list(picked), every)
    asked = {entry.key for entry in picked}
    kept = {entry.key for entry in every if not _is_asked(entry, pairs)}
    new: dict[tuple[str, str, str], Entry | str] = {}
    for entry in every:
        if _is_asked(entry, pairs) and entry.key in asked:
            old, title = pairs[folded(entry.game or "")]
            new[entry.key] = _renamed(entry, old, title, layouts.get(entry.emulator), kept)
    entries: list[Entry] = []
    was: dict[tuple[str, str, str], str] = {}
    left: list[Step] = []
    for entry in picked:
        goes = new.get(entry.key, entry)
        if isinstance(goes, str):
            left.append(Step(Decision.BLOCKED, Action.LEAVE, entry, None, goes, NOTHING, entry.path))
            continue
        entries.append(goes)
        if goes is not entry:
            was[goes.key] = entry.path
    among = [goes if isinstance(goes := new.get(one.key, one), Entry) else one for one in every]
    return Renamed(entries, among, was, left)


def _is_asked(entry: Entry, pairs: Mapping[str, tuple[str, str]]) -> bool:
    return entry.game is not None and folded(entry.game) in pairs


def _renamed(
    entry: Entry, old: str, title: str, layout: Layout | None, kept: set[tuple[str, str, str]]
) -> Entry | str:
    """The entry under its new name, or why it cannot have it."""
    names = [_name(name, old, title) for name in entry.path.split("/")]
    path = "/".join(names)
    if path == entry.path:
        return f'its name does not begin with "{old}", so it cannot be renamed'
    if trouble := trouble_with(path):
        return f'its new name "{path}" {trouble}'
    renamed = msgspec.structs.replace(entry, path=path, game=title)
    if renamed.key in kept:
        return f'the snapshot has another file that is called "{path}" already'
    if layout is not None and _takes(layout, entry) and not _takes(layout, renamed):
        return f'as "{path}" its layout would not take it for a file of "{title}"'
    return renamed


def _takes(layout: Layout, entry: Entry) -> bool:
    """Whether a layout takes a file for what the entry says."""
    verdict = layout.verdict(entry.home.partition("@")[0], entry.path)
    return (
        verdict is not None
        and verdict.part is entry.part
        and folded(verdict.game or "") == folded(entry.game or "")
    )


def _name(name: str, old: str, title: str) -> str:
    """A name of a path with the new title in the stead of the old, where it begins with that."""
    if not folded(name).startswith(folded(old)):
        return name
    for end in range(1, len(name) + 1):  # folding can change the number of characters
        if folded(name[:end]) == folded(old):
            rest = name[end:]
            return title + rest if not rest[:1].isalnum() else name
    return name
