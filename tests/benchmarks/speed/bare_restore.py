"""What the return of everything cannot be without: ``python bare_restore.py ARCHIVE FOLDER [promised]``.

It reads the newest manifest, its lists and the tables of all bundles (FORMAT.md). Then two threads take
file after file: each unpacks its blocks, compares the digest of the file, writes it under a temporary name,
sets its time, and gives it its name. The file system is flushed once, at the end. It looks at nothing that
stands there, reads nothing back, keeps no record by which anything could be taken back, and believes names
and sizes.

``promised`` does it in the order that handhold promises: a file gets its name only once its content is on
the medium, and one of up to 1 MiB was read back before. So all are written, then flushed, then read back and
named by two threads, and flushed once more. The two records that undo needs are left out even so.
"""

from __future__ import annotations

import json
import os
import struct
import subprocess
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from hashlib import sha256
from typing import Any

import zstandard

Place = tuple[int, int, int]  # the open bundle, the offset in it, and the stored length; below 0: not packed


#: Larger files are not read back.
_CHEAP = 1 << 20


def main(archive: str, folder: str, promised: bool = False) -> None:
    """Brings it back."""
    newest = max(os.scandir(f"{archive}/manifests"), key=lambda one: one.name.split(".")[1])
    with open(newest.path, "rb") as file:
        lines = zstandard.ZstdDecompressor().decompress(file.read()).split(b"\n")
    lies = tables(archive)
    reader = Reader(lies)
    entries = [
        json.loads(line)
        for page in lines
        if page.startswith(b'{"page":"')
        for line in reader.block(bytes.fromhex(page[9:73].decode()), checked=True).splitlines()
        if b'"path":' in line
    ]
    for below in {os.path.dirname(entry["path"]) for entry in entries}:
        os.makedirs(f"{folder}/{below}", exist_ok=True)
    os.chdir(folder)
    work = iter(entries)
    with ThreadPoolExecutor(2) as threads:
        for thread in [threads.submit(bring, work, Reader(lies), not promised) for _ in range(2)]:
            thread.result()
        subprocess.run(["sync", "-f", "."], check=True)
        if promised:
            work = iter(entries)
            for naming in [threads.submit(name, work) for _ in range(2)]:
                naming.result()
            subprocess.run(["sync", "-f", "."], check=True)
    print(len(entries))


def tables(archive: str) -> dict[bytes, Place]:
    """Where all blocks lie."""
    lies: dict[bytes, Place] = {}
    for below, _, names in os.walk(f"{archive}/bundles"):
        for name in names:
            bundle = os.open(f"{below}/{name}", os.O_RDONLY)
            size = os.fstat(bundle).st_size
            (length,) = struct.unpack_from("<I", os.pread(bundle, 24, size - 24), 8)
            table = os.pread(bundle, length, size - 24 - length)
            for ident, offset, stored, _, codec, _ in struct.iter_unpack("<32sIIIIQ", table):
                lies[ident] = bundle, offset, stored if codec else -stored
    return lies


class Reader:
    """Unpacks blocks, for one thread."""

    def __init__(self, lies: dict[bytes, Place]) -> None:
        self._lies = lies
        self._unpack = zstandard.ZstdDecompressor().decompress

    def block(self, ident: bytes, checked: bool = False) -> bytes:
        """The content of a block."""
        bundle, offset, stored = self._lies[ident]
        data = os.pread(bundle, abs(stored), offset + 64)
        plain = self._unpack(data) if stored > 0 else data
        if checked and sha256(plain).digest() != ident:
            raise OSError("hurt")
        return plain


_lock = threading.Lock()


def each(entries: Iterator[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Those that no other thread has taken."""
    while True:
        with _lock:
            entry = next(entries, None)
        if entry is None:
            return
        yield entry


def bring(entries: Iterator[dict[str, Any]], reader: Reader, named: bool) -> None:
    """Writes file after file; gives each its name, if that is asked for."""
    for entry in each(entries):
        path = entry["path"]
        temporary = f"{path}.part"
        file = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL)
        digest = sha256()
        if "recipe" in entry:
            # FORMAT.md: 12 bytes, then the name, the offset and the length of each range
            ranges = reader.block(bytes.fromhex(entry["recipe"]), checked=True)[12:]
            for ident, offset, length in struct.iter_unpack("<32sII", ranges):
                run = memoryview(reader.block(ident))[offset : offset + length]
                digest.update(run)
                os.write(file, run)
        else:
            plain = reader.block(bytes.fromhex(entry["sha256"])) if entry["size"] else b""
            digest.update(plain)
            os.write(file, plain)
        if os.fstat(file).st_size != entry["size"]:
            raise OSError("the medium took less than all")
        if digest.hexdigest() != entry["sha256"]:
            raise OSError("hurt")
        modified = int(entry["modified"])
        os.utime(file, ns=(modified, modified))
        os.close(file)
        if named:
            os.rename(temporary, path)


def name(entries: Iterator[dict[str, Any]]) -> None:
    """Reads short files back, and gives all their names."""
    for entry in each(entries):
        path, size = entry["path"], entry["size"]
        temporary = f"{path}.part"
        if size <= _CHEAP:
            file = os.open(temporary, os.O_RDONLY)
            data = os.read(file, size + 1)
            os.close(file)
            if sha256(data).hexdigest() != entry["sha256"]:
                raise OSError("it reads back as something else")
        os.rename(temporary, path)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], sys.argv[3:] == ["promised"])
