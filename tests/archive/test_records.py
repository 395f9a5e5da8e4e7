"""Records held against their rows, many at once: FORMAT.md, "A bundle", written out here with struct."""

from __future__ import annotations

import random
import struct
from hashlib import sha256
from pathlib import Path

import pytest
import xxhash
import zstandard

from handhold.archive.bundle import headers_of
from handhold.archive.records import judge, runs


class Made:
    """Records as FORMAT.md has them, some packed: their rows, and their bytes."""

    def __init__(self, contents: list[bytes], begin: int = 8) -> None:
        self.contents = contents
        self.rows: list[bytes] = []
        self.headers: list[bytes] = []
        self.payloads: list[bytes] = []
        self.offsets: list[int] = []
        at = begin
        for number, plain in enumerate(contents):
            codec = number % 2
            stored = zstandard.compress(plain) if codec else plain
            if len(stored) > len(plain):
                codec, stored = 0, plain
            check = xxhash.xxh3_64(stored).digest()[::-1]  # little-endian
            sizes = struct.pack("<II", len(stored), len(plain))
            head = b"HHR1" + struct.pack("<I", codec) + sizes + check + sha256(plain).digest()
            self.headers.append(head + xxhash.xxh3_64(head).digest()[::-1])
            self.rows.append(
                sha256(plain).digest() + struct.pack("<I", at) + sizes + struct.pack("<I", codec) + check
            )
            self.payloads.append(stored)
            self.offsets.append(at)
            at += 64 + len(stored)

    @property
    def table(self) -> bytes:
        return b"".join(self.rows)

    @property
    def data(self) -> bytes:
        return b"".join(part for both in zip(self.headers, self.payloads, strict=True) for part in both)


@pytest.fixture
def made() -> Made:
    chance = random.Random(11)
    contents = [chance.randbytes(chance.randrange(1, 300)) + bytes(300) for _ in range(40)]
    return Made([b"", b"a", *contents, b"z"])


def test_headers_are_those_of_the_format(made: Made) -> None:
    assert headers_of(made.table) == b"".join(made.headers)
    assert headers_of(b"") == b""


def test_the_header_of_the_worked_example() -> None:
    """Source: FORMAT.md, "A worked example", the save's row and record."""
    text = (Path(__file__).parents[2] / "handhold" / "archive" / "FORMAT.md").read_text()
    record = text.split("# record at 8: the save\n")[1].split("4c4556454c")[0]
    row = text.split("# table at 891\n")[1].split("c2e686823489")[0]
    header, table = (
        bytes.fromhex("".join(line.split()[0] for line in part.splitlines() if line))
        for part in (record, row)
    )
    assert len(header) == 64 and len(table) == 56
    assert headers_of(table) == header


@pytest.mark.parametrize("deep", [False, True])
def test_sound_records_are_sound(made: Made, deep: bool) -> None:
    bad, headers, kept = judge(made.table, made.data, deep, range(3, 9))
    assert (bad, headers) == ({}, 0)
    assert kept == ({at: made.contents[at] for at in range(3, 9)} if deep else {})


@pytest.mark.parametrize("deep", [False, True])
def test_every_changed_byte_is_told_of_its_own_record(made: Made, deep: bool) -> None:
    data, at = made.data, 0
    for number, stored in enumerate(made.payloads):
        for inside in range(64 + len(stored)):
            changed = bytearray(data)
            changed[at + inside] ^= 0x10
            bad, headers, _ = judge(made.table, bytes(changed), deep)
            in_header = inside < 64
            assert headers == in_header
            assert list(bad) == ([] if in_header else [made.offsets[number]])
        at += 64 + len(stored)


@pytest.mark.parametrize("deep", [False, True])
def test_records_that_the_file_breaks_off_in_are_hurt(made: Made, deep: bool) -> None:
    data = made.data
    ends = [offset - 8 + 64 + len(one) for offset, one in zip(made.offsets, made.payloads, strict=True)]
    for length in range(0, len(data) + 1, 7):
        bad, headers, _ = judge(made.table, data[:length], deep)
        whole = [offset for offset, end in zip(made.offsets, ends, strict=True) if end <= length]
        assert sorted(bad) == made.offsets[len(whole) :]
        assert headers == sum(offset - 8 + 64 > length for offset in made.offsets)


def test_what_is_sound_by_its_sum_and_is_not_its_name_is_told_by_a_deep_look_alone() -> None:
    other = Made([b"one", b"two", b"three"])
    named = Made([b"one", b"tow", b"three"])
    wrong = Made([b"one", b"two", b"three"])
    wrong.rows[1] = named.rows[1][:32] + other.rows[1][32:]
    head = wrong.headers[1][:24] + named.rows[1][:32]
    wrong.headers[1] = head + xxhash.xxh3_64(head).digest()[::-1]
    assert judge(wrong.table, wrong.data, False) == ({}, 0, {})
    bad, headers, kept = judge(wrong.table, wrong.data, True, range(3))
    assert headers == 0 and bad == {wrong.offsets[1]: "its content is not what its name says"}
    assert kept == {0: b"one", 2: b"three"}


def test_runs_are_as_long_as_they_may_be(made: Made) -> None:
    sizes = [64 + len(one) for one in made.payloads]
    for most in (1, 64, 200, 1000, 1 << 20):
        for plain in (1, 500, 1 << 20):
            found = list(runs(made.table, most, plain))
            assert b"".join(run.table for run in found) == made.table
            at = 0
            for run in found:
                count = len(run.table) // 56
                assert run.length == sum(sizes[at : at + count])
                if at + count < len(sizes):
                    unpacked = sum(map(len, made.contents[at : at + count]))
                    assert run.length >= most or unpacked >= plain
                before = unpacked_before = 0
                if count > 1:
                    before = sum(sizes[at : at + count - 1])
                    unpacked_before = sum(map(len, made.contents[at : at + count - 1]))
                assert before < most and unpacked_before < plain
                at += count


def test_no_run_goes_across_a_gap(made: Made) -> None:
    table = b"".join(made.rows[:5] + made.rows[7:20] + made.rows[21:22])
    found = [len(run.table) // 56 for run in runs(table, 1 << 20, 1 << 20)]
    assert found == [5, 13, 1]
    assert list(runs(b"", 1, 1)) == []
