"""What the history of one game cannot be without, and nothing else: ``python barelists.py ARCHIVE GAME``.

Two processes share the manifests: one reads the earlier half, one the later half, and each the lists that
these name, each list once. A list's digest is compared, and lines that name the game are decoded. It prints
the number of contents that it found; which nights held them, on which devices and where, it does not ask.
"""

from __future__ import annotations

import json
import os
import re
import struct
import sys
from hashlib import sha256

import zstandard


def main(archive: str, game: str) -> None:
    """Finds the contents."""
    folder = f"{archive}/manifests"
    manifests = sorted(os.listdir(folder), key=lambda name: name.split(".")[1])
    tables = _tables(archive)
    half = len(manifests) // 2
    reading, writing = os.pipe()
    beside = os.fork()
    if not beside:
        os.write(writing, json.dumps(sorted(_found(folder, manifests[half:], tables, game))).encode())
        os._exit(0)
    found = _found(folder, manifests[:half], tables, game)
    os.close(writing)
    with open(reading, "rb") as other:
        found |= {(digest, modified) for digest, modified in json.load(other)}
    os.waitpid(beside, 0)
    print(len(found))


def _tables(archive: str) -> dict[bytes, tuple[str, int, int]]:
    """Where each block lies: bundle, offset, bytes (negative for one that is not packed)."""
    lies: dict[bytes, tuple[str, int, int]] = {}
    for below, _, names in os.walk(f"{archive}/bundles"):
        for name in names:
            place = f"{below}/{name}"
            bundle = os.open(place, os.O_RDONLY)
            size = os.fstat(bundle).st_size
            (length,) = struct.unpack_from("<I", os.pread(bundle, 24, size - 24), 8)
            table = os.pread(bundle, length, size - 24 - length)
            for ident, offset, stored, _, codec, _ in struct.iter_unpack("<32sIIIIQ", table):
                lies[ident] = place, offset, stored if codec else -stored
            os.close(bundle)
    return lies


def _found(
    folder: str, manifests: list[str], tables: dict[bytes, tuple[str, int, int]], game: str
) -> set[tuple[str, int]]:
    unpack = zstandard.ZstdDecompressor().decompress
    named = re.compile(rb'^{"page":"([0-9a-f]{64})"', re.MULTILINE)
    sought, small = b'"game":"%s"' % game.encode(), game.lower().encode()
    seen: set[bytes] = set()
    found: set[tuple[str, int]] = set()
    opened, file = "", -1
    for manifest in manifests:
        with open(f"{folder}/{manifest}", "rb") as packed:
            pages = named.findall(unpack(packed.read()))
        for page in set(pages) - seen:
            ident = bytes.fromhex(page.decode())
            place, offset, stored = tables[ident]
            if place != opened:
                if file >= 0:
                    os.close(file)
                opened, file = place, os.open(place, os.O_RDONLY)
            data = os.pread(file, abs(stored), offset + 64)
            plain = unpack(data) if stored > 0 else data
            if sha256(plain).digest() != ident:
                raise SystemExit("hurt")
            if small in plain.lower():
                for line in plain.split(b"\n"):
                    if sought in line:
                        entry = json.loads(line)
                        found.add((entry["sha256"], entry["modified"]))
        seen.update(pages)
    return found


if __name__ == "__main__":
    main(*sys.argv[1:])
