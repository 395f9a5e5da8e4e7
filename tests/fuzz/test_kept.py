"""The short form of the fuzzing: what the long campaign kept, valid bytes, and these changed by luck."""

from __future__ import annotations

import random
import time

import pytest

from tests.fuzz.campaign import kept
from tests.fuzz.readers import READERS
from tests.fuzz.seeds import seeds

#: An input takes no longer (seconds), whatever it is.
LONGEST = 5.0
_PIECES = [
    b"\0",
    b"\xff" * 4,
    b"\xff" * 8,
    b"../",
    b"\\x00",
    b"\xe2\x80\xae",
    b"{" * 300,
    b"[" * 3000,
    b"9" * 400,
    b"\n",
]


@pytest.mark.parametrize("name", READERS)
def test_what_is_valid_is_taken(name: str) -> None:
    taken = [READERS[name].take(data) for data in seeds()[name]]
    assert all(taken) or name in ("names", "layout")  # "../x"; a pattern is there already
    assert any(taken)


@pytest.mark.parametrize("name", READERS)
def test_what_was_kept_is_handled(name: str) -> None:
    for data in kept(name):
        begun = time.monotonic()
        READERS[name].take(data)
        assert time.monotonic() - begun < LONGEST


@pytest.mark.parametrize("name", READERS)
def test_whatever_is_changed_is_handled(name: str) -> None:
    chance = random.Random(name)
    given = seeds()[name]
    for _ in range(120):
        READERS[name].take(changed(chance.choice(given), given, chance))


def changed(data: bytes, others: list[bytes], chance: random.Random) -> bytes:
    """The bytes with one to three changes of the kinds that break readers."""
    out = bytearray(data)
    for _ in range(chance.randint(1, 3)):
        at, kind = chance.randrange(len(out) + 1), chance.randrange(6)
        if kind == 0 and at < len(out):
            out[at] ^= 1 << chance.randrange(8)
        elif kind == 1:
            del out[at : at + chance.randrange(1, 60)]
        elif kind == 2:
            out[at:at] = chance.choice(_PIECES)
        elif kind == 3:
            out[at:at] = out[at : at + chance.randrange(1, 300)]
        elif kind == 4:
            other = chance.choice(others)
            out[at:] = other[chance.randrange(len(other) + 1) :]
        else:
            piece = chance.choice(_PIECES)
            out[at : at + len(piece)] = piece
    return bytes(out)
