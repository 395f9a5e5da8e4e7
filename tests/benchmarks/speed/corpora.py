"""The files that are measured on, from a seed: the same seed gives the same files."""

from __future__ import annotations

import os
import random
import shutil
import zipfile
import zlib
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

LAYOUTS = {
    "tinplate": """\
layout: 1
id: tinplate
title: Tinplate
like: chosen-folder
homes:
  - {name: main, at: ["internal:Tinplate"]}
""",
    "hatbox": """\
layout: 1
id: hatbox
title: Hatbox
like: zip-export
homes:
  - {name: export, at: ["internal:Hatbox"]}
""",
}
#: A time well before any night (2024-03-01, seconds).
LONG_AGO = 1_709_251_200


class Size(NamedTuple):
    """How large the corpora are."""

    saves: int  # of the first night, 512 B to 64 KiB
    states: int  # of the first night
    state: int  # bytes
    quiet: int  # small files
    nights: int
    card: int  # bytes of a memory card in the thirty nights
    large: int  # bytes of the large sparse file
    many: int  # files, against `few`
    few: int
    years: int  # nights to list


SIZES = {
    "full": Size(20_000, 40, 32 << 20, 100_000, 30, 8 << 20, 8 << 30, 1_000_000, 10_000, 1_000),
    "usual": Size(20_000, 40, 32 << 20, 100_000, 30, 8 << 20, 8 << 30, 200_000, 10_000, 1_000),
    "medium": Size(4_000, 8, 32 << 20, 20_000, 30, 8 << 20, 1 << 30, 100_000, 10_000, 200),
    "small": Size(100, 1, 2 << 20, 300, 3, 1 << 20, 8 << 20, 400, 100, 5),
}


def mixed(source: random.Random, size: int) -> bytes:
    """Bytes half of which cannot be compressed, a quarter is text of sixteen letters, a quarter is zero."""
    pages = -(-size // 4096)
    hard, soft = source.randbytes(pages * 2048), source.randbytes(pages * 512).hex().encode()
    runs = []
    for page in range(pages):
        runs += [hard[page * 2048 : page * 2048 + 2048], soft[page * 1024 : page * 1024 + 1024], bytes(1024)]
    return b"".join(runs)[:size]


def put(path: str, data: bytes, when: int = LONG_AGO) -> None:
    """Writes a file as if at ``when`` (seconds)."""
    with open(path, "wb", buffering=0) as file:
        file.write(data)
    os.utime(path, (when, when))


def first_night(root: Path, size: Size, seed: int) -> None:
    """Many saves, some large states."""
    source = random.Random(seed)
    top = root / "Tinplate"
    for number in range(size.saves):
        folder = top / "saves" / f"system {number // 1000:02}"
        if number % 1000 == 0:
            folder.mkdir(parents=True)
        length = 512 << source.randrange(8)
        put(f"{folder}/Game {number:05}.sav", mixed(source, length), LONG_AGO + number)
    (top / "states").mkdir()
    for number in range(size.states):
        put(f"{top}/states/Game {number:05}.st1", mixed(source, size.state), LONG_AGO + number)


def packed_night(root: Path, size: Size, seed: int) -> None:
    """Saves and states that their emulators have packed already: headers, and behind them noise."""
    source = random.Random(seed)
    top = root / "Tinplate"
    (top / "saves").mkdir(parents=True)
    (top / "states").mkdir()
    for number in range(size.saves // 10):
        length = 8192 << source.randrange(8)
        put(f"{top}/saves/Game {number:05}.sav", packed(source, length), LONG_AGO + number)
    for number in range(max(1, size.states // 4)):
        put(f"{top}/states/Game {number:05}.st1", packed(source, size.state), LONG_AGO + number)


def packed(source: random.Random, size: int) -> bytes:
    """Bytes as a picture or a zip has them: a header of text and zeros, then chunks of noise.

    Each chunk has its length before and its sum behind it, 32 KiB at a time.
    Source: W3C, Portable Network Graphics (Third Edition), 5.3 "Chunk layout".
    """
    runs = [b"\x89PNG\r\n\x1a\n", b"Title: a save of the moor\n" * 4, bytes(120)]
    for _ in range(-(-size // (32 << 10))):
        noise = source.randbytes(32 << 10)
        runs += [
            len(noise).to_bytes(4, "big"),
            b"IDAT",
            noise,
            zlib.crc32(b"IDAT" + noise).to_bytes(4, "big"),
        ]
    return b"".join(runs)[:size]


def quiet_night(root: Path, count: int, seed: int) -> list[Path]:
    """Small files, 256 B to 16 KiB, a hundred in each folder; every hundredth of them is to be changed."""
    source = random.Random(seed)
    pool = mixed(source, 1 << 20)
    changing: list[Path] = []
    for number in range(count):
        folder = root / "Tinplate" / "saves" / f"system {number // 5000:02}" / f"shelf {number // 100:04}"
        if number % 100 == 0:
            folder.mkdir(parents=True)
        at, length = source.randrange(len(pool) - (16 << 10)), 256 << source.randrange(7)
        put(f"{folder}/Game {number:06}.sav", number.to_bytes(8, "big") + pool[at : at + length])
        if number % 100 == 50:
            changing.append(folder / f"Game {number:06}.sav")
    return changing


def change(paths: Iterable[Path], turn: int) -> None:
    """Writes the files anew, with content that no earlier turn had."""
    for path in paths:
        put(str(path), b"%08d" % turn + path.read_bytes()[8:], LONG_AGO + 60 * turn)


def many(root: Path, count: int) -> None:
    """Files of a few bytes, 500 in each folder."""
    for number in range(count):
        if number % 500 == 0:
            folder = f"{root}/Tinplate/saves/shelf {number // 500:05}"
            os.makedirs(folder)
        put(f"{folder}/Game {number:07}.sav", b"%016d" % number)


def sparse_card(path: Path, size: int, seed: int) -> None:
    """A virtual card: 32 pieces of 1 MiB, far apart in a file that is a hole everywhere else."""
    source = random.Random(seed)
    path.parent.mkdir(parents=True)
    with path.open("wb") as file:
        file.truncate(size)
        for piece in range(32):
            file.seek(piece * (size // 32))
            file.write(mixed(source, min(1 << 20, size // 64)))
    os.utime(path, (LONG_AGO, LONG_AGO))


class Evenings:
    """The thirty nights: a device that is played on every evening.

    Eight memory cards of which 8 to 64 KiB are rewritten an evening, six states of which a fifth changes in
    four runs, texture packs that stay, and one zip export that stamps every member anew and changes two.
    """

    def __init__(self, root: Path, size: Size, seed: int) -> None:
        self._source = random.Random(seed)
        self._top = root / "Tinplate"
        for folder in ("memcards", "states", "textures/Mole Hollow"):
            (self._top / folder).mkdir(parents=True)
        self._export = root / "Hatbox" / "saves.zip"
        self._export.parent.mkdir()
        self._cards = {f"{self._top}/memcards/card {n}.mcr": self._fresh(size.card) for n in range(8)}
        self._states = {f"{self._top}/states/Game {n}.st1": self._fresh(size.card // 2) for n in range(6)}
        self._members = {f"title {n:02}/save.bin": self._fresh(size.card // 64) for n in range(40)}
        for n in range(60):
            pack = self._source.randbytes(size.card // 8)  # pictures are compressed already
            put(f"{self._top}/textures/Mole Hollow/{n:02}.png", pack)
        self._evening = 0
        self._write()

    def play(self) -> bytes:
        """One evening; the bytes that changed, one after the other."""
        self._evening += 1
        changed: list[bytes] = []
        for card in self._cards.values():
            self._rewrite(card, self._source.randrange(8 << 10, 64 << 10), changed)
        for state in self._states.values():
            for _ in range(4):
                self._rewrite(state, len(state) // 20, changed)
        for name in self._source.sample(sorted(self._members), 2):
            self._members[name] = self._fresh(len(self._members[name]))
            changed.append(bytes(self._members[name]))
        self._write()
        return b"".join(changed)

    def _fresh(self, size: int) -> bytearray:
        return bytearray(mixed(self._source, size))

    def _rewrite(self, data: bytearray, length: int, changed: list[bytes]) -> None:
        length = min(length, len(data) // 2)
        at = self._source.randrange(len(data) - length)
        data[at : at + length] = run = mixed(self._source, length)
        changed.append(run)

    def _write(self) -> None:
        when = LONG_AGO + 86_400 * self._evening
        for path, data in (self._cards | self._states).items():
            put(path, bytes(data), when)
        with zipfile.ZipFile(self._export, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, data in self._members.items():
                stamp = (2024, 3, 1 + self._evening % 30, 20, 0, 0)
                archive.writestr(zipfile.ZipInfo(name, stamp), bytes(data), zipfile.ZIP_DEFLATED)
        os.utime(self._export, (when, when))


def empty(folder: Path) -> None:
    """An empty folder of that name, whatever was there."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)


def room(folder: Path, cluster: int = 0) -> int:
    """The bytes of all files below a folder; with ``cluster``, the room that they take in such units."""
    total = 0
    for top, _, names in os.walk(folder):
        total += cluster  # the folder itself
        for name in names:
            size = os.lstat(os.path.join(top, name)).st_size
            total += -(-size // cluster) * cluster if cluster else size
    return total


def copy(source: Path, target: Path) -> None:
    """A copy of a folder, in place of whatever was there."""
    shutil.rmtree(target, ignore_errors=True)
    shutil.copytree(source, target)
