"""The cartridge itself, without handhold: its header is in order, and a real emulator counts in it."""

from __future__ import annotations

import os
from pathlib import Path

from .cartridge import SAVE_SIZE, TITLE, make_cartridge
from .evenings import Counter, play, play_on_from_state, read_counter, set_up


def test_the_header_is_in_order() -> None:
    cartridge = make_cartridge()
    assert len(cartridge) == 32768
    assert cartridge[0x134:0x144].rstrip(b"\0") == TITLE
    assert cartridge[0x104:0x134] == bytes(48), "nobody else's picture is in it"
    # Source: Pan Docs, "The Cartridge Header", 014D: x = x - byte - 1 over 0134 to 014C; from memory.
    check = 0
    for byte in cartridge[0x134:0x14D]:
        check = (check - byte - 1) % 256
    assert cartridge[0x14D] == check
    # Source: Pan Docs, "The Cartridge Header", 014E-014F: sum of the other bytes, big-endian; from memory.
    assert int.from_bytes(cartridge[0x14E:0x150], "big") == sum(cartridge[:0x14E] + cartridge[0x150:]) % 65536


def test_the_same_cartridge_every_time() -> None:
    assert make_cartridge() == make_cartridge()


def test_it_counts_on_from_evening_to_evening(tmp_path: Path) -> None:
    places = set_up(str(tmp_path))
    first = play(places, 200)
    assert first.evenings == 1
    assert 0 < first.frames < 200, "start-up takes some of the frames"
    assert read_counter(places.save) == first
    assert os.path.getsize(places.save) == SAVE_SIZE
    second = play(places, 300)
    assert second == Counter(first.frames + first.frames + 100, 2)
    assert read_counter(places.save) == second


def test_a_state_goes_on_without_switching_on(tmp_path: Path) -> None:
    places = set_up(str(tmp_path))
    evening = play(places, 200)
    loaded, after = play_on_from_state(places, 60)
    assert loaded == evening
    assert after == Counter(evening.frames + 60, evening.evenings)
    assert read_counter(places.save) == evening, "the state leaves the save alone"


def test_without_its_save_it_begins_anew(tmp_path: Path) -> None:
    places = set_up(str(tmp_path))
    first = play(places, 200)
    play(places, 200)
    os.remove(places.save)
    assert play(places, 200) == first
