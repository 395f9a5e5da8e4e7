"""An emulator that plays on while a snapshot is taken: ``python -m tests.changing.emulator FOLDER SEED``.

It writes one file in each of the ways in which programs write, over and over, until its standard input is
closed. Every page (4096 bytes) holds the number of its generation, and pages are written from the first to
the last; so of any content it can be told whether the file ever had it (``was_had``).
"""

from __future__ import annotations

import mmap
import os
import random
import select
import struct
import sys
import time
from collections.abc import Callable
from pathlib import Path

PAGE = 4096
#: Way of writing -> pages of the file.
WAYS = {
    "in-place": 12,
    "in-place-large": 400,
    "time-put-back": 12,
    "replaced": 12,
    "truncated": 12,
    "appended": 30,
    "mapped": 12,
    "mapped-large": 400,
    "synced": 12,
}
OLD = 1_600_000_000_000_000_000


def page(generation: int) -> bytes:
    return struct.pack("<Q", generation) * (PAGE // 8)


def was_had(way: str, data: bytes) -> bool:
    """Whether a file that is written in that way had this content at some moment."""
    if len(data) % PAGE:
        return False
    pages = [data[at : at + PAGE] for at in range(0, len(data), PAGE)]
    found = [struct.unpack("<Q", one[:8])[0] for one in pages]
    if any(page(number) != one for number, one in zip(found, pages, strict=True)):
        return False  # half a page of each: the system writes whole ones
    if way == "appended":
        return found == list(range(len(found)))
    if way == "truncated":
        return len(set(found)) <= 1
    if len(found) != WAYS[way]:
        return False
    if way == "replaced":
        return len(set(found)) == 1
    newer = found.count(found[0])
    return found == [found[0]] * newer + [found[0] - 1] * (len(found) - newer)


def begin(folder: Path) -> None:
    """The files as they are before anybody plays."""
    for way, count in WAYS.items():
        path = folder / f"{way}.sav"
        path.write_bytes(b"" if way == "appended" else page(0) * count)
        os.utime(path, ns=(OLD, OLD))


class Maps:
    """The files that stay mapped as long as the emulator runs."""

    def __init__(self, folder: Path) -> None:
        self.open: dict[str, mmap.mmap] = {}
        for way in ("mapped", "mapped-large", "synced"):
            with open(folder / f"{way}.sav", "r+b") as file:
                self.open[way] = mmap.mmap(file.fileno(), 0)


def write(folder: Path, maps: Maps, way: str, generation: int) -> None:
    """One save of one generation."""
    path, count, new = folder / f"{way}.sav", WAYS[way], page(generation)
    if way in maps.open:
        mapped = maps.open[way]
        for number in range(count):
            mapped[number * PAGE : (number + 1) * PAGE] = new
        if way == "synced":
            mapped.flush()
    elif way == "replaced":
        path.with_name("new.tmp").write_bytes(new * count)
        os.replace(path.with_name("new.tmp"), path)
    elif way == "appended":
        with open(path, "r+b", buffering=0) as file:
            pages = file.seek(0, os.SEEK_END) // PAGE
            if pages == count:
                pages = file.seek(0)
                file.truncate(0)
            file.write(page(pages))
    elif way == "truncated":
        with open(path, "wb", buffering=0) as file:
            for _ in range(count):
                file.write(new)
    else:
        with open(path, "r+b", buffering=0) as file:
            for _ in range(count):
                file.write(new)
        if way == "time-put-back":
            os.utime(path, ns=(OLD, OLD))


def play(folder: Path, seed: int, over: Callable[[], bool]) -> None:
    """Plays until it is over; the last generation stands whole in each file then."""
    chance = random.Random(seed)
    maps = Maps(folder)
    generations = dict.fromkeys(WAYS, 0)
    while not over():
        for way in chance.sample(sorted(WAYS), 3):
            generations[way] += 1
            write(folder, maps, way, generations[way])
        time.sleep(chance.choice((0, 0, 0.001, 0.01, 0.05)))


def main() -> None:
    def over() -> bool:
        return bool(select.select([sys.stdin], [], [], 0)[0])

    print("plays", flush=True)
    play(Path(sys.argv[1]), int(sys.argv[2]), over)


if __name__ == "__main__":
    main()
