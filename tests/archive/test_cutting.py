"""Cutting by content: nothing lost, a change stays local, memory stays bounded."""

from __future__ import annotations

import hashlib
import io
import random
import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyfastcdc import FastCDC

from handhold.archive.blocks import LARGEST
from handhold.archive.cutting import SMALL, mean_for, pieces, sparse_pieces


class _Trickle:
    """A stream that gives fewer bytes than it is asked for."""

    def __init__(self, data: bytes, most: int) -> None:
        self._stream = io.BytesIO(data)
        self._most = most

    def read(self, size: int, /) -> bytes:
        return self._stream.read(min(size, self._most))


def _noise(size: int, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(size)


@given(st.integers(0, 3 << 20), st.integers(0, 3 << 20), st.integers(0, 99), st.integers(1, 200_000))
@settings(deadline=None, max_examples=25)
def test_pieces_make_up_the_stream(size: int, said: int, seed: int, most: int) -> None:
    data = _noise(size, seed)
    cut = list(pieces(_Trickle(data, most), said))
    assert b"".join(cut) == data
    assert all(0 < len(piece) <= LARGEST for piece in cut)


def test_a_small_file_is_one_piece_and_an_empty_one_none() -> None:
    data = _noise(SMALL - 1)
    assert list(pieces(_Trickle(data, 1000), len(data))) == [data]
    assert list(pieces(io.BytesIO(b""), 0)) == []
    assert list(pieces(io.BytesIO(b""), 5 << 20)) == []


@pytest.mark.parametrize("size", [SMALL, 24 << 20, 100 << 20])
def test_the_mean_is_what_it_should_be(size: int) -> None:
    # The mean of FastCDC lies above the size that is aimed at, by what is skipped before a cut may come.
    # Source: W. Xia et al., IEEE TPDS 31(9), 2020, section 3.4, "Cut-Point Skipping".
    cut = [len(piece) for piece in pieces(io.BytesIO(_noise(min(size, 48 << 20))), size)]
    if size > SMALL:
        assert mean_for(size) * 0.8 < sum(cut) / len(cut) < mean_for(size) * 1.4
    assert max(cut) <= mean_for(size) * 4


def test_pieces_grow_with_the_file_and_never_past_a_block() -> None:
    means = [mean_for(1 << bits) for bits in range(20, 45)]
    assert means == sorted(means)
    assert (means[0], mean_for(8 << 20), mean_for(16 << 20)) == (8 << 10, 16 << 10, 32 << 10)
    assert mean_for(32 << 20) == mean_for(64 << 20) == 64 << 10
    assert mean_for((64 << 20) + 1) == 128 << 10
    assert means[-1] * 4 == LARGEST
    assert (4 << 30) / mean_for(4 << 30) <= 1024


@pytest.mark.parametrize("change", ["insert", "remove", "replace", "front"])
def test_a_change_stays_local(change: str) -> None:
    data = _noise(8 << 20)
    at = 3_000_000
    changed = {
        "insert": data[:at] + b"a little more" + data[at:],
        "remove": data[:at] + data[at + 77 :],
        "replace": data[:at] + bytes(500) + data[at + 500 :],
        "front": b"x" + data,
    }[change]
    before = {hashlib.sha256(piece).digest() for piece in pieces(io.BytesIO(data), len(data))}
    new = [
        piece
        for piece in pieces(io.BytesIO(changed), len(changed))
        if hashlib.sha256(piece).digest() not in before
    ]
    assert 1 <= len(new) <= 4
    assert len(before) > 60


def test_memory_does_not_grow_with_the_file() -> None:
    data = _noise(60 << 20)  # made beforehand: while noise is made it takes twice its size

    def peak(size: int, said: int = 60 << 20) -> int:
        stream = io.BytesIO(data[:size])
        tracemalloc.start()
        try:
            total = sum(len(piece) for piece in pieces(stream, said))
            assert total == size
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    peak(6 << 20)  # what is loaded at first use is not the file's
    assert peak(60 << 20) < peak(6 << 20) + (1 << 20) < 8 << 20
    # The longest piece once where it is cut, with half of it beside, and once as it is given.
    assert peak(60 << 20, 8 << 30) < 2.5 * LARGEST + (1 << 20)


@pytest.mark.parametrize("said", [SMALL, 16 << 20, 90 << 20, 700 << 20, 5 << 30])
def test_a_stream_is_cut_as_if_it_were_in_memory(said: int) -> None:
    """Old archives hold the pieces that the library makes of the whole."""
    data = _noise(14 << 20) + bytes(20 << 20) + _noise(30 << 20, 2)
    mean = mean_for(said)
    whole = FastCDC(mean, min_size=mean // 4, max_size=mean * 4, normalized_chunking=2).cut_buf(data)
    assert [len(piece) for piece in pieces(_Trickle(data, 90_001), said)] == [one.length for one in whole]


class _Counting(io.BytesIO):
    """A stream that counts what is read of it."""

    got = 0

    def read(self, size: int | None = -1, /) -> bytes:
        data = super().read(size)
        self.got += len(data)
        return data


@given(
    st.lists(st.tuples(st.integers(1, 1 << 20), st.booleans()), min_size=1, max_size=10),
    st.integers(0, 99),
    st.sampled_from([0, 1, 4096]),
)
@settings(deadline=None, max_examples=40)
def test_a_stream_with_holes_is_cut_as_without(runs: list[tuple[int, bool]], seed: int, uneven: int) -> None:
    """Old archives hold the pieces of the same card as it was cut when its holes were read."""
    data = bytearray()
    holes = []
    for number, (length, hole) in enumerate(runs):
        if hole:
            holes.append((len(data), length))
        data += bytes(length) if hole else _noise(length, seed + number)
    data += _noise(uneven, seed)
    plain = list(pieces(io.BytesIO(data), len(data)))
    assert list(sparse_pieces(io.BytesIO(data), len(data), holes)) == plain


def test_holes_are_not_read() -> None:
    data = _noise(2 << 20) + bytes(16 << 20) + _noise(1 << 20, 2)
    stream = _Counting(data)
    cut = list(sparse_pieces(stream, len(data), [(2 << 20, 16 << 20)]))
    assert b"".join(cut) == data
    assert stream.got < 6 << 20  # what is no hole, and what is looked at beyond its ends
    assert len({id(piece) for piece in cut if not any(piece)}) < 4


def test_a_stream_that_ends_before_its_holes_comes_out_as_far_as_it_is() -> None:
    data = _noise(3 << 20)
    assert b"".join(sparse_pieces(io.BytesIO(data), 20 << 20, [(4 << 20, 16 << 20)])) == data
