"""Prints the table of the speeds.

python -m tests.benchmarks.speed                    everything but a million files (200,000), half an hour
python -m tests.benchmarks.speed --size full        the same with a million files
python -m tests.benchmarks.speed --size small       a few seconds, to see that it still works
python -m tests.benchmarks.speed --only verify      one benchmark; repeat
python -m tests.benchmarks.speed --phone            on one core, a quarter of its time, and 512 MB of memory
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from tests.benchmarks.speed import checks, nights, phone
from tests.benchmarks.speed.bench import Bench, table
from tests.benchmarks.speed.corpora import SIZES

BENCHMARKS: dict[str, Callable[[Bench], None]] = {
    "start": checks.start_up,
    "years": checks.years,
    "quiet": nights.quiet_night,
    "one": checks.restore_one,
    "first": nights.first_night,
    "packed": nights.packed_night,
    "verify": checks.verify,
    "restore": checks.restore_everything,
    "thirty": nights.thirty_nights,
    "large": nights.large_file,
    "million": nights.many_files,
}


def main(arguments: Sequence[str] | None = None) -> None:
    """Reads the command line, measures, and prints."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.speed", description="Speeds, as ratios."
    )
    parser.add_argument("--size", choices=SIZES, default="usual")
    parser.add_argument("--only", choices=BENCHMARKS, action="append", help="one benchmark; repeat")
    parser.add_argument("--rounds", type=int, default=5, help="runs of each, of which the median counts")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--work", type=Path, help="where the files are made (a folder is made in it)")
    parser.add_argument("--no-cold", dest="cold", action="store_false", help="leave cold starts out")
    parser.add_argument("--phone", action="store_true", help="one core, a quarter of its time, 512 MB")
    asked = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(prefix="speed-", dir=asked.work) as work:
        bench = Bench(Path(work), SIZES[asked.size], asked.seed, asked.rounds, asked.cold)
        try:
            with phone.confined() if asked.phone else phone.free():
                for name in asked.only or BENCHMARKS:
                    begun = time.perf_counter()
                    BENCHMARKS[name](bench)
                    print(f"{name}: {time.perf_counter() - begun:.0f} s in all", file=sys.stderr, flush=True)
        finally:  # a run takes half an hour
            _print(bench, asked)


def _print(bench: Bench, asked: argparse.Namespace) -> None:
    """The table."""
    peaks = [row.peak for row in bench.rows if "files against" not in row.figure]
    if any(peaks):
        bench.limit(
            "peak memory but for the most files",
            f"{max(peaks) / 1e6:.0f} MB",
            "<= 150 MB",
            max(peaks) <= 150e6,
        )
    where = "one core, a quarter of its time, 512 MB" if asked.phone else f"{os.cpu_count()} cores"
    print(
        f"{asked.size} size, {asked.rounds} rounds, {where}, Linux {platform.release()}, "
        f"Python {platform.python_version()}\n\n{table(bench.rows)}"
    )


if __name__ == "__main__":
    main()
