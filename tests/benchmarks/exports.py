"""What a nightly export costs of which one save changed, by the program that wrote it.

python -m tests.benchmarks.exports                     500 MiB, every writer
python -m tests.benchmarks.exports --size 50 --writer zip --writer java
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from datetime import timedelta
from pathlib import Path

from handhold.snapshot import Options, take
from tests.exports.world import World
from tests.exports.writers import WRITERS

SAVE = 128 << 10
#: Half of each save is noise, half repeats: about what battery saves of several games have in common.
NOISE = SAVE // 2


def saves(count: int, changed: int) -> dict[str, bytes]:
    """An export of ``count`` saves; ``changed`` says which evening it is: 0 is the first."""
    made = {}
    for number in range(count):
        seed = 1_000_000 + changed if changed and number == count // 2 else number
        made[f"saves/Game {number:05}.sav"] = random.Random(seed).randbytes(NOISE) + b"\xff" * (SAVE - NOISE)
    return made


def main() -> None:
    """Reads the command line and prints the figures."""
    parser = argparse.ArgumentParser(description="Nightly exports: what one changed save costs.")
    parser.add_argument("--size", type=int, default=500, help="of the export, in MiB unpacked noise")
    parser.add_argument("--writer", action="append", choices=list(WRITERS), help="only this one; repeat")
    asked = parser.parse_args()
    count = max(2, (asked.size << 20) // NOISE)
    print(
        f"{count:,} saves of {SAVE >> 10} KiB, half of it noise; one of them changes, all are stamped anew."
    )
    print(
        f"{'writer':24}{'zip':>12}{'1st night':>12}{'2nd night':>12}{'more than':>12}{'seconds':>16}"
        f"{'back':>8}"
    )
    print(f"{'':24}{'bytes':>12}{'stored':>12}{'stored':>12}{'the save':>12}{'1st    2nd':>16}{'s':>8}")
    for name in asked.writer or WRITERS:
        with tempfile.TemporaryDirectory(prefix="handhold-benchmark-") as folder:
            measure(name, count, Path(folder))


def measure(name: str, count: int, folder: Path) -> None:
    """Two evenings of one writer."""
    world = World(folder)
    stored, seconds = [], []
    for evening in (0, 1):
        path = world.export(saves(count, evening), write=WRITERS[name], when=world.now + timedelta(minutes=1))
        world.later(hours=20)
        begun = time.perf_counter()
        result = take(
            world.archive, world.device("marten"), list(world.layouts.values()), Options(), world.clock
        )
        seconds.append(time.perf_counter() - begun)
        stored.append(result.stored_bytes)
        assert not result.odd, result.odd
    begun = time.perf_counter()
    (entry,) = world.kept(result.snapshot).values()
    with path.open("rb") as file:
        for run in world.archive.content(entry):
            assert file.read(len(run)) == run
    back = time.perf_counter() - begun
    times = f"{seconds[0]:.1f} {seconds[1]:6.1f}"
    print(
        f"{name:24}{path.stat().st_size:12,}{stored[0]:12,}{stored[1]:12,}{stored[1] - NOISE:12,}"
        f"{times:>16}{back:8.1f}",
        flush=True,
    )


if __name__ == "__main__":
    main()
