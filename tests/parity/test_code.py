"""The code itself, and the parity file, against a slow reading of FORMAT.md and against published values."""

from __future__ import annotations

import itertools
import random
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.archive.parity import code
from handhold.archive.parity.making import parity_of
from handhold.archive.parity.mended import Mended
from handhold.archive.parity.reading import read_parity
from handhold.archive.parity.shape import SECTOR, Shape, shape_for
from handhold.archive.parity.sheet import parity_file, parity_size, read_sheet
from handhold.archive.storage import LocalStorage
from handhold.errors import OwnerError
from tests.parity import slow

BUNDLE = "bundles/98/985e4b3b02ef1929de493cf76ccfd780.bundle"


def test_the_field() -> None:
    # The powers of 2 in the field with this polynomial (from memory): a^8 = 1d, 3a, 74, e8, a^12 = cd.
    # Source: ISO/IEC 18004, section on the generation of error correction codewords (field 100011101)
    powers = [slow.point(number + 1) for number in range(255)]
    assert powers[8:13] == [0x1D, 0x3A, 0x74, 0xE8, 0xCD]
    assert sorted(powers) == list(range(1, 256))  # 2 generates the field: each element comes once


@pytest.mark.parametrize(("width", "spare"), [(1, 2), (2, 2), (5, 3), (16, 2), (17, 4)])
def test_the_code_is_that_of_the_format(width: int, spare: int) -> None:
    chance = random.Random(width)
    blocks = [chance.randbytes(7) for _ in range(width)]
    made = code.encoded(blocks, spare)
    for number in range(spare):
        for at in range(7):
            known = {position: block[at] for position, block in enumerate(blocks)}
            assert made[number][at] == slow.value(known, width + number)


def test_the_widest_stripe_uses_every_point_of_the_field() -> None:
    chance = random.Random(5)
    blocks = [chance.randbytes(1) for _ in range(240)]
    made = code.encoded(blocks, 16)
    known = {position: block[0] for position, block in enumerate(blocks)}
    assert made[15][0] == slow.value(known, 255)
    assert made[0][0] == slow.value(known, 240)


def test_any_blocks_of_a_stripe_give_all_of_it() -> None:
    blocks = [bytes([n, 255 - n]) for n in (3, 77, 250, 0)]
    every = dict(enumerate([*blocks, *code.encoded(blocks, 3)]))
    for chosen in itertools.combinations(every, 4):
        assert code.decoded(4, 3, {number: every[number] for number in chosen}) == blocks
    with pytest.raises(ValueError, match="more of a stripe is lost"):
        code.decoded(4, 3, {0: blocks[0], 1: blocks[1], 6: every[6]})


def test_without_the_library_the_advice_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "zfec", None)
    assert not code.can_code()
    with pytest.raises(OwnerError) as told:
        code.encoded([b"a", b"b"], 2)
    assert "handhold[parity]" in told.value.advice
    with pytest.raises(OwnerError) as told:
        code.decoded(2, 2, {1: b"b", 2: b"c"})
    assert "handhold[parity]" in told.value.advice
    assert code.encoded([b"a"], 2) == [b"a", b"a"]  # what needs no library goes on


# By hand: sectors = size / 4096 rounded up; stripes = sectors / 240 rounded up; width = sectors / stripes
# rounded up; spare = width / 15 rounded up, at least 2.
@pytest.mark.parametrize(
    ("size", "shape"),
    [
        (1, (1, 1, 2)),
        (4096, (1, 1, 2)),
        (4097, (1, 2, 2)),
        (30 * 4096, (1, 30, 2)),
        (31 * 4096, (1, 31, 3)),
        (240 * 4096, (1, 240, 16)),
        (240 * 4096 + 1, (2, 121, 9)),
        (64 << 20, (69, 238, 16)),  # 16,384 sectors
        (80 << 20, (86, 239, 16)),  # 20,480 sectors
    ],
)
def test_shapes(size: int, shape: tuple[int, int, int]) -> None:
    assert shape_for(size) == Shape(size, *shape)


@given(st.integers(1, 256 << 20))
@settings(deadline=None)
def test_every_shape_is_possible_and_every_sector_has_its_stripe(size: int) -> None:
    shape = shape_for(size)
    assert shape.possible and shape.width + shape.spare <= 256
    lengths = {len(shape.stripe(number)) for number in (0, shape.stripes // 2, shape.stripes - 1)}
    assert lengths <= {shape.width, shape.width - 1}
    # About 6 %: more only where so few sectors are that two are more.
    assert shape.spare == 2 or shape.parity_sectors <= shape.sectors * 0.08 + 1


def test_a_dead_run_of_4_mib_in_a_full_bundle_takes_no_more_of_a_stripe_than_it_has_parity() -> None:
    shape = shape_for(64 << 20)
    run = range(777, 777 + 1025)  # 4 MiB that begin inside a sector touch one sector more
    for number in range(shape.stripes):
        assert len(set(run) & set(shape.stripe(number))) <= 15 < shape.spare


def laid(folder: Path, data: bytes, file: str = BUNDLE) -> LocalStorage:
    """A file and its parity."""
    storage = LocalStorage(str(folder))
    (folder / file).parent.mkdir(parents=True, exist_ok=True)
    (folder / file).write_bytes(data)
    made = b"".join(parity_of(storage, file, len(data)))
    (folder / parity_file(file)).parent.mkdir(exist_ok=True)
    (folder / parity_file(file)).write_bytes(made)
    return storage


def test_a_slow_decoder_from_the_format_alone_repairs_a_file(tmp_path: Path) -> None:
    data = random.Random(3).randbytes(5 * SECTOR + 99)
    laid(tmp_path, data)
    parity = (tmp_path / parity_file(BUNDLE)).read_bytes()
    name, size, stripes, width, spare, checks, extra = slow.read(parity)
    assert (name, size, stripes, width, spare) == (BUNDLE, len(data), 1, 6, 2)
    assert len(checks) == 8 and len(extra) == 2
    hurt = data[:SECTOR] + bytes(SECTOR) + data[2 * SECTOR : 5 * SECTOR] + b"x" * 99
    assert slow.repaired(hurt, parity) == data
    (tmp_path / BUNDLE).write_bytes(hurt)
    assert Mended(LocalStorage(str(tmp_path)), BUNDLE).whole() == data


@pytest.mark.parametrize("size", [1, 1000, 3956, 3957, 4096, 4097, 20_000, 1 << 20, (1 << 20) + 12_345])
def test_as_many_sectors_as_there_are_of_parity_come_back(tmp_path: Path, size: int) -> None:
    chance = random.Random(size)
    data = chance.randbytes(size)
    storage = laid(tmp_path, data)
    shape = shape_for(size)
    assert (tmp_path / parity_file(BUNDLE)).stat().st_size == parity_size(shape)
    hurt = bytearray(data)
    for number in range(shape.stripes):
        for sector in chance.sample(list(shape.stripe(number)), min(shape.spare, len(shape.stripe(number)))):
            for at in range(sector * SECTOR, min(size, (sector + 1) * SECTOR)):
                hurt[at] ^= 0xFF
    (tmp_path / BUNDLE).write_bytes(hurt)
    view = Mended(storage, BUNDLE)
    assert view.whole() == data and not view.repair.lost
    assert view.read(BUNDLE, size // 3, 5000) == data[size // 3 :][:5000]


def test_one_more_is_too_many_and_the_rest_can_still_be_read(tmp_path: Path) -> None:
    data = random.Random(1).randbytes(10 * SECTOR)
    storage = laid(tmp_path, data)
    (tmp_path / BUNDLE).write_bytes(bytes(3 * SECTOR) + data[3 * SECTOR :])
    view = Mended(storage, BUNDLE)
    assert view.repair.lost == {0, 1, 2}
    assert view.whole()[3 * SECTOR :] == data[3 * SECTOR :]


@pytest.mark.parametrize("left", [0, 1, 5000, 9 * SECTOR])
def test_a_file_that_was_cut_off_or_is_gone(tmp_path: Path, left: int) -> None:
    data = random.Random(2).randbytes(10 * SECTOR)
    storage = laid(tmp_path, data)
    (tmp_path / BUNDLE).write_bytes(data[:left])
    view = Mended(storage, BUNDLE)
    assert view.size == len(data)
    assert (view.whole() == data) == (left == 9 * SECTOR)


def test_a_small_manifest_is_in_both_sectors_of_its_parity(tmp_path: Path) -> None:
    file = "manifests/meadow.20310405T193000Z.0a1b2c3d.manifest"
    data = random.Random(4).randbytes(900)
    storage = laid(tmp_path, data, file)
    parity = tmp_path / parity_file(file)
    whole = parity.read_bytes()
    assert len(whole) == SECTOR + 140 + 900
    (tmp_path / file).unlink()
    for sector in (0, 1):
        parity.write_bytes(whole[: sector * SECTOR] + bytes(1040) + whole[sector * SECTOR + 1040 :])
        assert Mended(storage, file).whole() == data


def test_parity_that_is_hurt_itself(tmp_path: Path) -> None:
    """Each of its sectors may be dead: the file still comes back, for what a sheet says stands twice."""
    data = random.Random(6).randbytes(600 * SECTOR)  # three stripes, two sheets
    storage = laid(tmp_path, data)
    name = parity_file(BUNDLE)
    whole = (tmp_path / name).read_bytes()
    assert (found := read_parity(storage, name, len(whole))) is not None and found.sound
    assert len(slow.read(whole)[5]) == 600 + 3 * 14  # a checksum for each sector, sheet by sheet
    (tmp_path / BUNDLE).write_bytes(data[: 100 * SECTOR] + bytes(20 * SECTOR) + data[120 * SECTOR :])
    sheets, extra = 2, 3 * 14
    assert len(whole) // SECTOR == 2 * sheets + extra - 1
    for at in range(2 * sheets + extra):
        hurt = bytearray(whole)
        hurt[at * SECTOR : (at + 1) * SECTOR] = bytes(len(whole[at * SECTOR : (at + 1) * SECTOR]))
        (tmp_path / name).write_bytes(hurt)
        found = read_parity(storage, name, len(whole))
        assert found is not None and not found.sound
        assert Mended(storage, BUNDLE).whole() == data, at


def test_every_bit_of_a_parity_file_is_checked(tmp_path: Path) -> None:
    chance = random.Random(8)
    for size in (500, 3 * SECTOR):
        data = chance.randbytes(size)
        storage = laid(tmp_path, data)
        name = parity_file(BUNDLE)
        whole = (tmp_path / name).read_bytes()
        assert (found := read_parity(storage, name, len(whole))) is not None and found.sound
        for at in [*range(180), *chance.sample(range(len(whole)), 300), len(whole) - 1]:
            hurt = bytearray(whole)
            hurt[at] ^= 1 << chance.randrange(8)
            (tmp_path / name).write_bytes(hurt)
            found = read_parity(LocalStorage(str(tmp_path)), name, len(whole))
            assert found is None or not found.sound, at
        for changed in (whole[:-1], whole + b"\0", whole[SECTOR:], whole + whole):
            (tmp_path / name).write_bytes(changed)
            found = read_parity(LocalStorage(str(tmp_path)), name, len(changed))
            assert found is None or not found.sound


@given(st.binary(max_size=300), st.integers(0, 139))
@settings(deadline=None)
def test_a_strangers_sheet_is_refused_or_possible(noise: bytes, at: int) -> None:
    """What a sheet says is believed only where it can be, whatever its checksum."""
    import struct

    import xxhash

    from handhold.archive.parity.sheet import sheets_of

    (sheet,) = sheets_of(BUNDLE, shape_for(9000), [1, 2, 3, 4, 5])
    changed = bytearray(sheet)
    changed[at : at + len(noise)] = noise
    length = int.from_bytes(changed[36:38], "little")
    changed[8:16] = struct.pack("<Q", xxhash.xxh3_64_intdigest(bytes(changed[16 : 140 + length])))
    found = read_sheet(bytes(changed))
    assert found is None or found.shape.possible
    assert read_sheet(sheet) is not None


@pytest.mark.long
def test_a_dead_run_of_4_mib_in_a_full_bundle(tmp_path: Path) -> None:
    """And one sector of its parity besides: 15 of a stripe and one more."""
    data = random.Random(9).randbytes((64 << 20) + 77)
    storage = laid(tmp_path, data)
    at = 5 * (1 << 20) + 99
    (tmp_path / BUNDLE).write_bytes(data[:at] + bytes(4 << 20) + data[at + (4 << 20) :])
    name = parity_file(BUNDLE)
    parity = bytearray((tmp_path / name).read_bytes())
    parity[200 * SECTOR : 201 * SECTOR] = bytes(SECTOR)
    (tmp_path / name).write_bytes(parity)
    view = Mended(storage, BUNDLE)
    assert view.repair.hurt == 1025 and not view.repair.lost
    assert view.whole() == data
