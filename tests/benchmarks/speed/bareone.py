"""What the return of one game cannot be without, and nothing else: ``python bareone.py ARCHIVE GAME FOLDER``.

It reads the newest manifest, the tables of all bundles (FORMAT.md), and each list of files, whose digest it
compares; it writes the files of the game, and flushes them. It looks at no device, knows no layout, keeps no
record by which anything could be taken back, and believes names and sizes.
"""

from __future__ import annotations

import json
import os
import struct
import sys
from hashlib import sha256

import zstandard


def main(archive: str, game: str, folder: str) -> None:
    """Brings it back."""
    unpack = zstandard.ZstdDecompressor().decompress
    newest = max(os.scandir(f"{archive}/manifests"), key=lambda one: one.name.split(".")[1])
    with open(newest.path, "rb") as file:
        lines = unpack(file.read()).split(b"\n")
    lies: dict[bytes, tuple[int, int, int]] = {}
    for below, _, names in os.walk(f"{archive}/bundles"):
        for name in names:
            bundle = os.open(f"{below}/{name}", os.O_RDONLY)
            size = os.fstat(bundle).st_size
            (length,) = struct.unpack_from("<I", os.pread(bundle, 24, size - 24), 8)
            table = os.pread(bundle, length, size - 24 - length)
            for ident, offset, stored, _, codec, _ in struct.iter_unpack("<32sIIIIQ", table):
                lies[ident] = bundle, offset, stored if codec else -stored

    def block(ident: bytes) -> bytes:
        bundle, offset, stored = lies[ident]
        data = os.pread(bundle, abs(stored), offset + 64)
        plain = unpack(data) if stored > 0 else data
        if sha256(plain).digest() != ident:
            raise SystemExit("hurt")
        return plain

    sought = b'"game":"%s"' % game.encode()
    for line in lines:
        if line.startswith(b'{"page":"'):
            page = block(bytes.fromhex(line[9:73].decode()))
            if sought in page:
                for entry in map(json.loads, filter(lambda one: sought in one, page.split(b"\n"))):
                    place = f"{folder}/{entry['path']}"
                    os.makedirs(os.path.dirname(place), exist_ok=True)
                    with open(place, "wb") as back:
                        back.write(block(bytes.fromhex(entry["sha256"])))
                        back.flush()
                        os.fsync(back.fileno())


if __name__ == "__main__":
    main(*sys.argv[1:])
