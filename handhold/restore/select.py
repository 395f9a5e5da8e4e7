"""Which entries of a snapshot an owner asks for: by emulator, part and game, in any combination."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from handhold.errors import UnknownName, WrongInput
from handhold.model import Entry, Part


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


def chosen(entries: Iterable[Entry], selection: Selection) -> list[Entry]:
    """The entries that the selection asks for, in their order.

    Raises ``UnknownName``, with the nearest names, for an emulator or a game that the entries do not hold,
    and ``WrongInput`` where each is there but no file fits all that was asked.
    """
    among = list(entries)
    if selection.everything:
        return among
    _check_emulators(among, selection.emulators)
    wanted = [_pattern(game) for game in selection.games]
    emulators = {name.casefold() for name in selection.emulators}
    picked = [
        entry
        for entry in among
        if (not emulators or entry.emulator.casefold() in emulators)
        and (not selection.parts or entry.part in selection.parts)
    ]
    if wanted:
        _check_games(among, selection.games, wanted)
        picked = [e for e in picked if any(p.fullmatch(_folded(title_of(e))) for p in wanted)]
    if not picked:
        raise WrongInput(
            f"The snapshot holds nothing that fits {_said(selection)}.",
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


def _check_emulators(entries: Sequence[Entry], wanted: Sequence[str]) -> None:
    known = {entry.emulator.casefold(): entry.emulator for entry in entries}
    for name in wanted:
        if name.casefold() not in known:
            raise UnknownName("emulator", name, sorted(known.values()), "That snapshot holds no other.")


def _check_games(
    entries: Sequence[Entry], wanted: Sequence[str], patterns: Sequence[re.Pattern[str]]
) -> None:
    titles = {_folded(title_of(entry)): title_of(entry) for entry in entries}
    for name, pattern in zip(wanted, patterns, strict=True):
        if not any(pattern.fullmatch(title) for title in titles):
            raise UnknownName(
                "game", name, sorted(set(titles.values())), "* stands for any text: --game 'moss*'"
            )


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
