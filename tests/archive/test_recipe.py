"""Recipes: round trips, and nothing believed that no block can hold."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.archive.recipe import MOST, Range, decode, encode

_LARGEST = 16_777_216  # FORMAT.md, "Blocks"


def _range(ident: bytes, offset: int, length: int) -> Range:
    return Range(ident, offset, min(length, _LARGEST - offset))


_ranges = st.builds(
    _range, st.binary(min_size=32, max_size=32), st.integers(0, _LARGEST - 1), st.integers(1, _LARGEST)
)


@given(st.lists(_ranges, min_size=1, max_size=20))
@settings(deadline=None, max_examples=60)
def test_ranges_come_out_as_they_went_in(ranges: list[Range]) -> None:
    assert decode(encode(ranges)) == ranges
    assert decode(encode(ranges), sum(one.length for one in ranges)) == ranges


@given(st.lists(_ranges, min_size=1, max_size=4), st.data())
@settings(deadline=None, max_examples=60)
def test_a_recipe_that_is_cut_or_goes_on_is_refused(ranges: list[Range], data: st.DataObject) -> None:
    whole = encode(ranges)
    with pytest.raises(ValueError):
        decode(whole[: data.draw(st.integers(0, len(whole) - 1))])
    with pytest.raises(ValueError):
        decode(whole + b"\0")


@pytest.mark.parametrize(
    "hurt",
    [
        b"",
        b"HHRECIP1",
        b"HHRECIP1" + struct.pack("<I", 0),
        b"HHRECIP1" + struct.pack("<I", 0xFFFFFFFF),
        b"HHRECIP1" + struct.pack("<I", 0xFFFFFFFF) + bytes(40),
        b"HHRECIP2" + struct.pack("<I32sII", 1, bytes(32), 0, 1),
        b"HHRECIP1" + struct.pack("<I32sII", 1, bytes(32), 0, 0),
        b"HHRECIP1" + struct.pack("<I32sII", 1, bytes(32), _LARGEST, 1),
        b"HHRECIP1" + struct.pack("<I32sII", 1, bytes(32), 1, _LARGEST),
        b"HHRECIP1" + struct.pack("<I32sII", 1, bytes(32), 0xFFFFFFFF, 0xFFFFFFFF),
    ],
)
def test_recipes_that_lie_are_refused(hurt: bytes) -> None:
    with pytest.raises(ValueError):
        decode(hurt)


def test_a_recipe_of_another_length_than_the_file_is_refused() -> None:
    with pytest.raises(ValueError, match="makes 5 bytes and the file has 6"):
        decode(encode([Range(bytes(32), 0, 5)]), 6)


def test_what_cannot_be_read_is_not_written() -> None:
    for ranges in (
        [],
        [Range(b"short", 0, 1)],
        [Range(bytes(32), -1, 2)],
        [Range(bytes(32), 0, _LARGEST + 1)],
    ):
        with pytest.raises(ValueError):
            encode(ranges)
    with pytest.raises(ValueError):
        encode([Range(bytes(32), 0, 1)] * (MOST + 1))
