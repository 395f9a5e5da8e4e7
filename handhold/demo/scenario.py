"""The example scenario as it is written down in ``examples/scenario.yaml``: devices, games, files, evenings.

Lines for many files at once (``{game}``, ``{id}``, ``{number}``) are written out one by one here. For each
file the scenario says by hand what is expected of handhold: the part that it is kept as, or none.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import datetime
from enum import StrEnum
from typing import Annotated, Any

import msgspec
import yaml

from handhold import names
from handhold.errors import WrongInput
from handhold.model import Part
from handhold.resources import examples_folder

_Moment = Annotated[datetime, msgspec.Meta(tz=True)]
_Size = Annotated[int, msgspec.Meta(ge=1, le=16 << 20)]
_Number = Annotated[int, msgspec.Meta(ge=1, le=200)]
_Expected = Annotated[str, msgspec.Meta(pattern=f"^({'|'.join(Part)}|none)$")]


class Nature(StrEnum):
    """What a file of the example holds."""

    BATTERY = "battery"
    STATE = "state"
    CARD = "memory card"
    PICTURE = "picture"
    TEXT = "text"
    NOISE = "noise"
    ZIP = "zip"
    EMPTY = "empty"


class _Strict(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    pass


class Game(_Strict, frozen=True):
    """An invented game: its title, and the id that deep trees know it by."""

    title: str
    id: str


class Member(_Strict, frozen=True):
    """A file inside a zip export."""

    path: str
    is_: Nature = msgspec.field(name="is")
    size: _Size = 1
    games: tuple[str, ...] = ()
    text: str = ""


class Line(_Strict, frozen=True):
    """One line of the scenario: a file, or one for each game, each number, or both."""

    path: str
    is_: Nature = msgspec.field(name="is")
    part: _Expected
    size: _Size = 1
    games: tuple[str, ...] = ()
    count: _Number = 1
    text: str = ""
    same_as: str = ""
    members: tuple[Member, ...] = ()
    modified: _Moment | None = None
    known_as: str | None = None
    why: str = ""

    @property
    def kept_as(self) -> Part | None:
        """The part that handhold should know it as; None if it should be left out or unclaimed."""
        return None if self.part == "none" else Part(self.part)


class Tree(_Strict, frozen=True):
    """The files of one emulator in one place of a device; ``at`` is ``volume:path``."""

    device: str
    at: str
    files: tuple[Line, ...]
    emulator: str | None = None
    unreadable: bool = False
    folders: tuple[str, ...] = ()


class DeviceLine(_Strict, frozen=True):
    """A device: its name, what it is, and its volumes."""

    name: str
    about: str
    volumes: tuple[str, ...]


class EveningLine(_Strict, frozen=True):
    """An evening of play on the first device, and which of its files it changes (``volume:path``)."""

    at: _Moment
    told: str
    changes: tuple[str, ...]


class Loss(_Strict, frozen=True):
    """The save that the owner deletes by mistake on the first device."""

    at: _Moment
    path: str
    told: str


class Second(_Strict, frozen=True):
    """The second device: which save on it is ahead of the first one's, and since when."""

    device: str
    ahead: str
    evening: int
    at: _Moment
    told: str


class Scenario(_Strict, frozen=True):
    """The whole scenario."""

    scenario: int
    seed: str
    built: _Moment
    devices: Annotated[tuple[DeviceLine, ...], msgspec.Meta(min_length=1)]
    games: tuple[Game, ...]
    trees: tuple[Tree, ...]
    evenings: tuple[EveningLine, ...]
    lost: Loss
    second: Second

    def files(self, device: str) -> Iterator[Planned]:
        """Every file of a device, one by one."""
        games = {g.title: g for g in self.games}
        for tree in self.trees:
            if tree.device == device:
                for line in tree.files:
                    yield from _written_out(tree, line, games)


class Planned(msgspec.Struct, frozen=True):
    """One file of the scenario, with what is expected of it."""

    tree: Tree
    line: Line
    volume: str
    path: str  # in the volume
    game: str | None  # as handhold should know it
    title: str  # of the game that the line is about; "" if it is about none
    number: int

    @property
    def address(self) -> str:
        """``volume:path``."""
        return f"{self.volume}:{self.path}"


def read_scenario(path: str | None = None) -> Scenario:
    """The scenario that comes with handhold, or the one in a file; checked.

    Raises ``WrongInput`` with the place of the mistake.
    """
    path = path or str(examples_folder() / "scenario.yaml")
    try:
        with open(path, encoding="utf-8") as file:
            data = yaml.safe_load(file)
        scenario = msgspec.convert(data, Scenario)
    except (OSError, UnicodeDecodeError, yaml.YAMLError, msgspec.ValidationError) as error:
        raise _mistake(path, error) from error
    trouble = "; ".join(_troubles(scenario))
    if trouble:
        raise _mistake(path, trouble)
    return scenario


def expand(text: str, game: Game | None, number: int) -> str:
    """``{game}``, ``{id}`` and ``{number}`` filled in."""
    if game is not None:
        text = text.replace("{game}", game.title).replace("{id}", game.id)
    return text.replace("{number}", str(number))


def _written_out(tree: Tree, line: Line, games: dict[str, Game]) -> Iterator[Planned]:
    volume, _, base = tree.at.partition(":")
    for title in line.games or ("",):
        game = games.get(title)
        for number in range(1, line.count + 1):
            path = (
                os.path.join(base, expand(line.path, game, number))
                if base
                else expand(line.path, game, number)
            )
            known = expand(line.known_as, game, number) if line.known_as is not None else title
            yield Planned(tree, line, volume, path, known or None, title, number)


def _troubles(scenario: Scenario) -> Iterator[str]:
    volumes = {d.name: set(d.volumes) for d in scenario.devices}
    titles = {g.title for g in scenario.games}
    if scenario.scenario != 1:
        yield "scenario must be 1"
    for tree in scenario.trees:
        if tree.at.partition(":")[0] not in volumes.get(tree.device, ()):
            yield f'the device "{tree.device}" has no volume for "{tree.at}"'
        for line in tree.files:
            wanted = {*line.games, *(t for m in line.members for t in m.games)}
            for title in sorted(wanted - titles):
                yield f'there is no game "{title}" (at "{line.path}")'
    for device in volumes:
        seen: set[str] = set()
        for planned in scenario.files(device):
            if why := names.trouble_with(planned.path):
                yield f'the path "{planned.path}" {why}'
            if planned.address.casefold() in seen:
                yield f'"{planned.address}" is there twice on {device}'
            seen.add(planned.address.casefold())
    first = {p.address for p in scenario.files(scenario.devices[0].name)}
    for address in (scenario.lost.path, *(c for e in scenario.evenings for c in e.changes)):
        if address not in first:
            yield f'"{address}" is no file of {scenario.devices[0].name}'
    if scenario.second.ahead not in {p.address for p in scenario.files(scenario.second.device)}:
        yield f'"{scenario.second.ahead}" is no file of {scenario.second.device}'


def _mistake(path: str, error: Any) -> WrongInput:
    return WrongInput(f"The example scenario {path} cannot be used: {error}.", "Install handhold again.")
