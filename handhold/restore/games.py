"""Which saves of a move have no game on the new device, and which games there are called nearly so.

A save is found by its game's name without the ending (common practice, no source), or by the folder that is
called as the game. Only saves whose game was on the old device count: a memory card has no game of its name.
"""

from __future__ import annotations

import os
import re
import stat
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from handhold.archive.inventory import Game
from handhold.archive.sameness import folded
from handhold.device.listing import joined, listed
from handhold.layouts.layout import Layout
from handhold.model import Device, Part
from handhold.names import native, written
from handhold.restore.steps import Action, Decision, Step

#: In brackets stand regions, revisions and the like (common practice, no source).
_TAGS = re.compile(r"\([^()]*\)|\[[^\[\]]*\]")
#: How alike two names must be to be called near, from 0 to 1; so many are offered.
_NEAR, _MOST_OFFERED = 0.82, 3
#: For so many saves the names are compared letter by letter; for the others without tags only.
_MOST_COMPARED = 50


class WithoutGame(msgspec.Struct, frozen=True):
    """A game's saves whose game is not on the new device; ``near`` are games there of nearly that name."""

    emulator: str
    game: str
    files: int
    near: tuple[str, ...]


#: Folded name -> the name as it is written, of games and of the folders that hold them.
Titles = Mapping[str, str]


def titles(games: Iterable[tuple[str, str | None]]) -> dict[str, str]:
    """The names by which games are known, from their paths and titles. Pure.

    >>> sorted(titles([("Dunlin/Salt Road/track 1.bin", None)]).values())
    ['Dunlin', 'Salt Road', 'track 1']
    """
    found: dict[str, str] = {}
    for path, game in games:
        *folders, name = path.split("/")
        for title in (game, name.rpartition(".")[0] or name, *folders):
            if title:
                found.setdefault(folded(title), title)
    return found


def titles_of(games: Iterable[Game]) -> dict[str, str]:
    """The same of a night's list of games."""
    return titles((game.path, game.game) for game in games)


def titles_here(device: Device, layouts: Sequence[Layout]) -> dict[str, str]:
    """The same of the games that lie on a device, in the homes of layouts that speak of games.

    Links are not followed. What cannot be listed is taken to hold none.
    """
    from handhold.device.walk import locate

    speaking = [layout for layout in layouts if any(rule.part is Part.GAMES for rule in layout.rules)]
    by_id = {layout.id: layout for layout in speaking}
    roots = {volume.name: volume.path for volume in device.volumes}
    found: dict[str, str] = {}
    for site in locate(device, speaking):
        home = os.path.join(roots[site.volume], native(site.path))
        for name, title in titles(_games(home, by_id[site.emulator], site.home.partition("@")[0])).items():
            found.setdefault(name, title)
    return found


def _games(root: str, layout: Layout, home: str) -> Iterator[tuple[str, str | None]]:
    todo = [(root, "")]
    while todo:
        folder, base = todo.pop()
        for entry in listed(os.scandir, folder)[0]:
            path = base + written(entry.name)
            try:
                mode = entry.stat(follow_symlinks=False).st_mode
            except OSError:
                continue
            if stat.S_ISDIR(mode):
                todo.append((joined(folder, entry.name), f"{path}/"))
            elif stat.S_ISREG(mode):
                verdict = layout.verdict(home, path)
                if verdict is not None and verdict.part is Part.GAMES:
                    yield path, verdict.game


def without_game(steps: Iterable[Step], then: Titles, here: Titles) -> tuple[WithoutGame, ...]:
    """The saves and states of a plan whose game was on the old device and is not on this one. Pure."""
    counts: dict[tuple[str, str], list[str]] = {}
    for step in steps:
        entry = step.entry
        comes = step.action in (Action.WRITE, Action.BESIDE) or step.decision is Decision.SAME
        if not comes or entry.part not in (Part.SAVES, Part.STATES) or not entry.game:
            continue
        name = folded(entry.game)
        if name in then and name not in here:
            counts.setdefault((entry.emulator, name), []).append(entry.game)
    plain: dict[str, list[str]] = {}
    for title in here.values():
        plain.setdefault(plainly(title), []).append(title)
    return tuple(
        WithoutGame(emulator, games[0], len(games), near(games[0], plain, at < _MOST_COMPARED))
        for at, ((emulator, _), games) in enumerate(sorted(counts.items()))
    )


def plainly(title: str) -> str:
    """A title without what stands in brackets, without marks, accents and case.

    >>> plainly("Moss & Brass (Disc 2) [v1.1]"), plainly("moss_and-brass")
    ('moss and brass', 'moss and brass')
    """
    bare = _TAGS.sub(" ", title)
    decomposed = unicodedata.normalize("NFKD", (bare if bare.strip() else title).replace("&", " and "))
    letters = "".join(c for c in decomposed.casefold() if not unicodedata.combining(c))
    return " ".join(re.split(r"[\W_]+", letters)).strip()


def near(title: str, plain: Mapping[str, Sequence[str]], letters: bool = True) -> tuple[str, ...]:
    """The titles that are nearest to one, nearest first; ``plain`` has them by ``plainly``. Pure.

    What stands in brackets does not count, except to order those that are equally near. Without ``letters``
    only titles count that are the same but for that.
    """
    from difflib import SequenceMatcher  # few restores need it

    wanted = plainly(title)
    ranked: list[tuple[float, int, float, str]] = []
    tags = _tags(title)
    matcher = SequenceMatcher(autojunk=False)
    matcher.set_seq2(wanted)
    for name, some in plain.items():
        if name != wanted and not letters:
            continue
        matcher.set_seq1(name)
        if matcher.real_quick_ratio() < _NEAR or matcher.quick_ratio() < _NEAR:
            continue
        ratio = matcher.ratio()
        if ratio >= _NEAR and _numbers(name) == _numbers(wanted):
            for other in some:
                alike = SequenceMatcher(None, other, title, autojunk=False).ratio()
                ranked.append((-ratio, -len(tags & _tags(other)), -alike, other))
    return tuple(other for *_, other in sorted(ranked)[:_MOST_OFFERED])


def _tags(title: str) -> set[str]:
    return set(_TAGS.findall(folded(title)))


def _numbers(name: str) -> list[str]:
    """The numbers in a title: the second part of a game is not the first one."""
    return re.findall(r"\d+|\b[ivx]+\b", name)
