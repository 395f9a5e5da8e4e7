"""Bundles: tables that are believed, tables that are not, torn ones read record by record; and the index."""

from __future__ import annotations

import os
import struct
import time
import tracemalloc

import pytest
import xxhash
from hypothesis import example, given, settings
from hypothesis import strategies as st

from handhold.archive import bundle as bundle_module
from handhold.archive.blocks import LARGEST, Sealed, block_id, seal, unseal
from handhold.archive.bundle import BundleWriter, Row, name_of, pack_header, read_table, rows, salvage
from handhold.archive.index import Index, bundle_files
from handhold.archive.storage import Item, LocalStorage, Pending

_HEADER, _ROW, _END = 64, 56, 24  # FORMAT.md, "Bundles"


def _write(storage: LocalStorage, plains: list[bytes]) -> tuple[str, bytes]:
    writer = BundleWriter(storage)
    for plain in plains:
        writer.add(seal(plain))
    return writer.close()


def _plains(count: int, size: int = 300) -> list[bytes]:
    return [b"%d " % n * (size // 9) + os.urandom(size) for n in range(count)]


@pytest.mark.parametrize(
    ("bound", "value", "fits"), [("FULL_RECORDS", 5, 5), ("FULL", 2000, 4), ("FULL", 1, 1)]
)
def test_of_many_blocks_it_takes_what_fits(
    storage: LocalStorage, monkeypatch: pytest.MonkeyPatch, bound: str, value: int, fits: int
) -> None:
    """The block that reaches the bound is the last: 8 bytes stand in front, and each of these takes 564."""
    monkeypatch.setattr(bundle_module, bound, value)
    blocks = [seal(os.urandom(500)) for _ in range(9)]
    writer = BundleWriter(storage)
    assert writer.add_all(blocks) == fits
    assert writer.full
    file, table = writer.close()
    assert [row.id for row in rows(table)] == [block.id for block in blocks[:fits]]
    data = _bytes(storage, file)
    for row, block in zip(rows(table), blocks, strict=False):
        assert data[row.offset + _HEADER : row.offset + _HEADER + 500] == block.stored


def _change(storage: LocalStorage, file: str, data: bytes) -> None:
    with open(os.path.join(storage.root, file), "wb") as out:
        out.write(data)
    storage.close()


def _bytes(storage: LocalStorage, file: str) -> bytes:
    with open(os.path.join(storage.root, file), "rb") as read:
        return read.read()


@pytest.fixture
def storage(tmp_path: object) -> LocalStorage:
    return LocalStorage(str(tmp_path))


@given(st.lists(st.binary(max_size=500), min_size=1, max_size=12, unique=True))
@settings(deadline=None, max_examples=30)
def test_blocks_come_out_as_they_went_in(plains: list[bytes]) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        storage = LocalStorage(folder)
        file, table = _write(storage, plains)
        data = _bytes(storage, file)
        assert read_table(storage, file, len(data)) == table
        found = []
        for row in rows(table):
            stored = data[row.offset + _HEADER : row.offset + _HEADER + row.stored]
            found.append(unseal(Sealed(row.id, row.codec, stored, row.plain, row.check)))
        assert found == plains


@pytest.mark.parametrize("count", [1, 584, 585, 586, 3000])
def test_tables_of_any_length_are_read(storage: LocalStorage, count: int) -> None:
    file, table = _write(storage, [b"%d" % n for n in range(count)])
    assert len(table) == count * _ROW
    assert read_table(storage, file, storage.size(file)) == table


def test_every_flipped_bit_behind_the_records_is_found(storage: LocalStorage) -> None:
    file, table = _write(storage, _plains(3))
    data = _bytes(storage, file)
    for at in range(len(data) - len(table) - _END, len(data)):
        hurt = bytearray(data)
        hurt[at] ^= 1 << at % 8
        _change(storage, file, bytes(hurt))
        with pytest.raises(ValueError):
            read_table(storage, file, len(data))


def test_every_length_that_is_cut_or_grown_is_found(storage: LocalStorage) -> None:
    file, _ = _write(storage, _plains(2, 30))
    data = _bytes(storage, file)
    for size in [*range(len(data)), len(data) + 1, len(data) + 56]:
        _change(storage, file, (data + bytes(100))[:size])
        with pytest.raises(ValueError):
            read_table(storage, file, size)


def test_a_bundle_by_another_name_is_refused(storage: LocalStorage) -> None:
    file, _ = _write(storage, _plains(2))
    other = "bundles/00/" + "0" * 32 + ".bundle"
    os.makedirs(os.path.join(storage.root, "bundles/00"), exist_ok=True)
    os.rename(os.path.join(storage.root, file), os.path.join(storage.root, other))
    with pytest.raises(ValueError, match="name"):
        read_table(storage, other, storage.size(other))


def _forge(storage: LocalStorage, table: bytes, records: bytes, length: int | None = None) -> str:
    """A bundle that a stranger made: every sum is right, the numbers lie."""
    file = name_of(table)
    os.makedirs(os.path.join(storage.root, os.path.dirname(file)), exist_ok=True)
    said = len(table) if length is None else length
    end = struct.pack("<QII8s", xxhash.xxh3_64_intdigest(table), said, 0, b"HHBEND1\n")
    _change(storage, file, b"\x89HHB1\r\n\x1a" + records + table + end)
    return file


def _row(offset: int = 8, stored: int = 10, plain: int = 10, codec: int = 0) -> bytes:
    return struct.pack("<32sIIIIQ", bytes(32), offset, stored, plain, codec, 0)


def test_the_forger_can_make_a_bundle_that_is_believed(storage: LocalStorage) -> None:
    file = _forge(storage, _row(), bytes(74))
    assert read_table(storage, file, storage.size(file)) == _row()


@pytest.mark.parametrize(
    "row",
    [
        _row(offset=0),
        _row(offset=9),
        _row(offset=0xFFFFFFFF),
        _row(stored=9),
        _row(stored=11, plain=11),
        _row(stored=0xFFFFFFFF, plain=0xFFFFFFFF),
        _row(plain=9),
        _row(plain=LARGEST + 1, codec=1),
        _row(codec=2),
        _row(codec=256),
        _row() + _row(),
    ],
)
def test_tables_that_lie_are_refused(storage: LocalStorage, row: bytes) -> None:
    file = _forge(storage, row, bytes(74))
    with pytest.raises(ValueError):
        read_table(storage, file, storage.size(file))


class _Hollow:
    """A bundle of which nothing but the end and the table can be read, however large it says to be."""

    def __init__(self, size: int, behind: bytes) -> None:
        self._size, self._behind = size, behind

    def read(self, name: str, offset: int, length: int) -> bytes:
        at = offset - (self._size - len(self._behind))
        data = bytes(min(length, max(0, -at))) + self._behind[max(0, at) : max(0, at + length)]
        return data[: max(0, self._size - offset)]


_SIZES = st.sampled_from([0, 1, 10, LARGEST - 1, LARGEST, LARGEST + 1, 1 << 31, (1 << 32) - 1])
#: How a row is changed after it fitted: which of its numbers (offset, stored, plain, codec), and to what.
_LIES = st.tuples(
    st.integers(0, 400), st.integers(0, 3), st.sampled_from([-1, 1, 64, 1 << 31, -(1 << 24), 255])
)


@given(
    sizes=st.lists(st.tuples(_SIZES, _SIZES, st.sampled_from([0, 1])), min_size=1, max_size=5),
    again=st.sampled_from([1, 2, 100]),
    lies=st.lists(_LIES, max_size=2),
    more=st.sampled_from([0, 0, 0, 1, 1 << 31]),
)
@example(sizes=[((1 << 32) - 1, (1 << 32) - 1, 0), (10, 10, 0)], again=1, lies=[], more=1)
@settings(max_examples=400, deadline=None)
def test_what_is_believed_fits_row_by_row(
    sizes: list[tuple[int, int, int]], again: int, lies: list[tuple[int, int, int]], more: int
) -> None:
    """Source: FORMAT.md, "Blocks" and "Bundles": no gap, stored size not larger than plain size, two codecs.

    Offsets go up to 4 GiB, and are told modulo that, so that a table which only wraps around is tried too.
    """
    rows: list[list[int]] = []
    offset = 8
    for plain, stored, codec in sizes * again:
        rows.append([offset, min(plain, stored), plain, codec])
        offset += _HEADER + min(plain, stored)
    for number, field, by in lies:
        rows[number % len(rows)][field] += by
    rows = [[value % (1 << 32) for value in row] for row in rows]
    records = (offset + more) % (1 << 32)
    table = b"".join(struct.pack("<32sIIIIQ", bytes(32), *row, 0) for row in rows)
    size = records + len(table) + _END
    ends = [*(row[0] for row in rows[1:]), records]
    fits = rows[0][0] == 8 and all(
        row[0] + _HEADER + row[1] == end and row[1] <= row[2] <= 16_777_216 and row[3] in (0, 1)
        for row, end in zip(rows, ends, strict=True)
    )
    end = struct.pack("<QII8s", xxhash.xxh3_64_intdigest(table), len(table), 0, b"HHBEND1\n")
    try:
        read = read_table(_Hollow(size, table + end), name_of(table), size)
    except ValueError:
        assert not fits or size >= 1 << 32  # "files are smaller than 4 GiB"
    else:
        assert fits
        assert read == table


@pytest.mark.parametrize("length", [0, 1, 55, 57, 112, 0xFFFFFFFF, 0xFFFFFFF8])
def test_lengths_that_lie_take_no_memory(storage: LocalStorage, length: int) -> None:
    file = _forge(storage, _row(), bytes(74), length)
    tracemalloc.start()
    try:
        with pytest.raises(ValueError):
            read_table(storage, file, storage.size(file))
        assert tracemalloc.get_traced_memory()[1] < 1 << 20
    finally:
        tracemalloc.stop()


def test_a_huge_hollow_file_is_refused_without_reading_it(storage: LocalStorage) -> None:
    file = "bundles/00/" + "0" * 32 + ".bundle"
    os.makedirs(os.path.join(storage.root, "bundles/00"))
    with open(os.path.join(storage.root, file), "wb") as out:
        out.truncate(1 << 40)
    with pytest.raises(ValueError):
        read_table(storage, file, 1 << 40)


# -- torn bundles --------------------------------------------------------------------------------------


def _salvaged(storage: LocalStorage, file: str) -> list[bytes]:
    data = _bytes(storage, file)
    found = []
    for row in salvage(storage, file, len(data)):
        stored = data[row.offset + _HEADER : row.offset + _HEADER + row.stored]
        try:
            found.append(unseal(Sealed(row.id, row.codec, stored, row.plain, row.check)))
        except ValueError:
            continue
    return found


@pytest.mark.parametrize("kept", [0, 7, 8, 60, 71, 72, 500, 1000, 3000])
def test_a_torn_bundle_gives_every_record_that_is_whole(storage: LocalStorage, kept: int) -> None:
    plains = _plains(10)
    file, table = _write(storage, plains)
    data = _bytes(storage, file)
    whole = [
        plain
        for plain, row in zip(plains, rows(table), strict=True)
        if row.offset + _HEADER + row.stored <= kept
    ]
    _change(storage, file, data[:kept])
    assert _salvaged(storage, file) == whole


def test_a_hurt_header_costs_its_own_record_only(storage: LocalStorage) -> None:
    plains = _plains(10)
    file, table = _write(storage, plains)
    data = bytearray(_bytes(storage, file)[: -len(table) - _END])
    for row in list(rows(table))[3:5]:
        data[row.offset + 5] ^= 0xFF
    _change(storage, file, bytes(data))
    assert _salvaged(storage, file) == plains[:3] + plains[5:]


def test_a_payload_that_holds_a_bundle_does_not_mislead(storage: LocalStorage, tmp_path: object) -> None:
    inner = LocalStorage(os.path.join(str(tmp_path), "inner"))
    inner.make()
    file, _ = _write(inner, [b"from inside"])
    liar = pack_header(Sealed(bytes(32), 0, bytes(5000), 5000, 7))
    payload = os.urandom(100) + liar + _bytes(inner, file) + liar
    writer = BundleWriter(storage)
    for plain in (payload, b"behind"):
        writer.add(Sealed(block_id(plain), 0, plain, len(plain), xxhash.xxh3_64_intdigest(plain)))
    file, table = writer.close()
    data = bytearray(_bytes(storage, file)[: -len(table) - _END])
    assert set(_salvaged_after(storage, file, bytes(data))) == {payload, b"behind"}
    data[8] ^= 1  # now the search goes through the payload
    assert set(_salvaged_after(storage, file, bytes(data))) == {b"from inside", b"behind"}


def _salvaged_after(storage: LocalStorage, file: str, data: bytes) -> list[bytes]:
    _change(storage, file, data)
    return _salvaged(storage, file)


@given(st.binary(max_size=600))
@settings(deadline=None, max_examples=40)
def test_noise_gives_nothing(noise: bytes) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        storage = LocalStorage(folder)
        _change(storage, "noise", noise + b"HHR1" + noise)
        assert list(salvage(storage, "noise", 2 * len(noise) + 4)) == []


# -- the index -----------------------------------------------------------------------------------------


def test_the_index_finds_every_block_of_many_bundles(storage: LocalStorage) -> None:
    everything = [b"%d" % n for n in range(3000)]
    for start in range(0, 3000, 10):
        _write(storage, everything[start : start + 10])
    index = Index(storage)
    assert len(index) == 3000
    assert all(block_id(plain) in index for plain in everything)
    assert not any(block_id(b"x%d" % n) in index for n in range(3000))
    for plain in everything[::97]:
        ((file, row),) = index.places(block_id(plain))
        stored = _bytes(storage, file)[row.offset + _HEADER : row.offset + _HEADER + row.stored]
        assert unseal(Sealed(row.id, row.codec, stored, row.plain, row.check)) == plain


def test_blocks_whose_names_begin_alike_are_told_apart(storage: LocalStorage) -> None:
    writer = BundleWriter(storage)
    names = [bytes(5) + bytes([n]) * 27 for n in range(20)] + [b"\xff" * 31 + bytes([n]) for n in range(20)]
    for name in names:
        writer.add(Sealed(name, 0, b"x", 1, 0))
    writer.close()
    index = Index(storage)
    assert all(name in index and len(list(index.places(name))) == 1 for name in names)
    assert bytes(5) + b"\x30" * 27 not in index
    assert bytes(32) in index
    assert b"\xff" * 32 not in index


def test_a_block_in_two_bundles_has_two_places(storage: LocalStorage) -> None:
    _write(storage, [b"both", b"first"])
    _write(storage, [b"both", b"second"])
    assert len(list(Index(storage).places(block_id(b"both")))) == 2


def test_a_hurt_bundle_is_read_but_not_trusted(storage: LocalStorage) -> None:
    _write(storage, [b"whole"])
    file, _ = _write(storage, [b"hurt one", b"hurt two"])
    data = _bytes(storage, file)
    for hurt in (data[:-1], data + b"\0", data[:-_END] + b"\0" + data[-_END + 1 :], data[: 8 + _HEADER + 8]):
        _change(storage, file, hurt)
        index = Index(storage)
        assert list(index.hurt) == [file]
        assert block_id(b"whole") in index
        assert block_id(b"hurt one") not in index
        assert [place.file for place in index.places(block_id(b"hurt one"))] == [file]


@pytest.mark.parametrize("recent", [25, 9])  # with 9, each table goes right into the sorted lists
@pytest.mark.parametrize("run", [30, 70, 1 << 18])
def test_what_is_added_is_found_at_once(
    storage: LocalStorage, monkeypatch: pytest.MonkeyPatch, run: int, recent: int
) -> None:
    from handhold.archive import index as index_module

    monkeypatch.setattr(index_module, "_RECENT", recent)
    monkeypatch.setattr(index_module, "_RUN", run)
    index = Index(storage)
    plains = [b"%d" % n for n in range(100)]
    for start in range(0, 100, 10):
        file, table = _write(storage, plains[start : start + 10])
        index.add(file, table, storage.size(file))
        assert all(block_id(plain) in index for plain in plains[: start + 10])
        assert all(len(list(index.places(block_id(plain)))) == 1 for plain in plains[: start + 10])
    file, table = _write(storage, [*plains[5:95:10], *plains[1:5], b"new"])  # a second time
    index.add(file, table, storage.size(file))
    twice = {*plains[5:95:10], *plains[1:5]}
    for plain in plains:
        assert len(list(index.places(block_id(plain)))) == (2 if plain in twice else 1)
    assert not index.is_stale()
    _write(storage, [b"by another run"])
    assert index.is_stale()


def test_what_is_added_lies_in_few_lists(storage: LocalStorage, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each is looked through for a block that is new: of 64 tables of one size two to the power of six."""
    from handhold.archive import index as index_module

    monkeypatch.setattr(index_module, "_RECENT", 9)
    index = Index(storage)
    for start in range(0, 640, 10):
        file, table = _write(storage, [b"%d" % n for n in range(start, start + 10)])
        index.add(file, table, storage.size(file))
        assert len(index._runs or []) <= 7
    assert all(block_id(b"%d" % n) in index for n in range(640))


def test_foreign_files_are_passed_over(storage: LocalStorage) -> None:
    file, _ = _write(storage, [b"x"])
    for name in ("bundles/new-1.part", "bundles/readme", f"{file}.part", f"bundles/zz/{'0' * 32}.bundle"):
        os.makedirs(os.path.dirname(os.path.join(storage.root, name)), exist_ok=True)
        _change(storage, name, b"foreign")
    os.makedirs(os.path.join(storage.root, "bundles/aa", "a" * 32 + ".bundle"))
    assert list(bundle_files(storage)) == [file]


class _Counting(LocalStorage):
    reads = 0

    def read(self, name: str, offset: int, length: int) -> bytes:
        self.reads += 1
        return super().read(name, offset, length)


def test_a_thousand_bundles_are_opened_quickly(tmp_path: object) -> None:
    storage = _Counting(str(tmp_path))
    for _ in range(1000):
        # Tables without their payloads on the disk would be refused: so the records are there, and small.
        records = [Sealed(os.urandom(32), 0, b"", 0, 0) for _n in range(20)]
        table = b"".join(
            struct.pack("<32sIIIIQ", one.id, 8 + at * _HEADER, 0, 0, 0, 0) for at, one in enumerate(records)
        )
        _forge(storage, table, bytes(_HEADER * 20))
    began = time.perf_counter()
    index = Index(storage)
    assert (len(index), storage.reads, index.hurt) == (20_000, 1000, {})
    assert time.perf_counter() - began < 5  # a quarter of a second where this was written


class _Tables:
    """A storage of bundles that are only tables, so that a million blocks fit into a test."""

    where = "nowhere"

    def __init__(self, bundles: int, blocks: int) -> None:
        self._files: dict[str, bytes] = {}
        self._sizes: dict[str, int] = {}
        for _ in range(bundles):
            names = os.urandom(32 * blocks)
            pack = struct.Struct("<32sIIIIQ").pack
            table = b"".join(
                pack(names[n * 32 : n * 32 + 32], 8 + n * _HEADER, 0, 0, 0, 0) for n in range(blocks)
            )
            end = struct.pack("<QII8s", xxhash.xxh3_64_intdigest(table), len(table), 0, b"HHBEND1\n")
            self._files[name_of(table)] = table + end
            self._sizes[name_of(table)] = 8 + blocks * _HEADER + len(table) + len(end)

    def list(self, folder: str) -> list[Item]:
        if folder == "bundles":
            return [Item(name, 0, True) for name in {file.split("/")[1] for file in self._files}]
        inside = [file for file in self._files if file.startswith(folder + "/")]
        return [Item(file.rsplit("/", 1)[1], self._sizes[file], False) for file in inside]

    def read(self, name: str, offset: int, length: int) -> bytes:
        start = offset - (self._sizes[name] - len(self._files[name]))
        return self._files[name][max(0, start) : start + length]

    def size(self, name: str) -> int:
        return self._sizes[name]

    def begin(self, folder: str) -> Pending:
        raise NotImplementedError

    def delete(self, name: str) -> None:
        raise NotImplementedError

    def free(self) -> int:
        raise NotImplementedError

    def hold(self, purpose: str) -> None:
        raise NotImplementedError


def _index_memory(bundles: int, blocks: int) -> int:
    storage = _Tables(bundles, blocks)
    tracemalloc.start()
    try:
        index = Index(storage)  # type: ignore[arg-type]
        assert len(index) == bundles * blocks
        return tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()


def test_the_index_takes_little_more_than_the_tables() -> None:
    assert _index_memory(20, 2500) < 50_000 * (_ROW + 12) + (1 << 20)


@pytest.mark.long
def test_a_million_blocks_take_less_than_70_megabytes() -> None:
    assert _index_memory(250, 4000) < 70_000_000


def test_a_bundle_is_closed_before_it_grows_too_large(
    storage: LocalStorage, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bundle_module, "FULL", 5000)
    writer = BundleWriter(storage)
    while not writer.full:
        writer.add(seal(os.urandom(600)))
    assert 5000 <= writer.size < 5000 + 600 + _HEADER
    file, table = writer.close()
    assert writer.size == storage.size(file)
    assert [type(row) for row in rows(table)] == [Row] * (len(table) // _ROW)
