"""Recipes: the ranges of blocks that make up a file of more than one block. A recipe is itself a block."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from itertools import repeat
from operator import add
from typing import NamedTuple

from handhold.archive.blocks import LARGEST

MAGIC = b"HHRECIP1"
_HEAD = struct.Struct("<8sI")
_ROW = struct.Struct("<32sII")
#: The most ranges that fit into one block.
MOST = (LARGEST - _HEAD.size) // _ROW.size

_IMPOSSIBLE = "the recipe has a range that no block can hold"


class Range(NamedTuple):
    """A run of a block's plain bytes: ``length`` bytes from ``offset``."""

    id: bytes
    offset: int
    length: int


def encode(ranges: Sequence[Range]) -> bytes:
    """The recipe's bytes.

    Raises ``ValueError`` for a range that no block can hold, or for too many of them.
    """
    if not 0 < len(ranges) <= MOST:
        raise ValueError(f"a recipe has 1 to {MOST} ranges, not {len(ranges)}")
    for one in ranges:
        _check(one)
    return _HEAD.pack(MAGIC, len(ranges)) + b"".join(_ROW.pack(*one) for one in ranges)


def decode(data: bytes, size: int | None = None) -> list[Range]:
    """The ranges of a recipe, in the order of the file; together they are ``size`` bytes if that is given.

    Raises ``ValueError`` with what is wrong.
    """
    if len(data) < _HEAD.size:
        raise ValueError("the recipe is too short")
    magic, count = _HEAD.unpack_from(data)
    if magic != MAGIC:
        raise ValueError("it is no recipe")
    if not 0 < count <= MOST or len(data) != _HEAD.size + count * _ROW.size:
        raise ValueError("the recipe has not the length that its count says")
    rows = list(_ROW.iter_unpack(memoryview(data)[_HEAD.size :]))
    _, offsets, lengths = zip(*rows, strict=True)
    if min(lengths) < 1 or max(map(add, offsets, lengths)) > LARGEST:
        raise ValueError(_IMPOSSIBLE)
    total = sum(lengths)
    if size is not None and total != size:
        raise ValueError(f"the recipe makes {total} bytes and the file has {size}")
    return list(map(tuple.__new__, repeat(Range), rows))  # ``Range._make`` for many


def can_be(plain: int, stored: int) -> bool:
    """Whether a block can be a recipe of mostly different blocks, by its sizes: names cannot be packed."""
    return plain > _HEAD.size and (plain - _HEAD.size) % _ROW.size == 0 and stored * 4 >= plain * 3


def _check(one: Range) -> None:
    if len(one.id) != 32 or one.offset < 0 or one.length < 1 or one.offset + one.length > LARGEST:
        raise ValueError(_IMPOSSIBLE)
