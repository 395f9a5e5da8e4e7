"""Which entries of a snapshot an owner asks for: by emulator, part, game and path, in any combination."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence

import msgspec

from handhold.archive.sameness import folded
from handhold.errors import UnknownName, WrongInput
from handhold.model import Entry, Part
from handhold.restore.inside import Inner, plain_name


class Selection(msgspec.Struct, frozen=True):
    """What is asked for; an empty field asks for everything.

    ``games`` and ``paths`` are patterns: ``*`` stands for any text, ``?`` for one character, case does not
    matter. A path is one in the home of the emulator, of a file or of a folder above it.
    """

    emulators: tuple[str, ...] = ()
    parts: tuple[Part, ...] = ()
    games: tuple[str, ...] = ()
    paths: tuple[str, ...] = ()

    @property
    def everything(self) -> bool:
        """Whether nothing was singled out."""
        return not (self.emulators or self.parts or self.games or self.paths)


class Fits:
    """A selection that is ready to be asked about many files.

    >>> fits = Fits(Selection(games=("moss*",), paths=("saves",)))
    >>> fits(Part.SAVES, "Moss Garden", "saves/Moss Garden.sav"), fits(Part.SAVES, "Moss", "old/Moss.sav")
    (True, False)
    """

    def __init__(self, selection: Selection) -> None:
        self._emulators = frozenset(name.casefold() for name in selection.emulators)
        self._parts = frozenset(selection.parts)
        self._games = pattern_of(selection.games)
        self._paths = pattern_of(selection.paths)

    def emulator(self, name: str) -> bool:
        """Whether files of this emulator are asked for."""
        return not self._emulators or name.casefold() in self._emulators

    def part(self, part: Part) -> bool:
        """Whether files of this part are asked for."""
        return not self._parts or part in self._parts

    def game(self, title: str) -> bool:
        """Whether files that a player calls so are asked for."""
        return self._games is None or self._games.fullmatch(folded(title)) is not None

    def path(self, path: str) -> bool:
        """Whether a file at this path in its home is asked for."""
        return self._paths is None or at_or_below(self._paths, path)

    def __call__(self, part: Part, title: str, path: str) -> bool:
        """Whether a file is asked for, if its emulator is."""
        return self.part(part) and self.game(title) and self.path(path)


def at_or_below(pattern: re.Pattern[str], path: str) -> bool:
    """Whether a path fits, or a folder that it lies in."""
    path = folded(path)
    while path:
        if pattern.fullmatch(path):
            return True
        path = path.rpartition("/")[0]
    return False


class Chosen(msgspec.Struct, frozen=True):
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
    fits = Fits(selection)
    emulators = {name for name in {entry.emulator for entry in among} if fits.emulator(name)}
    called = [title_of(entry) for entry in among]
    # Thousands of files share a title, and to fold one costs more than all else that is done with an entry.
    games = {title for title in set(called) if fits.game(title)}
    picked = Chosen([], [])
    for entry, title in zip(among, called, strict=True):
        if entry.emulator not in emulators:
            continue
        by_name, by_path = title in games, fits.path(entry.path)
        lies_in = inside(entry) if selection.parts or not (by_name and by_path) else ()
        members = tuple(
            one
            for one in lies_in
            if fits.part(one.part)
            and (by_name or fits.game(title_of_member(one)))
            and (by_path or fits.path(plain_name(one.member)))
        )
        if by_name and by_path and fits.part(entry.part) and len(members) == len(lies_in):
            picked.entries.append(entry)
        elif members:
            picked.members.append((entry, members))
    known = [folded(title) for title in games]
    missing = [name for name in selection.games if not _is_among(name, known)]
    if missing:  # unless the game lies in a zip
        _check_games(among, missing, inside)
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
    return title(entry.game, entry.path)


def title_of_member(one: Inner) -> str:
    """The same for a member of a zip."""
    return title(one.game, one.member.name.rstrip("/"))


def title(game: str | None, path: str) -> str:
    """The same for any path."""
    if game is not None:
        return game
    name = path.rpartition("/")[2]
    return name.rpartition(".")[0] or name


def _check_emulators(entries: Sequence[Entry], wanted: Sequence[str], where: str) -> None:
    known = {entry.emulator.casefold(): entry.emulator for entry in entries}
    for name in wanted:
        if name.casefold() not in known:
            raise UnknownName("emulator", name, sorted(known.values()), f"That {where} holds no other.")


def _check_games(
    entries: Sequence[Entry],
    wanted: Sequence[str],
    inside: Callable[[Entry], tuple[Inner, ...]],
) -> None:
    titles = {folded(name): name for name in map(title_of, entries)}
    for entry in entries:
        titles.update((folded(name), name) for name in map(title_of_member, inside(entry)))
    for name in wanted:
        if not _is_among(name, titles):
            import shlex  # most names are among them

            # settings and the like have no game, and their names are no help here
            games = {entry.game for entry in entries if entry.game} or set(titles.values())
            # A folder that a game is named after may have a name of nothing but spaces.
            example = next((words[0].lower() for words in map(str.split, sorted(games)) if words), "moss")
            example = shlex.quote(f"{example}*")
            raise UnknownName("game", name, sorted(games), f"* stands for any text: --game {example}")


def _is_among(wanted: str, known: Iterable[str]) -> bool:
    """Whether a pattern fits any of the names, which are ``folded``."""
    pattern = pattern_of((wanted,))
    return pattern is not None and any(map(pattern.fullmatch, known))


def pattern_of(wanted: Sequence[str]) -> re.Pattern[str] | None:
    """One pattern for names that are ``folded``; None for none.

    ``*`` and ``?`` only: a bracket is part of many titles.
    """
    if not wanted:
        return None
    return re.compile("|".join(map(_expression, wanted)), re.DOTALL)


def words_of(patterns: Sequence[str]) -> frozenset[str]:
    """Words of which one stands in the name of whatever fits one of these patterns; none if that is not sure.

    >>> sorted(words_of(["Moss*", "Salt Road"])), sorted(words_of(["Moss*", "*"]))
    (['moss', 'salt road'], [])
    """
    words = list(map(longest_word, patterns))
    return frozenset(words) if all(words) else frozenset()


def longest_word(pattern: str) -> str:
    """The longest piece of a pattern that stands in all that fits it, in small ASCII letters; or nothing.

    >>> longest_word("Moss*"), longest_word("*"), longest_word("Ärger & Ruhm"), longest_word('an "b" c')
    ('moss', '', 'rger & ruhm', 'an ')
    """
    return max(re.split(r'[^ -~]|[*?"\\]', folded(pattern)), key=len)


def _expression(wanted: str) -> str:
    pieces = re.split(r"(\*+|\?)", folded(wanted))
    return "".join(".*" if p.startswith("*") else "." if p == "?" else re.escape(p) for p in pieces)


def _said(selection: Selection) -> str:
    asked = [
        *(f"--emulator {name}" for name in selection.emulators),
        *(f"--part {part.value}" for part in selection.parts),
        *(f"--game {name}" for name in selection.games),
        *(f"--path {path}" for path in selection.paths),
    ]
    return " ".join(asked)
