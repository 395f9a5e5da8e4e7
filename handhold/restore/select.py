"""Which entries of a snapshot an owner asks for: by emulator, part and game, in any combination."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from handhold.errors import UnknownName, WrongInput
from handhold.model import Entry, Part
from handhold.restore.inside import Inner


@dataclass(frozen=True, slots=True)
class Selection:
    """What is asked for; an empty field asks for everything.

    ``games`` are patterns: ``*`` stands for any text, ``?`` for one character, case does not matter.
    """

    emulators: tuple[str, ...] = ()
    parts: tuple[Part, ...] = ()
    games: tuple[str, ...] = ()

    @property
    def everything(self) -> bool:
        """Whether nothing was singled out."""
        return not (self.emulators or self.parts or self.games)


@dataclass(frozen=True, slots=True)
class Chosen:
    """What a selection picks: whole files, and of some zips only members."""

    entries: list[Entry]
    members: list[tuple[Entry, tuple[Inner, ...]]]

    @property
    def every(self) -> list[Entry]:
        """The entries that are picked whole or in part."""
        return [*self.entries, *(entry for entry, _ in self.members)]


def chosen(entries: Iterable[Entry], selection: Selection) -> list[Entry]:
    """The whole files that the selection asks for, in their order; see ``choose``."""
    return choose(entries, selection).entries


def choose(
    entries: Iterable[Entry],
    selection: Selection,
    inside: Callable[[Entry], tuple[Inner, ...]] = lambda entry: (),
    where: str = "snapshot",
) -> Chosen:
    """The entries that the selection asks for, in their order.

    ``inside`` gives the members of a zip; where a zip does not fit by itself and with all that is in it,
    those that do are picked. A zip that is called like a game that is asked for holds that game.
    ``where`` says for messages what holds the entries.
    Raises ``UnknownName``, with the nearest names, for an emulator or a game that the entries do not hold,
    and ``WrongInput`` where each is there but no file fits all that was asked.
    """
    among = list(entries)
    if selection.everything:
        return Chosen(among, [])
    _check_emulators(among, selection.emulators, where)
    wanted = [_pattern(game) for game in selection.games]
    emulators = {name.casefold() for name in selection.emulators}

    def of_parts(part: Part) -> bool:
        return not selection.parts or part in selection.parts

    def named(title: str) -> bool:
        return not wanted or any(pattern.fullmatch(_folded(title)) for pattern in wanted)

    of_emulators = [entry for entry in among if not emulators or entry.emulator.casefold() in emulators]
    picked = Chosen([], [])
    for entry in of_emulators:
        by_name = named(title_of(entry))
        lies_in = inside(entry) if selection.parts or not by_name else ()
        members = tuple(
            one for one in lies_in if of_parts(one.part) and (by_name or named(title_of_member(one)))
        )
        if by_name and of_parts(entry.part) and len(members) == len(lies_in):
            picked.entries.append(entry)
        elif members:
            picked.members.append((entry, members))
    if wanted:
        _check_games(among, selection.games, wanted, inside)
    if not (picked.entries or picked.members):
        raise WrongInput(
            f"The {where} holds nothing that fits {_said(selection)}.",
            "handhold show SNAPSHOT lists what it holds.",
        )
    return picked


def title_of(entry: Entry) -> str:
    """What a player calls the file: its game, or its name without the ending where no game is known.

    >>> title_of(Entry("tinplate", Part.SAVES, "main", "saves/Moss Garden.sav", 1, 0, "00"))
    'Moss Garden'
    """
    if entry.game is not None:
        return entry.game
    name = entry.path.rpartition("/")[2]
    stem = name.rpartition(".")[0]
    return stem or name


def title_of_member(one: Inner) -> str:
    """The same for a member of a zip."""
    if one.game is not None:
        return one.game
    name = one.member.name.rstrip("/").rpartition("/")[2]
    return name.rpartition(".")[0] or name


def _check_emulators(entries: Sequence[Entry], wanted: Sequence[str], where: str) -> None:
    known = {entry.emulator.casefold(): entry.emulator for entry in entries}
    for name in wanted:
        if name.casefold() not in known:
            raise UnknownName("emulator", name, sorted(known.values()), f"That {where} holds no other.")


def _check_games(
    entries: Sequence[Entry],
    wanted: Sequence[str],
    patterns: Sequence[re.Pattern[str]],
    inside: Callable[[Entry], tuple[Inner, ...]],
) -> None:
    titles = {_folded(title_of(entry)): title_of(entry) for entry in entries}
    for entry in entries:
        titles.update((_folded(title), title) for title in map(title_of_member, inside(entry)))
    for name, pattern in zip(wanted, patterns, strict=True):
        if not any(pattern.fullmatch(title) for title in titles):
            # settings and the like have no game, and their names are no help here
            games = {entry.game for entry in entries if entry.game} or set(titles.values())
            example = min(games, default="moss").split()[0].lower()
            raise UnknownName("game", name, sorted(games), f"* stands for any text: --game '{example}*'")


def _pattern(wanted: str) -> re.Pattern[str]:
    """``*`` and ``?`` only: a bracket is part of many titles."""
    pieces = re.split(r"(\*+|\?)", _folded(wanted))
    return re.compile(
        "".join(".*" if p.startswith("*") else "." if p == "?" else re.escape(p) for p in pieces), re.DOTALL
    )


def _folded(text: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())


def _said(selection: Selection) -> str:
    asked = [
        *(f"--emulator {name}" for name in selection.emulators),
        *(f"--part {part.value}" for part in selection.parts),
        *(f"--game {name}" for name in selection.games),
    ]
    return " ".join(asked)
