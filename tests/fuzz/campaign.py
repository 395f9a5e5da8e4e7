"""The long campaign: so many inputs for all readers together, guided by coverage, none unhandled.

``python -m tests.fuzz.campaign --inputs 1000000 [READER...] [--keep]``. Prints a line for each reader and the
sum. ``--keep`` puts the shortest inputs that add coverage into ``tests/fuzz/corpus``, where
``tests/fuzz/test_kept.py`` replays them. An input that was not handled is kept as ``found-...`` in the
current folder, and the status is 1.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import re
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
#: No longer inputs are tried (bytes); of those that add coverage no more are kept for each reader.
LONGEST_INPUT, MOST_KEPT, MOST_KEPT_BYTES = 6000, 60, 10_000


def kept(name: str) -> list[bytes]:
    """The inputs that are kept for a reader: a file for each, every line one of them in base 64."""
    path = CORPUS / f"{name}.txt"
    return [base64.b64decode(line) for line in path.read_bytes().splitlines()] if path.exists() else []


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
            _keep(name, [path.read_bytes() for path in grown.iterdir()])
    total = int(ran[1]) if ran else taken + refused
    return total, taken, int(done.returncode != 0 or ran is None), time.monotonic() - begun


def _keep(name: str, found: list[bytes]) -> None:
    """Keeps the shortest inputs that added coverage, those of earlier campaigns first."""
    chosen: dict[bytes, None] = {}
    for data in (*kept(name), *sorted(found, key=lambda data: (len(data), data))):
        if len(chosen) < MOST_KEPT and sum(map(len, chosen)) + len(data) <= MOST_KEPT_BYTES:
            chosen[data] = None
    CORPUS.mkdir(exist_ok=True)
    lines = sorted(base64.b64encode(data) for data in chosen)
    (CORPUS / f"{name}.txt").write_bytes(b"".join(line + b"\n" for line in lines))


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
