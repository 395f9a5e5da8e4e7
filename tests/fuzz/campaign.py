"""The long campaign: so many inputs for all readers together, guided by coverage, none unhandled.

``python -m tests.fuzz.campaign --inputs 1000000 [READER...] [--keep]``. Prints a line for each reader and the
sum. ``--keep`` puts the smallest set of inputs with the same coverage into ``tests/fuzz/corpus``, where
``tests/fuzz/test_kept.py`` replays them. An input that was not handled is kept as ``found-...`` in the
current folder, and the status is 1.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.fuzz.readers import READERS
from tests.fuzz.seeds import seeds

CORPUS = Path(__file__).with_name("corpus")
#: An input may take no longer (seconds), nor the process more memory (MiB).
LONGEST, MOST_MEMORY = 10, 900
#: No longer inputs are tried (bytes), and of the kept ones no more are kept for each reader.
LONGEST_INPUT, MOST_KEPT_BYTES = 6000, 24_000


def kept(name: str) -> list[bytes]:
    """The inputs that are kept for a reader."""
    return [path.read_bytes() for path in sorted((CORPUS / name).glob("*"))]


def run(name: str, inputs: int, keep: bool) -> tuple[int, int, int, float]:
    """Inputs, how many of them were taken, those unhandled (0 or 1: the fuzzer stops there), seconds."""
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as scratch:
        grown = Path(scratch, "grown")
        given = Path(scratch, "given")
        for folder in (grown, given):
            folder.mkdir()
        for data in (*seeds()[name], *kept(name)):
            (given / hashlib.sha256(data).hexdigest()[:16]).write_bytes(data)
        limits = [f"-timeout={LONGEST}", f"-rss_limit_mb={MOST_MEMORY}", f"-max_len={LONGEST_INPUT}"]
        command = [sys.executable, "-m", "tests.fuzz.one", name]
        done = subprocess.run(
            [*command, str(grown), str(given), f"-runs={inputs}", *limits, f"-artifact_prefix=found-{name}-"],
            capture_output=True,
            text=True,
            errors="replace",
        )
        ran = re.search(r"Done (\d+) runs", done.stderr)
        counts = re.findall(r"^COUNT (\d+) (\d+)$", done.stderr, re.MULTILINE)
        taken, refused = map(int, counts[-1]) if counts else (0, 0)
        if done.returncode or ran is None:
            print(done.stderr[-3000:], file=sys.stderr)
        if keep:
            _keep(name, command, given, grown)
    total = int(ran[1]) if ran else taken + refused
    return total, taken, int(done.returncode != 0 or ran is None), time.monotonic() - begun


def _keep(name: str, command: list[str], given: Path, grown: Path) -> None:
    """The smallest inputs with all the coverage, without those that the seeds give anyway."""
    with tempfile.TemporaryDirectory() as folder:
        merged = [folder, str(given), str(grown)]
        subprocess.run([*command, "-merge=1", *merged], capture_output=True, check=False)
        shutil.rmtree(CORPUS / name, ignore_errors=True)
        (CORPUS / name).mkdir(parents=True)
        own, size = set(seeds()[name]), 0
        for path in sorted(Path(folder).iterdir(), key=os.path.getsize):
            data = path.read_bytes()
            size += len(data)
            if size > MOST_KEPT_BYTES:
                break
            if data not in own:
                (CORPUS / name / hashlib.sha256(data).hexdigest()[:16]).write_bytes(data)


def main() -> int:
    """Runs the campaign; the status is 1 if any input was not handled."""
    parser = argparse.ArgumentParser(description="Fuzzes every reader.")
    parser.add_argument("readers", nargs="*", default=[])
    parser.add_argument("--inputs", type=int, default=1_000_000, help="for all readers together")
    parser.add_argument("--keep", action="store_true", help="keep the inputs that add coverage")
    asked = parser.parse_args()
    names = asked.readers or list(READERS)
    print(f"{'reader':20}{'inputs':>10}{'taken':>10}{'unhandled':>11}{'seconds':>9}")
    sums = [0, 0, 0, 0.0]
    for name in names:
        row = run(name, -(-asked.inputs // len(names)), asked.keep)
        sums = [a + b for a, b in zip(sums, row, strict=True)]
        print(f"{name:20}{row[0]:>10,}{row[1]:>10,}{row[2]:>11}{row[3]:>9.0f}", flush=True)
    print(f"{'together':20}{sums[0]:>10,.0f}{sums[1]:>10,.0f}{sums[2]:>11.0f}{sums[3]:>9.0f}")
    return int(sums[2] > 0)


if __name__ == "__main__":
    sys.exit(main())
