"""Evenings of play in a real emulator, without a window and without sound.

The emulator library is told where to keep its files, as an owner of the invented emulator Wickwork would
find them: ``Wickwork/saves/<game>.sav`` and ``Wickwork/states/<game>.st<slot>``.
"""

from __future__ import annotations

import io
import os
import warnings
from dataclasses import dataclass
from typing import Any, NamedTuple

from .cartridge import make_cartridge

GAME = "Lamplighter"


class Counter(NamedTuple):
    """What the cartridge has counted."""

    frames: int
    evenings: int


@dataclass(frozen=True)
class Places:
    """Where Wickwork keeps its files below one volume."""

    volume: str

    @property
    def home(self) -> str:
        return os.path.join(self.volume, "Wickwork")

    @property
    def cartridge(self) -> str:
        return os.path.join(self.volume, "Games", f"{GAME}.bin")

    @property
    def save(self) -> str:
        return os.path.join(self.home, "saves", f"{GAME}.sav")

    @property
    def state(self) -> str:
        return os.path.join(self.home, "states", f"{GAME}.st1")


def set_up(volume: str) -> Places:
    """Puts the cartridge on a volume."""
    places = Places(volume)
    os.makedirs(os.path.dirname(places.cartridge))
    with open(places.cartridge, "wb") as file:
        file.write(make_cartridge())
    return places


def play(places: Places, frames: int) -> Counter:
    """Switches on with the save that is there, plays, leaves a state in slot 1 and saves.

    Returns what the running program's memory held at the end, which no file had a part in.
    """
    before = None
    if os.path.exists(places.save):
        with open(places.save, "rb") as file:
            before = io.BytesIO(file.read())
    emulator = _switched_on(places, before)
    emulator.tick(frames, False)
    counter = _in_memory(emulator)
    for path in (places.save, places.state):
        os.makedirs(os.path.dirname(path), exist_ok=True)  # as emulators make their folders
    with open(places.state, "wb") as file:
        emulator.save_state(file)
    with open(places.save, "wb") as file:
        emulator.stop(ram_file=file)
    return counter


def play_on_from_state(places: Places, frames: int) -> tuple[Counter, Counter]:
    """Loads the state and plays on: what it held just after loading, and at the end. Saves nothing."""
    emulator = _switched_on(places, None)
    with open(places.state, "rb") as file:
        emulator.load_state(file)
    loaded = _in_memory(emulator)
    emulator.tick(frames, False)
    after = _in_memory(emulator)
    emulator.stop(save=False)
    return loaded, after


def read_counter(save: str) -> Counter:
    """What a battery save holds, read without the emulator."""
    with open(save, "rb") as file:
        start = file.read(4)
    return Counter(int.from_bytes(start[:2], "little"), int.from_bytes(start[2:], "little"))


def _switched_on(places: Places, save: io.BytesIO | None) -> Any:
    with warnings.catch_warnings():
        # The window library, which is not used here, says at its first import where it comes from.
        warnings.filterwarnings("ignore", message="Using SDL2 binaries", category=UserWarning)
        from pyboy import PyBoy
    with open(places.cartridge, "rb") as file:  # a stream: a path would make it keep its save beside the game
        emulator = PyBoy(file, ram_file=save, window="null", sound_emulated=False, log_level="ERROR")
    emulator.set_emulation_speed(0)  # as fast as it goes
    return emulator


def _in_memory(emulator: Any) -> Counter:
    low, high, evenings_low, evenings_high = (emulator.memory[0xA000 + i] for i in range(4))
    return Counter(low + 256 * high, evenings_low + 256 * evenings_high)
