"""What the return of one game cannot be without, and nothing else: ``python bareone.py ARCHIVE GAME FOLDER``.

It reads the newest manifest, the tables of all bundles (FORMAT.md), and each list of files, whose digest it
compares; it writes the files of the game, and flushes them. Lists lie one behind the other, so each is looked
for behind the one before, and many are read at once; a second process takes half of them. It looks at no
device, knows no layout, keeps no record by which anything could be taken back, and believes names and sizes.
"""

from __future__ import annotations

import json
import os
import struct
import sys
from hashlib import sha256

import zstandard

ROW = struct.Struct("<32sIIIIQ")
STRETCH = 1 << 20


class Blocks:
    """The blocks of all bundles."""

    def __init__(self, archive: str) -> None:
        self.tables: list[tuple[int, bytes]] = []
        for below, _, names in os.walk(f"{archive}/bundles"):
            for name in names:
                bundle = os.open(f"{below}/{name}", os.O_RDONLY)
                size = os.fstat(bundle).st_size
                (length,) = struct.unpack_from("<I", os.pread(bundle, 24, size - 24), 8)
                self.tables.append((bundle, os.pread(bundle, length, size - 24 - length)))
        self.bundle, self.table = self.tables[0]
        self.next = self.begin = 0
        self.read = b""
        self.unpack = zstandard.ZstdDecompressor().decompress

    def find(self, ident: bytes) -> int:
        """Where its row lies in the table of its bundle."""
        for bundle, table in self.tables:
            at = table.find(ident)
            while at >= 0:
                if at % ROW.size == 0:
                    self.bundle, self.table, self.read = bundle, table, b""
                    return at
                at = table.find(ident, at + 1)
        raise SystemExit("not there")

    def block(self, ident: bytes) -> bytes:
        """The content of a block, compared with its digest."""
        row = self.next if self.table.startswith(ident, self.next) else self.find(ident)
        self.next = row + ROW.size
        _, offset, stored, _, codec, _ = ROW.unpack_from(self.table, row)
        at = offset + 64 - self.begin
        if not 0 <= at <= len(self.read) - stored:
            self.begin, at = offset + 64, 0
            self.read = os.pread(self.bundle, max(stored, STRETCH), self.begin)
        data = self.read[at : at + stored]
        plain = self.unpack(data) if codec else data
        if sha256(plain).digest() != ident:
            raise SystemExit("hurt")
        return plain


def lines_of(blocks: Blocks, pages: list[bytes], sought: bytes) -> list[bytes]:
    """The lines of lists that speak of the game."""
    found: list[bytes] = []
    for line in pages:
        page = blocks.block(bytes.fromhex(line[9:73].decode()))
        if sought in page:
            found += filter(lambda one: sought in one, page.split(b"\n"))
    return found


def main(archive: str, game: str, folder: str) -> None:
    """Brings it back."""
    blocks = Blocks(archive)
    newest = max(os.scandir(f"{archive}/manifests"), key=lambda one: one.name.split(".")[1])
    with open(newest.path, "rb") as file:
        lines = blocks.unpack(file.read()).split(b"\n")
    pages = [line for line in lines if line.startswith(b'{"page":"')]
    sought = b'"game":"%s"' % game.encode()
    half = len(pages) // 2
    reading, writing = os.pipe()
    if not os.fork():
        with open(writing, "wb") as pipe:
            pipe.write(b"\n".join(lines_of(blocks, pages[half:], sought)))
        return
    os.close(writing)
    found = lines_of(blocks, pages[:half], sought)
    with open(reading, "rb") as pipe:
        found += pipe.read().splitlines()
    if os.wait()[1]:
        raise SystemExit("hurt")
    for entry in map(json.loads, found):
        place = f"{folder}/{entry['path']}"
        os.makedirs(os.path.dirname(place), exist_ok=True)
        with open(place, "wb") as back:
            back.write(blocks.block(bytes.fromhex(entry["sha256"])))
            back.flush()
            os.fsync(back.fileno())


if __name__ == "__main__":
    main(*sys.argv[1:])
