"""A file as its folder lists it, and what it looks like."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import msgspec

from handhold.model import Part

#: So many bytes are read of a file that place, name and size do not decide.
HEAD = 4096
#: From this confidence on a save or a state counts as recognised.
SURE = 60


class Seen(NamedTuple):
    """A file as its folder lists it."""

    name: str  # written form
    size: int  # bytes
    modified: int  # nanoseconds


class Looks(msgspec.Struct, frozen=True):
    """What a file looks like: its part, how certain that is out of 100, and why, in the owner's words."""

    part: Part | None
    confidence: int
    reasons: tuple[str, ...]
    game: str | None = None


@lru_cache(maxsize=256)
def nothing(confidence: int, *reasons: str) -> Looks:
    """No part at all."""
    return Looks(None, confidence, reasons)
