"""Builds the devices of the example scenario in a folder, and plays on them.

The same scenario gives the same bytes and the same modification times, wherever and whenever it is built.
Each function returns plain values that say what it did, so that a tour can speak of it.

>>> built = build(folder)                                           # doctest: +SKIP
>>> built.device.name, len(built.device.files)                      # doctest: +SKIP
('marten', 232)
>>> play_evening(built, 1)                                          # doctest: +SKIP
>>> lose_save(built).file.game                                      # doctest: +SKIP
'Lamplighter'
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import NamedTuple

import msgspec

from handhold.demo import contents
from handhold.demo.scenario import Game, Planned, Scenario, expand, read_scenario
from handhold.demo.scenario import Nature as N
from handhold.errors import OwnerError, WrongInput
from handhold.model import NS, Part


class BuiltFile(NamedTuple):
    """A file of the example, and what is expected of handhold.

    ``part`` is what it should be known as. Without one it should be left out by the layout of its
    ``emulator``; without an emulator too, nobody claims it.
    """

    device: str
    volume: str
    path: str  # in the volume
    place: str  # the absolute path
    size: int  # bytes
    modified: int  # nanoseconds UTC
    emulator: str | None
    part: Part | None
    game: str | None
    unreadable: bool  # lies in app-private storage
    why: str  # a word on what makes this file worth having in the example; mostly empty

    @property
    def address(self) -> str:
        """``volume:path``."""
        return f"{self.volume}:{self.path}"


class BuiltDevice(msgspec.Struct, frozen=True):
    """A handheld of the example."""

    name: str
    about: str
    volumes: Mapping[str, str]  # name: absolute path
    files: tuple[BuiltFile, ...]


class Built(msgspec.Struct, frozen=True):
    """What was built, and what it was built from."""

    folder: str
    scenario: Scenario
    device: BuiltDevice
    games: tuple[str, ...]
    notes: tuple[str, ...]  # what is special about these folders on this machine, in the owner's words


class Evening(msgspec.Struct, frozen=True):
    """An evening of play."""

    number: int
    at: datetime
    told: str
    changed: tuple[BuiltFile, ...]


class Lost(NamedTuple):
    """A save that the owner deleted by mistake."""

    at: datetime
    told: str
    file: BuiltFile


class Second(msgspec.Struct, frozen=True):
    """The second handheld, and the save on it that is ahead of the first one's."""

    device: BuiltDevice
    at: datetime
    told: str
    ahead: BuiltFile
    notes: tuple[str, ...]


def build(folder: str, scenario: Scenario | None = None) -> Built:
    """Builds the first device in a new or empty folder.

    Raises ``WrongInput`` if the folder cannot be used for it, ``OwnerError`` if writing fails.
    """
    scenario = scenario or read_scenario()
    folder = os.path.abspath(folder)
    try:
        os.makedirs(folder, exist_ok=True)
        filled = bool(os.listdir(folder))
    except OSError as error:
        raise WrongInput(
            f"{folder} cannot be used for the example: {error.strerror}.",
            "Name a folder that is new or empty.",
        ) from error
    if filled:
        raise WrongInput(f"{folder} is not empty.", "Name a folder that is new or empty for the example.")
    device, notes = _build_device(folder, scenario, scenario.devices[0].name)
    return Built(folder, scenario, device, tuple(g.title for g in scenario.games), notes)


def play_evening(built: Built, number: int) -> Evening:
    """Evening ``number`` (from 1) on the first device: its files get new content and the evening's time."""
    line = built.scenario.evenings[number - 1]
    wanted = set(line.changes)
    changed = []
    for planned in built.scenario.files(built.device.name):
        if planned.address in wanted:
            root = built.device.volumes[planned.volume]
            changed.append(_write(built.scenario, planned, root, number, line.at))
    return Evening(number, line.at, line.told, tuple(changed))


def lose_save(built: Built) -> Lost:
    """The owner deletes a save by mistake."""
    loss = built.scenario.lost
    file = next(f for f in built.device.files if f.address == loss.path)
    try:
        os.remove(file.place)
        _stamp(os.path.dirname(file.place), loss.at)
    except OSError as error:
        raise _failed(built.folder, error) from error
    return Lost(loss.at, loss.told, file)


def second_device(built: Built) -> Second:
    """Builds the second device beside the first one: set up, and with newer progress of one save."""
    line = built.scenario.second
    device, notes = _build_device(built.folder, built.scenario, line.device)
    planned = next(p for p in built.scenario.files(line.device) if p.address == line.ahead)
    ahead = _write(built.scenario, planned, device.volumes[planned.volume], line.evening, line.at)
    files = tuple(ahead if f.address == ahead.address else f for f in device.files)
    return Second(
        BuiltDevice(device.name, device.about, device.volumes, files), line.at, line.told, ahead, notes
    )


def _build_device(folder: str, scenario: Scenario, name: str) -> tuple[BuiltDevice, tuple[str, ...]]:
    line = next(d for d in scenario.devices if d.name == name)
    volumes = {volume: os.path.join(folder, name, volume) for volume in line.volumes}
    closed = []
    try:
        for root in volumes.values():
            os.makedirs(root)
        files = [_write(scenario, p, volumes[p.volume], 0, None) for p in scenario.files(name)]
        for tree in scenario.trees:
            if tree.device == name:
                volume, _, base = tree.at.partition(":")
                home = os.path.join(volumes[volume], base) if base else volumes[volume]
                for empty in ("", *tree.folders):
                    os.makedirs(os.path.join(home, empty) if empty else home, exist_ok=True)
                if tree.unreadable:
                    closed.append(home)
        for place, _, _ in os.walk(os.path.join(folder, name), topdown=False):
            _stamp(place, scenario.built)
        _stamp(folder, scenario.built)
        notes = tuple(_close(home) for home in closed)
    except OSError as error:
        raise _failed(folder, error) from error
    return BuiltDevice(name, line.about, volumes, tuple(files)), notes


def _write(
    scenario: Scenario, planned: Planned, root: str, evening: int, played: datetime | None
) -> BuiltFile:
    """Writes one file as it is after so many evenings."""
    place = os.path.join(root, planned.path)
    modified = played or planned.line.modified or _some_time_before(scenario, planned)
    data = _content(scenario, planned, evening, modified)
    try:
        os.makedirs(os.path.dirname(place), exist_ok=True)
        with open(place, "wb") as file:
            file.write(data)
        time = _stamp(place, modified)
    except OSError as error:
        raise _failed(root, error) from error
    tree, part = planned.tree, planned.line.kept_as
    return BuiltFile(
        device=tree.device,
        volume=planned.volume,
        path=planned.path,
        place=place,
        size=len(data),
        modified=time,
        emulator=tree.emulator,
        part=part,
        game=planned.game if part else None,
        unreadable=tree.unreadable,
        why=planned.line.why,
    )


def _content(scenario: Scenario, planned: Planned, evening: int, stamped: datetime) -> bytes:
    line = planned.line
    game = next((g for g in scenario.games if g.title == planned.title), None)
    own = f"{planned.tree.device} {planned.address}"
    key = f"{scenario.seed} {expand(line.same_as, game, planned.number) or own}"
    if line.is_ is not N.ZIP:
        return _made(line.is_, key, line.size, line.text, game, planned.number, evening)
    members = []
    for member in line.members:
        for title in member.games or ("",):
            one = next((g for g in scenario.games if g.title == title), None)
            path = expand(member.path, one, planned.number)
            data = _made(member.is_, f"{key} {path}", member.size, member.text, one, planned.number, evening)
            members.append((path, data))
    return contents.zipped(members, stamped)


def _made(nature: N, key: str, size: int, text: str, game: Game | None, number: int, evening: int) -> bytes:
    match nature:
        case N.BATTERY:
            return contents.battery(key, size, evening)
        case N.STATE:
            return contents.state(key, size, evening)
        case N.CARD:
            return contents.memory_card(key, size, evening)
        case N.PICTURE:
            return contents.picture(key, evening)
        case N.NOISE:
            return contents.noise(key, size)
        case N.TEXT:
            return expand(text, game, number).replace("{evening}", str(evening)).encode()
        case N.EMPTY:
            return b""
        case N.ZIP:
            raise ValueError("a zip inside a zip is not part of the example")


def _some_time_before(scenario: Scenario, planned: Planned) -> datetime:
    """A time within the year before the device is built, in whole even seconds, as every card can keep it."""
    digest = hashlib.sha256(f"{scenario.seed} {planned.tree.device} {planned.address}".encode()).digest()
    return scenario.built - timedelta(seconds=2 * (1 + int.from_bytes(digest[:4], "big") % (365 * 43_200)))


def _stamp(place: str, when: datetime) -> int:
    """Sets the modification time; returns it in nanoseconds."""
    time = round(when.timestamp()) * NS
    os.utime(place, ns=(time, time))
    return time


def _close(home: str) -> str:
    """Takes all access rights from a folder; returns a note on what that means here."""
    os.chmod(home, 0)
    try:
        os.listdir(home)
    except OSError:
        return (
            f"{home} stands for storage that only its own emulator can read. "
            f'To delete the example, open it first: chmod 700 "{home}"'
        )
    reason = (
        "you are root here, who reads everything"
        if os.geteuid() == 0
        else "the file system of this folder keeps no access rights"
    )
    return (
        f"{home} stands for storage that only its own emulator can read. It can be read now all the same, "
        f"because {reason}: on a real handheld it would be told as a gap."
    )


def _failed(folder: str, error: OSError) -> OwnerError:
    where = error.filename if isinstance(error.filename, str) else folder
    return OwnerError(
        f"The example could not be built at {where}: {error.strerror or error}.",
        "Choose a folder that you may write to, with 100 MB of free room.",
    )
