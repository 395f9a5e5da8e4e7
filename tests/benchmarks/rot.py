"""How much of an archive comes back after sectors died: ``python -m tests.benchmarks.rot``.

Builds an archive of some hundred MB (two nights, thousands of small saves and some large cards), kills
sectors of 4 KiB in copies of it, mends each copy with nothing but its parity, and counts the files of both
nights that come back byte for byte. Dead sectors by chance hit every file of the archive, its parity too; a
dead run hits one full bundle, and one in 1,000 sectors of all parity besides.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import random
import shutil
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from handhold.archive.archive import Archive
from handhold.archive.cutting import SMALL, pieces
from handhold.archive.mending.mend import mend
from handhold.archive.parity.keeping import begin_parity
from handhold.archive.recipe import Range
from handhold.archive.storage import LocalStorage
from handhold.archive.writer import Writer
from handhold.errors import OwnerError
from handhold.model import Entry
from tests.archive.fixtures import EVENING, entry, finish, make

SECTOR = 4096
RATES = (10_000, 1_000, 200, 50)
RUNS = (64 << 10, 1 << 20, 4 << 20)
#: What each snapshot held: (snapshot, path) -> SHA-256.
Held = dict[tuple[str, str], str]


def build(folder: Path, megabytes: int, chance: random.Random) -> Held:
    """Two nights: nine tenths of the room in cards of 1 to 24 MiB, the rest in saves of up to 32 KiB."""
    archive = make(folder)
    held: Held = {}
    with archive.locked("benchmark"):
        begin_parity(archive.storage)
    files: dict[str, Entry] = {}
    for night in range(2):
        with archive.locked("benchmark"), archive.writer() as writer:
            room = (megabytes << 20) // 2
            while room > 0:
                large = chance.random() < 0.01
                data = chance.randbytes(
                    chance.randrange(SMALL, 24 << 20) if large else chance.randrange(32 << 10)
                )
                one = put(writer, f"files/{night}-{len(files)}", data)
                files[one.path] = one
                room -= len(data)
            name = finish(writer, files.values(), taken=EVENING.replace(day=5 + night)).name
        held |= {(name, one.path): one.sha256 for one in files.values()}
    return held


def put(writer: Writer, path: str, data: bytes) -> Entry:
    """Stores a file as a snapshot would."""
    ranges = [
        Range(bytes.fromhex(writer.put_plain(one)), 0, len(one))
        for one in pieces(io.BytesIO(data), len(data))
    ]
    return entry(path, data, recipe=writer.put_recipe(ranges) if len(ranges) > 1 else None)


def files_of(root: Path, folder: str = "") -> list[Path]:
    """The archive's files."""
    return sorted(
        path for path in (root / folder).rglob("*") if path.is_file() and not path.name.startswith(".lock")
    )


def kill(path: Path, first: int, count: int) -> None:
    """Overwrites sectors with what an erased block of flash reads as."""
    size = path.stat().st_size
    with open(path, "r+b") as stream:
        stream.seek(first * SECTOR)
        stream.write(b"\xff" * max(0, min(count * SECTOR, size - first * SECTOR)))


def kill_by_chance(paths: list[Path], one_in: int, chance: random.Random) -> int:
    """Kills each sector with that probability; how many."""
    dead = 0
    for path in paths:
        for sector in range(-(-path.stat().st_size // SECTOR)):
            if chance.random() * one_in < 1:
                kill(path, sector, 1)
                dead += 1
    return dead


def kill_run(root: Path, length: int, chance: random.Random) -> int:
    """Kills a run somewhere in the first full bundle, and one in 1,000 sectors of parity."""
    full = max(files_of(root, "bundles"), key=lambda path: path.stat().st_size)
    sectors = length // SECTOR
    first = chance.randrange(full.stat().st_size // SECTOR - sectors)
    kill(full, first, sectors)
    return sectors + kill_by_chance(files_of(root, "parity"), 1_000, chance)


def back(root: Path, held: Held) -> float:
    """The share of the files of all snapshots that come back byte for byte, in percent."""
    found = 0
    sound: dict[str, bool] = {}
    for name, one in entries(root):
        if one.sha256 not in sound:
            sound[one.sha256] = comes_out(root_archive(root), one)
        found += sound[one.sha256] and held[(name, one.path)] == one.sha256
    return 100 * found / len(held)


_archives: dict[Path, Archive] = {}


def root_archive(root: Path) -> Archive:
    """The archive in a folder, with nothing believed of its own description."""
    if root not in _archives:
        _archives.clear()
        _archives[root] = Archive(LocalStorage(str(root)), "")
    return _archives[root]


def entries(root: Path) -> Iterator[tuple[str, Entry]]:
    """Every entry that can be listed."""
    archive = root_archive(root)
    for snapshot in archive.snapshots():
        try:
            manifest = archive.read(snapshot)
        except OwnerError:
            continue
        for page in manifest.pages:
            try:
                for one in archive.page(page.id):
                    yield snapshot.name, one
            except OwnerError:
                continue


def comes_out(archive: Archive, one: Entry) -> bool:
    """Whether the archive gives a file back."""
    digest = hashlib.sha256()
    try:
        for run in archive.content(one):
            digest.update(run)
    except OwnerError:
        return False
    return digest.hexdigest() == one.sha256


def trial(
    whole: Path, held: Held, rate: int, run: int, chance: random.Random
) -> tuple[int, float, float, float]:
    """One copy, hurt and mended: dead sectors, share without parity, share with it, seconds of mending."""
    root = whole.parent / "hurt"
    shutil.copytree(whole, root)
    try:
        dead = kill_run(root, run, chance) if run else kill_by_chance(files_of(root), rate, chance)
        without = back(root, held)
        started = time.perf_counter()
        mend(LocalStorage(str(root)), lambda: EVENING)
        seconds = time.perf_counter() - started
        _archives.clear()
        return dead, without, back(root, held), seconds
    finally:
        _archives.clear()
        shutil.rmtree(root)


def share(percent: float) -> str:
    """A share; all is all, and nothing less looks like it."""
    return "all" if percent == 100 else f"{min(percent, 99.99):.2f} %"


def main() -> None:
    """Builds, hurts, mends, prints."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megabytes", type=int, default=300)
    parser.add_argument("--trials", type=int, default=2)
    parser.add_argument("--folder", default=None, help="where to work; twice the room is needed")
    given = parser.parse_args()
    chance = random.Random(2026)
    with tempfile.TemporaryDirectory(dir=given.folder) as folder:
        held = build(Path(folder), given.megabytes, chance)
        whole = Path(folder) / "archive"
        size = sum(path.stat().st_size for path in files_of(whole))
        parity = sum(path.stat().st_size for path in files_of(whole, "parity"))
        bundles = len(files_of(whole, "bundles"))
        print(f"{size / 1e6:.0f} MB, {bundles} bundles, {len(held):,} files in 2 nights; parity is")
        print(f"{100 * parity / (size - parity):.1f} % of the rest; the worst of {given.trials} trials.\n")
        print("| dead | sectors | files back without parity | with parity | mended in |")
        print("| --- | ---: | ---: | ---: | ---: |")
        for rate, run in [*((rate, 0) for rate in RATES), *((0, run) for run in RUNS)]:
            trials = [trial(whole, held, rate, run, chance) for _ in range(given.trials)]
            dead, without, with_parity = (min(column) for column in list(zip(*trials, strict=True))[:3])
            seconds = max(one[3] for one in trials)
            what = f"one run of {run >> 10:,} KiB" if run else f"1 sector in {rate:,}"
            print(
                f"| {what} | {dead:,} | {share(without)} | {share(with_parity)} | {seconds:.0f} s |",
                flush=True,
            )


if __name__ == "__main__":
    main()
