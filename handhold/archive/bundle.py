"""Bundles: container files of many blocks, written once. FORMAT.md describes every byte.

``magic, records (header, payload), table (a row for each record), end``. The table names a bundle, so its
name proves the table, and the table proves the rest. A bundle whose table is torn off is read record by
record.
"""

from __future__ import annotations

import hashlib
import struct
import sys
from array import array
from collections.abc import Iterable, Iterator
from itertools import compress, count
from operator import ne
from typing import NamedTuple

import xxhash

from handhold.archive.blocks import LARGEST, PLAIN, ZSTANDARD, Sealed, seal
from handhold.archive.filenames import BUNDLES
from handhold.archive.storage import LARGEST_FILE, Pending, Readable, Storage

FOLDER = BUNDLES
MAGIC = b"\x89HHB1\r\n\x1a"
RECORD_MAGIC = b"HHR1"
END_MAGIC = b"HHBEND1\n"
#: magic, codec, stored size, plain size, XXH3-64 of the stored bytes, id; then the XXH3-64 of these 56 bytes
_HEADER = struct.Struct("<4sIIIQ32s")
_CHECK = struct.Struct("<Q")
HEADER_SIZE = _HEADER.size + _CHECK.size
#: Bytes of an id.
ID_SIZE = 32
#: id, offset of the record, stored size, plain size, codec, XXH3-64 of the stored bytes
ROW = struct.Struct("<32sIIIIQ")
#: What a header has in common with its row, by 4 bytes: where it stands there, and here.
_SHARED = ((1, 11), (2, 9), (3, 10), (4, 12), (5, 13), *zip(range(6, 14), range(8), strict=True))
_HEAD = struct.Struct(f"{HEADER_SIZE}s")
_CHECKED = struct.Struct(f"{_HEADER.size}s{_CHECK.size}x")
#: XXH3-64 of the table, its length, zero, magic
_END = struct.Struct("<QII8s")
END_SIZE = _END.size
#: A bundle is closed when it has reached this size, or this many records.
FULL, FULL_RECORDS = 64 << 20, 1 << 16
#: No more records are believed.
MOST_RECORDS = 1 << 20
_FIRST_READ = 32 << 10  # bytes from a bundle's end: the whole table of most nights


class Row(NamedTuple):
    """A row of a bundle's table: where a block's record lies (``offset``, in bytes) and how it is stored."""

    id: bytes
    offset: int
    stored: int
    plain: int
    codec: int
    check: int


#: What a row has, without its names: there are many of them.
Fields = tuple[bytes, int, int, int, int, int]


def name_of(table: bytes | bytearray) -> str:
    """The file in which the bundle with this table lies."""
    ident = hashlib.sha256(table).hexdigest()[:32]
    return f"{FOLDER}/{ident[:2]}/{ident}.bundle"


def pack_header(block: Sealed) -> bytes:
    """The header of a block's record."""
    return header_of((block.id, 0, len(block.stored), block.plain_size, block.codec, block.check))


def header_of(row: Fields) -> bytes:
    """The header of the record that has this row in the table; a ``Row``, or its fields."""
    ident, _, stored, plain, codec, check = row
    head = _HEADER.pack(RECORD_MAGIC, codec, stored, plain, check, ident)
    return head + _CHECK.pack(xxhash.xxh3_64_intdigest(head))


def headers_of(table: bytes) -> bytes:
    """The headers of the records that have these rows, one behind the other: ``header_of`` for many."""
    words = array("I", table)
    step, row = HEADER_SIZE // words.itemsize, ROW.size // words.itemsize
    heads = array("I", (RECORD_MAGIC + bytes(HEADER_SIZE - len(RECORD_MAGIC))) * (len(words) // row))
    for to, at in _SHARED:
        heads[to::step] = words[at::row]
    without = heads.tobytes()
    whole = array("Q", without)
    own = array("Q", [xxhash.xxh3_64_intdigest(head) for (head,) in _CHECKED.iter_unpack(without)])
    if sys.byteorder == "big":
        own.byteswap()
    whole[HEADER_SIZE // whole.itemsize - 1 :: HEADER_SIZE // whole.itemsize] = own
    return whole.tobytes()


def columns(table: bytes) -> tuple[array[int], array[int], array[int], array[int]]:
    """Offsets, stored sizes, plain sizes and codecs of the rows of a table."""
    numbers = array("I", table)
    if sys.byteorder == "big":
        numbers.byteswap()
    step = ROW.size // numbers.itemsize
    return numbers[8::step], numbers[9::step], numbers[10::step], numbers[11::step]


def following(rows: bytes, names: bytes) -> int:
    """How many of some blocks, by their names one behind the other, are those of the rows, in turn."""
    words, wanted = array("Q", rows), array("Q", names)
    step = ROW.size // words.itemsize
    parts = ID_SIZE // words.itemsize
    found = min(len(words) // step, len(wanted) // parts)
    for word in range(parts):  # a row begins with its name
        one, other = words[word : found * step : step], wanted[word : found * parts : parts]
        if one != other:
            found = next(compress(count(), map(ne, one, other)))
    return found


def checks(table: bytes) -> array[int]:
    """The XXH3-64 of the stored bytes of each row of a table."""
    numbers = array("Q", table)
    if sys.byteorder == "big":
        numbers.byteswap()
    step = ROW.size // numbers.itemsize
    return numbers[step - 1 :: step]


def unpack_header(data: bytes | memoryview, offset: int) -> Row | None:
    """The row that a record's header at ``offset`` in its bundle stands for; None if it is not sound."""
    if len(data) < HEADER_SIZE:
        return None
    magic, codec, stored, plain, check, ident = _HEADER.unpack_from(data)
    (own,) = _CHECK.unpack_from(data, _HEADER.size)
    if magic != RECORD_MAGIC or xxhash.xxh3_64_intdigest(data[: _HEADER.size]) != own:
        return None
    if codec not in (PLAIN, ZSTANDARD) or stored > plain or plain > LARGEST:
        return None
    return Row(ident, offset, stored, plain, codec, check)


def pack_end(table: bytes) -> bytes:
    """What stands behind the table."""
    return _END.pack(xxhash.xxh3_64_intdigest(table), len(table), 0, END_MAGIC)


def rows(table: bytes) -> Iterator[Row]:
    """The rows of a table."""
    return map(Row._make, ROW.iter_unpack(table))


def read_table(storage: Readable, file: str, size: int) -> bytes:
    """The table of a bundle of ``size`` bytes, checked against its own sum, its file's name and its size.

    Raises ``ValueError`` with what is wrong, ``FileNotFoundError`` and ``OwnerError``. Reads the end of the
    file once, and what of the table lies before it once more.
    """
    if size > LARGEST_FILE:
        raise ValueError("it is larger than any bundle")
    if size < len(MAGIC) + END_SIZE:
        raise ValueError("it is cut off")
    length = min(size, _FIRST_READ)
    tail = storage.read(file, size - length, length)
    if len(tail) != length:
        raise ValueError("it is cut off")
    check, table_size, zero, magic = _END.unpack_from(tail, length - END_SIZE)
    if magic != END_MAGIC or zero:
        raise ValueError("its end is cut off or hurt")
    if table_size % ROW.size or not 0 < table_size <= min(
        MOST_RECORDS * ROW.size, size - len(MAGIC) - END_SIZE
    ):
        raise ValueError("its table cannot have the length that it says")
    missing = table_size + END_SIZE - length
    table = tail[max(0, -missing) : length - END_SIZE]
    if missing > 0:
        table = storage.read(file, size - length - missing, missing) + table
    if len(table) != table_size or xxhash.xxh3_64_intdigest(table) != check:
        raise ValueError("its table is hurt")
    if name_of(table) != file:
        raise ValueError("its table does not belong to its name")
    trouble = _trouble(table, size - table_size - END_SIZE)
    if trouble:
        raise ValueError(trouble)
    return table


def _trouble(table: bytes, end: int) -> str | None:
    """Why a table must not be believed though its sum is right; ``end`` is where its records end."""
    words, step = array("I", table), ROW.size // 4
    count = len(words) // step
    # Each column as one number, of 32 bits for each row, the first row's the lowest. Where no row reaches its
    # highest bit, all are added and compared in one step: none reaches over into the next one.
    offsets, stored, plain, codecs = (
        int.from_bytes(words[at::step].tobytes(), "little") for at in range(8, 12)
    )
    ones = int.from_bytes((1).to_bytes(4, "little") * count, "little")
    tops = ones << 31
    if (
        (stored | plain) & tops
        or (plain + ones * ((1 << 31) - 1 - LARGEST)) & tops  # set where it is larger than that
        or (plain + tops - stored) & tops != tops  # left where it is not smaller
        or codecs & ~(ones * (PLAIN | ZSTANDARD))
    ):
        return "its table says what no block can be"
    # Each record begins where the one before it ends. Highest bits of offsets are put to that by themselves.
    high = offsets & tops
    ends = (offsets - high + stored + ones * HEADER_SIZE) ^ high
    behind = ends >> 32 * (count - 1)
    if (ends - (behind << 32 * (count - 1))) << 32 | len(MAGIC) != offsets or behind != end:
        return "its table does not fit its size"
    # Of offsets so high one could be too high for its 32 bits, and stand there without what is above them.
    if high and len(MAGIC) + count * HEADER_SIZE + sum(columns(table)[1]) != end:
        return "its table does not fit its size"
    return None


def salvage(storage: Readable, file: str, size: int) -> Iterator[Row]:
    """The records of a bundle whose table is torn off or hurt, found by their headers, whatever lies between.

    Whoever opens a block checks it; what follows one sound record is believed to be a record. Raises
    ``OwnerError`` and ``FileNotFoundError``.
    """
    offset = len(MAGIC)
    size = min(size, LARGEST_FILE)
    lost = False  # after a hurt header the search goes through a payload, which can hold anything
    while offset + HEADER_SIZE <= size:
        row = unpack_header(storage.read(file, offset, HEADER_SIZE), offset)
        if row is None or (lost and not _fits(storage, file, row)):
            lost = True
            offset = _next_magic(storage, file, offset + 1, size)
            continue
        if offset + HEADER_SIZE + row.stored <= size:
            yield row
        offset += HEADER_SIZE + row.stored


def _fits(storage: Readable, file: str, row: Row) -> bool:
    """Whether the payload behind a header is the one that it tells of."""
    stored = storage.read(file, row.offset + HEADER_SIZE, row.stored)
    return len(stored) == row.stored and xxhash.xxh3_64_intdigest(stored) == row.check


def _next_magic(storage: Readable, file: str, offset: int, size: int) -> int:
    """Where the next record may begin, ``size`` if nowhere."""
    step, overlap = 1 << 20, len(RECORD_MAGIC) - 1
    while offset < size:
        run = storage.read(file, offset, step + overlap)
        at = run.find(RECORD_MAGIC)
        if at >= 0:
            return offset + at
        offset += step
    return size


class BundleWriter:
    """A bundle that is being written."""

    def __init__(self, storage: Storage) -> None:
        self._storage = storage
        self._pending: Pending = storage.begin(FOLDER)
        self._table = bytearray()  # one run of bytes: of 65,536 rows, objects would take twice the memory
        self.size = len(MAGIC)
        self._pending.write(MAGIC)

    @property
    def full(self) -> bool:
        """Whether the next block belongs into another bundle."""
        return self.size >= FULL or len(self._table) >= FULL_RECORDS * ROW.size

    def add(self, block: Sealed) -> None:
        """Appends a block's record."""
        self.add_all((block,))

    def add_all(self, blocks: Iterable[Sealed]) -> int:
        """Appends the records of blocks, at least of the first, until it is full; how many it took."""
        begin, size = len(self._table), self.size
        room = FULL_RECORDS - begin // ROW.size
        stored: list[bytes | memoryview] = []
        for ident, codec, payload, plain, check in blocks:
            if stored and (size >= FULL or len(stored) >= room):
                break
            self._table += ROW.pack(ident, size, len(payload), plain, codec, check)
            stored.append(payload)
            size += HEADER_SIZE + len(payload)
        heads = headers_of(bytes(self._table[begin:]))
        records: list[bytes | memoryview] = [b""] * (2 * len(stored))
        records[::2] = [head for (head,) in _HEAD.iter_unpack(heads)]
        records[1::2] = stored
        # In one piece: each piece is a chance for other threads to take the interpreter.
        self._pending.write(b"".join(records))
        self.size = size
        return len(stored)

    def close(self) -> tuple[str, bytes]:
        """Finishes it; its file and its table. From then on it is there.

        Blocks are stored again because what holds them is hurt. Were it the same blocks, this would be a
        bundle of the same name; but what stands there, if only by a wrong name, may be the last of others.
        So nothing is replaced: one more block, of no meaning, makes it another bundle.
        """
        number = 0
        while self._is_there(name_of(self._table)):
            number += 1
            self.add(seal(b"again %d\n" % number))
        table = bytes(self._table)
        file = name_of(table)
        self._pending.write(table)
        self._pending.write(pack_end(table))
        self.size += len(table) + END_SIZE
        self._pending.commit(file)
        return file, table

    def _is_there(self, file: str) -> bool:
        try:
            self._storage.size(file)
        except FileNotFoundError:
            return False
        return True

    def abandon(self) -> None:
        """Lets it go."""
        self._pending.abandon()
