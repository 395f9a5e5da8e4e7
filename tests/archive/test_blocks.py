"""Blocks against published values and the programs that everybody has."""

from __future__ import annotations

import bz2
import os
import random
import sys
import time
import zlib

import pytest
import xxhash
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.archive import blocks
from handhold.archive.blocks import (
    LARGEST,
    PLAIN,
    ZSTANDARD,
    Sealed,
    block_id,
    decompress,
    seal,
    seal_all,
    unseal,
)
from tests.archive.fixtures import program

# Source: NIST, "SHA-256 example values" to FIPS 180-4 (one block, two blocks); FIPS 180-2, B.3 (a million).
_PUBLISHED = [
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    (
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    ),
    (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
]


@pytest.mark.parametrize(("plain", "digest"), _PUBLISHED, ids=["3", "56", "1000000"])
def test_ids_are_the_published_sha_256(plain: bytes, digest: str) -> None:
    assert block_id(plain).hex() == digest
    assert seal(plain).id.hex() == digest


@pytest.mark.parametrize("size", [0, 1, 55, 56, 64, 65, 4096, 1 << 20])
def test_ids_are_what_sha256sum_prints(size: int) -> None:
    plain = os.urandom(size)
    assert program("sha256sum", given=plain).split()[0].decode() == seal(plain).id.hex()


def _xxhsum(data: bytes) -> int:
    """The XXH3-64 that the program prints for bytes on its standard input."""
    words = program("xxhsum", "-q", "-H3", given=data).decode().split()
    return int(
        next(word for word in words if len(word.removeprefix("XXH3_")) == 16).removeprefix("XXH3_"), 16
    )


# The sizes are on both sides of those at which XXH3 changes its way of working.
# Source: the xxHash specification, "XXH3 algorithm overview": 0, 1-3, 4-8, 9-16, 17-128, 129-240, 241 and up.
@pytest.mark.parametrize("size", [0, 1, 3, 4, 8, 9, 16, 17, 128, 129, 240, 241, 1024, 70_000])
def test_checks_are_what_xxhsum_prints(size: int) -> None:
    plain = os.urandom(size)
    block = seal(plain)
    assert block.codec == PLAIN
    assert block.check == _xxhsum(plain)


def test_the_check_of_nothing_is_the_published_one() -> None:
    # Source: xxHash repository, cli/xsum_sanity_check.c, the first XSUM_XXH3_testdata with seed 0.
    assert seal(b"").check == 0x2D06800538D394C2


@pytest.mark.parametrize("level", [1, 3, 19])
def test_payloads_are_opened_by_the_zstd_program(level: int) -> None:
    plain = b"the same lines again and again\n" * 5000
    block = seal(plain, level)
    assert block.codec == ZSTANDARD
    assert len(block.stored) < len(plain) / 20
    assert program("zstd", "-dc", given=bytes(block.stored)) == plain


def _table_of_scores(size: int) -> bytes:
    """Lines that have something in common, as settings and tables of scores have."""
    source = random.Random(size)
    lines = (
        f"name=player{source.randrange(99)} score={source.randrange(10**6)} lap={n}\n" for n in range(size)
    )
    return "".join(lines).encode()[:size]


# Below 16 KiB, between, and beyond 256 KiB different tables are used.
@pytest.mark.parametrize("size", [16 << 10, (16 << 10) + 1, 80_000, 256 << 10, (256 << 10) + 1])
def test_payloads_of_every_size_are_nearly_as_small_as_those_of_the_zstd_program(size: int) -> None:
    plain = _table_of_scores(size)
    block = seal(plain, 3)
    assert block.codec == ZSTANDARD
    assert program("zstd", "-dc", given=bytes(block.stored)) == plain
    assert len(block.stored) <= 1.03 * len(program("zstd", "-3", "-c", given=plain))


@pytest.mark.parametrize("level", [1, 3, 5, 13])
@pytest.mark.parametrize("count", [2, 3, 4, 300])
def test_many_blocks_are_sealed_as_each_by_itself(level: int, count: int) -> None:
    source = random.Random(count)
    plains = [source.randbytes(number) + b"%05d" % number * source.randrange(9000) for number in range(count)]
    plains[-1] = source.randbytes(40_000)
    sealed = seal_all(plains, level, [block_id(plain) for plain in plains])
    assert sealed == [seal(plain, level) for plain in plains]
    frames = b"".join(one.stored for one in sealed if one.codec == ZSTANDARD)
    packed = [plain for plain, one in zip(plains, sealed, strict=True) if one.codec == ZSTANDARD]
    assert len(packed) < count
    # Source: RFC 8878, 3: frames that follow each other are decoded one after the other
    assert program("zstd", "-dcq", given=frames) == b"".join(packed)


def test_many_blocks_are_sealed_without_the_call_for_many(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plains = [b"%05d" % number * 300 for number in range(9)]
    idents = [block_id(plain) for plain in plains]
    together = seal_all(plains, 1, idents)
    monkeypatch.setattr(blocks, "_MANY", sys.maxsize)
    assert seal_all(plains, 1, idents) == together


def test_nothing_among_many_blocks_is_sealed_too() -> None:
    plains = [b"a" * 1000, b"", b"b" * 1000, b"c" * 1000, b""]
    sealed = seal_all(plains, 1, [block_id(plain) for plain in plains])
    assert [unseal(one) for one in sealed] == plains


def test_frames_of_the_zstd_program_are_opened(tmp_path: object) -> None:
    plain = b"a frame that another program wrote " * 400
    file = os.path.join(str(tmp_path), "plain")
    with open(file, "wb") as out:
        out.write(plain)
    frame = program("zstd", "-19", "-c", file, given=b"")
    assert (
        unseal(Sealed(block_id(plain), ZSTANDARD, frame, len(plain), xxhash.xxh3_64_intdigest(frame)))
        == plain
    )


def test_what_does_not_get_smaller_is_stored_as_it_is() -> None:
    plain = os.urandom(5000)
    assert seal(plain)[1:4] == (PLAIN, plain, 5000)


def _contents() -> dict[str, tuple[bytes, bool]]:
    """Blocks, and whether the zstd program makes them smaller by a twentieth."""
    source = random.Random(5)
    noise, text = source.randbytes(256 << 10), source.randbytes(128 << 10).hex().encode()
    page = 4 << 10
    skewed = bytes(source.choices(range(256), [3] * 128 + [1] * 128, k=128 << 10))
    return {
        "noise": (noise, False),
        "noise, short": (noise[: 8 << 10], False),
        "a header before noise": (b"Title: a save\n" * 20 + bytes(100) + noise[: 200 << 10], False),
        "deflated": (zlib.compress(text + bytes(range(256)) * 400, 9), False),
        "packed by bzip2": (bz2.compress(text, 9), False),
        "a line in a hundred": (
            b"".join(noise[at : at + 5000] + text[at : at + 50] for at in range(0, 250_000, 5000)),
            False,
        ),
        "text": (text, True),
        "zeros": (bytes(64 << 10), True),
        "text and noise by turns": (
            b"".join(noise[at : at + page] + text[at : at + page] for at in range(0, 256 << 10, page)),
            True,
        ),
        "text at the end": (noise[: 200 << 10] + text[: 40 << 10], True),
        "noise that comes again": (noise * 2, True),
        "slots of noise": (noise[:60_000] + noise[:60_000], True),
        "bytes that are not all as frequent": (skewed, False),
        "every eighth byte zero": (
            b"".join(noise[at : at + 7] + b"\0" for at in range(0, 128 << 10, 7)),
            True,
        ),
    }


@pytest.mark.parametrize("name", _contents())
def test_what_is_not_packed_at_a_slow_level_is_what_zstd_gains_nothing_on(name: str) -> None:
    plain, gains = _contents()[name]
    reference = len(program("zstd", "-19", "-c", given=plain))
    assert (reference < 0.95 * len(plain)) is gains
    block = seal(plain, 19)
    # The program's frame has no size when it reads from a pipe, and a sum of four bytes.
    assert len(block.stored) <= (reference + 32 if gains else 1.05 * reference)
    assert unseal(block) == plain


@given(st.integers(0, 1 << 30), st.integers(0, 100), st.integers(1, 3000), st.integers(15, 20))
@settings(deadline=None, max_examples=25)
def test_mixtures_are_packed_as_well_as_zstd_does(seed: int, share: int, run: int, size: int) -> None:
    source, made = random.Random(seed), bytearray()
    while len(made) < 1 << size:
        made += source.randbytes(run) if source.randrange(100) < share else b"moor " * (run // 5 + 1)
    plain = bytes(made[: 1 << size])
    assert len(seal(plain, 15).stored) <= len(program("zstd", "-15", "-c", given=plain)) + len(plain) / 20


def test_noise_takes_no_slow_level() -> None:
    # A hundredth is what was measured; a tenth leaves room for a busy machine.
    plain = os.urandom(2 << 20)
    packer = zstandard.ZstdCompressor(level=19)
    packer.compress(plain[:1000])
    begun = time.thread_time()
    packer.compress(plain)
    packed = time.thread_time()
    assert seal(plain, 19).codec == PLAIN
    assert time.thread_time() - packed < (packed - begun) / 10


@given(st.binary(max_size=3000), st.sampled_from([1, 3, 9]))
@settings(deadline=None, max_examples=60)
def test_a_block_comes_out_as_it_went_in(plain: bytes, level: int) -> None:
    block = seal(plain, level)
    assert len(block.stored) <= len(plain)
    assert unseal(block) == plain


@given(st.binary(min_size=1, max_size=400), st.integers(0, 1 << 20))
@settings(deadline=None, max_examples=80)
def test_a_flipped_bit_is_found(plain: bytes, at: int) -> None:
    block = seal(plain * 3)
    hurt = bytearray(block.stored)
    hurt[at // 8 % len(hurt)] ^= 1 << at % 8
    with pytest.raises(ValueError, match="stored bytes"):
        unseal(block._replace(stored=bytes(hurt)))
    # The same with a check that fits: a frame has bits that mean nothing, but no other content comes out.
    try:
        found = unseal(block._replace(stored=bytes(hurt), check=xxhash.xxh3_64_intdigest(bytes(hurt))))
    except ValueError:
        return
    assert found == plain * 3


def test_a_block_that_is_too_large_is_refused() -> None:
    with pytest.raises(ValueError, match="larger"):
        seal(bytes(LARGEST + 1))


def _forged(frame: bytes, size: int) -> Sealed:
    return Sealed(bytes(32), ZSTANDARD, frame, size, xxhash.xxh3_64_intdigest(frame))


def test_a_bomb_is_not_let_off() -> None:
    import tracemalloc

    bomb = zstandard.ZstdCompressor().compress(bytes(64 << 20))
    silent = zstandard.ZstdCompressor(write_content_size=False).compress(bytes(64 << 20))
    # A frame whose header says 2^60 bytes. Source: RFC 8878, section 3.1.1: magic, descriptor, content size.
    liar = bytes.fromhex("28b52ffde0") + (1 << 60).to_bytes(8, "little") + bomb[9:]
    tracemalloc.start()
    try:
        for frame in (bomb, silent, liar):
            for size in (64 << 20, 100, 0):
                with pytest.raises(ValueError):
                    unseal(_forged(frame, size))
        assert tracemalloc.get_traced_memory()[1] < 1 << 20
    finally:
        tracemalloc.stop()


def test_a_frame_that_holds_more_than_it_says_is_refused() -> None:
    frame = bytearray(zstandard.ZstdCompressor().compress(b"x" * 200))
    at = frame.index(200)  # the one-byte content size of a single-segment frame
    frame[at] = 100
    with pytest.raises(ValueError):
        unseal(_forged(bytes(frame), 100))


def test_what_follows_a_frame_is_refused() -> None:
    frame = zstandard.ZstdCompressor().compress(b"x" * 200)
    with pytest.raises(ValueError):
        decompress(frame + b"\0", 1000)
    with pytest.raises(ValueError):
        decompress(frame + frame, 1000)


@given(st.binary(max_size=300))
@settings(deadline=None, max_examples=60)
def test_noise_is_refused_and_nothing_else_happens(noise: bytes) -> None:
    with pytest.raises(ValueError):
        decompress(noise, 1000)
    with pytest.raises(ValueError):
        unseal(Sealed(bytes(32), 7, noise, len(noise), xxhash.xxh3_64_intdigest(noise)))


def test_threads_do_not_disturb_each_other() -> None:
    from concurrent.futures import ThreadPoolExecutor

    plains = [bytes([n]) * 3000 + os.urandom(3000) for n in range(60)]
    with ThreadPoolExecutor(4) as pool:
        sealed = list(pool.map(seal, plains))
        assert list(pool.map(unseal, sealed)) == plains
