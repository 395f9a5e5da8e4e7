"""What no check of an archive can be without, as a program by itself: python bare.py ARCHIVE [NAMES].

Reads every bundle, and compares the XXH3-64 of every record's header and payload and of every table with the
stored ones. With ``NAMES``, a file with the names of the blocks of large files (32 bytes each), it also
unpacks every block and compares its SHA-256 with its name, and digests the blocks of large files once more.
Nothing is told, no manifest is read, and nobody asks what is needed. FORMAT.md has the form.
"""

from __future__ import annotations

import hashlib
import os
import struct
import sys
import threading
from array import array
from bisect import bisect_right
from collections.abc import Iterator

import xxhash

PIECE = 1 << 20
HEADER, ROW, END = 64, 56, 24
SPLIT = struct.Struct("56s8x")
summed = xxhash.xxh3_64_intdigest


class Check:
    """Takes bundles from one list, in as many threads as there are cores."""

    def __init__(self, files: Iterator[str], large: set[bytes] | None) -> None:
        self._files, self._large = files, large
        self._lock = threading.Lock()
        self.records = 0

    def run(self) -> None:
        """All that a thread does."""
        room = bytearray(2 * PIECE)
        digest = hashlib.sha256()  # of large files, whose blocks pass by in any order here
        while True:
            with self._lock:
                file = next(self._files, "")
            if not file:
                return
            opened = os.open(file, os.O_RDONLY)
            room = self._bundle(opened, os.fstat(opened).st_size, room, digest)
            os.close(opened)

    def _bundle(self, file: int, size: int, room: bytearray, digest: hashlib._Hash) -> bytearray:
        end = os.pread(file, END, size - END)
        behind = size - END - int.from_bytes(end[8:12], "little")
        table = os.pread(file, size - END - behind, behind)
        assert summed(table) == int.from_bytes(end[:8], "little")
        begins = [*array("I", table)[8 :: ROW // 4], behind]
        checks = array("Q", table)[6 :: ROW // 8].tolist()
        at = 0
        while at < len(checks):
            to = max(at + 1, bisect_right(begins, begins[at] + PIECE) - 1)
            first, length = begins[at], begins[to] - begins[at]
            if length > len(room):
                room = bytearray(length)
            view = memoryview(room)
            assert os.preadv(file, [view[:length]], first) == length
            ends = [begin - first for begin in begins[at : to + 1]]
            payloads = [begin + HEADER for begin in ends[:-1]]
            headers = b"".join(map(view.__getitem__, map(slice, ends, payloads)))
            stored = list(map(view.__getitem__, map(slice, payloads, ends[1:])))
            assert list(map(summed, stored)) == checks[at:to]
            own = array("Q", headers)[7 :: HEADER // 8].tolist()
            assert [summed(head) for (head,) in SPLIT.iter_unpack(headers)] == own
            if self._large is not None:
                self._unpack(table[at * ROW : to * ROW], stored, digest)
            at = to
        self.records += len(checks)
        return room

    def _unpack(self, table: bytes, stored: list[memoryview], digest: hashlib._Hash) -> None:
        import zstandard

        assert self._large is not None
        unpack = zstandard.ZstdDecompressor().decompress
        for payload, (name, codec) in zip(stored, struct.iter_unpack("<32s12xI8x", table), strict=True):
            plain = unpack(payload) if codec else payload
            assert hashlib.sha256(plain).digest() == name
            if name in self._large:
                digest.update(plain)


def main(archive: str, names: str = "") -> None:
    """Checks the bundles of an archive; prints how many records they have."""
    top = os.path.join(archive, "bundles")
    files = [
        os.path.join(top, name, file) for name in os.listdir(top) for file in os.listdir(f"{top}/{name}")
    ]
    large: set[bytes] | None = None
    if names:
        import zstandard  # noqa: F401 - loaded once, before the threads

        with open(names, "rb") as listed:
            large = {name for (name,) in struct.iter_unpack("32s", listed.read())}
    check = Check(iter(files), large)
    threads = [threading.Thread(target=check.run) for _ in range(len(os.sched_getaffinity(0)) - 1)]
    for thread in threads:
        thread.start()
    check.run()
    for thread in threads:
        thread.join()
    print(check.records)


if __name__ == "__main__":
    main(*sys.argv[1:])
