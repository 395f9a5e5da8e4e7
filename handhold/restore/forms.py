"""Saves that lay in one of an emulator's two forms and go into the other: beside the games, or into a folder.

From beside the games into a folder the folders of the games fall away; the other way round each save goes
into the folder where its game lies, found by the game's name without its ending. Decided file by file; two
saves that would come to lie at one place are named and stay where they are.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import msgspec

from handhold.archive.sameness import flat, folded
from handhold.device.listing import joined, listed
from handhold.layouts.layout import Layout
from handhold.model import Entry, HomeKind, Part
from handhold.names import native, written
from handhold.restore.found import NOTHING, NoTarget, Target
from handhold.restore.lying import HomeKey, spoken
from handhold.restore.steps import Action, Decision, Step

if TYPE_CHECKING:
    from handhold.layouts.recognition.looks import Seen


class Moved(msgspec.Struct, frozen=True):
    """Entries as they go into the other form; ``lay`` says where each lay, by its new key."""

    entries: list[Entry]
    lay: Mapping[tuple[str, str, str], Entry] = {}
    left: Sequence[Step] = ()  # what cannot go, each with why

    @property
    def changed(self) -> list[Entry]:
        """The entries that change their form, as they go."""
        return [entry for entry in self.entries if entry.key in self.lay]


#: The folders in a home that hold a game of this name, each with how sure it is that it is a game.
Games = Mapping[str, Mapping[str, int]]


def move(
    picked: Sequence[Entry],
    every: Iterable[Entry],
    targets: dict[HomeKey, Target | NoTarget],
    layouts: Mapping[str, Layout],
    games: Callable[[Target, Layout], Games],
) -> Moved:
    """The picked entries with the home and path that they go to; adds their homes to ``targets``.

    ``every`` entry of the snapshot counts for what would come to lie at one place. ``games`` looks where the
    games lie below a target. What does not change its form stays as it is.
    """
    changing = {
        key: target
        for key, target in targets.items()
        if isinstance(target, Target) and _changes(key, target, layouts.get(key[0]))
    }
    if not changing:
        return Moved(list(picked))
    for target in changing.values():
        targets.setdefault((target.site.emulator, target.site.home), target)
    known: dict[HomeKey, Games] = {}
    new: dict[tuple[str, str, str], Entry | tuple[Decision, str]] = {}
    wanting: dict[tuple[str, str, str, str], list[Entry]] = {}
    for entry in every:
        goes = targets.get((entry.emulator, entry.home))
        if not isinstance(goes, Target):
            continue
        path: str | tuple[Decision, str] = entry.path
        if (entry.emulator, entry.home) in changing:
            layout = layouts[entry.emulator]
            if goes.site.kind is HomeKind.GAMES:
                at = (entry.emulator, goes.site.home)
                if at not in known:
                    known[at] = games(goes, layout)
                path = beside_its_game(entry, known[at], goes)
            else:
                path = flat(entry.path, entry.game)
            new[entry.key] = (
                msgspec.structs.replace(entry, home=goes.site.home, path=path)
                if isinstance(path, str)
                else path
            )
        if isinstance(path, str):
            wanting.setdefault((entry.emulator, goes.base, goes.below, folded(path)), []).append(entry)
    _name_collisions(wanting.values(), new)
    entries: list[Entry] = []
    lay: dict[tuple[str, str, str], Entry] = {}
    left: list[Step] = []
    for entry in picked:
        goes_to = new.get(entry.key, entry)
        if isinstance(goes_to, tuple):
            decision, why = goes_to
            left.append(Step(decision, Action.LEAVE, entry, None, why, NOTHING, entry.path))
            continue
        entries.append(goes_to)
        if goes_to is not entry:
            lay[goes_to.key] = entry
    return Moved(entries, lay, left)


def note(lay: Entry, target: Target) -> str:
    """Where a save that changes its form lay, for its owner."""
    whence = "in a folder" if target.site.kind is HomeKind.GAMES else "beside its game"
    return f'it lay {whence} as "{lay.path}"'


def _changes(key: HomeKey, target: Target, layout: Layout | None) -> bool:
    if layout is None:
        return False
    return layout.other_form(key[1].partition("@")[0]) == target.site.home.partition("@")[0]


def _name_collisions(
    groups: Iterable[Sequence[Entry]], new: dict[tuple[str, str, str], Entry | tuple[Decision, str]]
) -> None:
    """Two contents that would come to lie at one place stay where they are, each with the other's name."""
    for group in groups:
        if len({entry.sha256 for entry in group}) < 2:
            continue
        for entry in group:
            if entry.key in new:
                other = next(each for each in group if each.sha256 != entry.sha256)
                why = (
                    f'it and "{other.path}" of "{other.home}" would come to lie at one place; put one of '
                    f"them elsewhere with --home {entry.emulator}:{entry.home}=PATH"
                )
                new[entry.key] = (Decision.BLOCKED, why)


def beside_its_game(entry: Entry, games: Games, target: Target) -> str | tuple[Decision, str]:
    """The path of a save beside its game; or why there is none. Pure.

    Where games of that name lie in several folders, the one counts that is called as the folder in which the
    save lay.
    """
    if not entry.game:
        return entry.path
    path = flat(entry.path, entry.game)
    ranks = games.get(folded(entry.game), {})
    folders = [folder for folder, rank in ranks.items() if rank == max(ranks.values())]
    if not folders:
        why = (
            f'no game called "{entry.game}" lies in {spoken(target.site)}: copy it there under that name, '
            "then run this again"
        )
        return Decision.BY_HAND, why
    if len(folders) > 1:
        before = entry.path[: -len(path)].rstrip("/")
        lay = folded(before.rpartition("/")[2])
        alike = [folder for folder in folders if lay and folded(folder.rpartition("/")[2]) == lay]
        if len(alike) != 1:
            shown = " and ".join(f'"{folder or "/"}"' for folder in sorted(folders)[:3])
            why = (
                f'games called "{entry.game}" lie in {shown}, and nothing tells whose save it is; say where '
                f"it goes: --home {entry.emulator}:{entry.home}=PATH"
            )
            return Decision.BLOCKED, why
        folders = alike
    return f"{folders[0]}/{path}" if folders[0] else path


def games_below(target: Target, layout: Layout) -> dict[str, dict[str, int]]:
    """Where games lie below a target, by their folded names without ending. Links are not followed.

    A file is surer to be a game (2) if the layout or recognition says so than if nothing says what it is (1);
    what the layout keeps as something else is none.
    """
    from handhold.device.recognising import surroundings_of
    from handhold.layouts.recognition.looks import Seen
    from handhold.layouts.recognition.recognise import look_around, recognise

    found: dict[str, dict[str, int]] = {}
    home = target.site.home.partition("@")[0]
    todo = [(os.path.join(target.base, native(target.below)), "")]
    while todo:
        path, shown = todo.pop()
        base = f"{shown}/" if shown else ""
        files: list[Seen] = []
        folders: list[str] = []
        for entry in listed(os.scandir, path)[0]:
            name = written(entry.name)
            try:
                mode = entry.stat(follow_symlinks=False).st_mode
            except OSError:
                continue  # it cannot be told what it is, so it is no game that is known
            if stat.S_ISDIR(mode):
                todo.append((joined(path, entry.name), base + name))
                folders.append(name)
                _add(found, name, shown, 1)
            elif stat.S_ISREG(mode):
                files.append(Seen(name, entry.stat(follow_symlinks=False).st_size, 0))
        whole = "/".join(piece for piece in (target.site.path, shown) if piece)
        here = look_around(surroundings_of(whole), files, folders, _unread)
        for file, looks in zip(files, recognise(here, files, folders, _unread), strict=True):
            verdict = layout.verdict(home, base + file.name)
            if verdict is not None and verdict.part is not Part.GAMES:
                continue
            sure = verdict is not None or looks.part is Part.GAMES
            _add(found, file.name.rpartition(".")[0] or file.name, shown, 2 if sure else 1)
    return found


def _unread(_: Seen) -> bytes:
    return b""


def _add(found: dict[str, dict[str, int]], name: str, folder: str, rank: int) -> None:
    folders = found.setdefault(folded(name), {})
    folders[folder] = max(rank, folders.get(folder, 0))
