"""How well recognition tells parts apart, and what it costs.

python -m tests.benchmarks.recognition                 precision and recall for both sets of the corpus
python -m tests.benchmarks.recognition --misses        and each file that was taken for something else
python -m tests.benchmarks.recognition --cost          and 100,000 files against the plain walk
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections import Counter
from collections.abc import Iterable

from handhold.layouts.recognition.recognise import HEAD, Seen, Surroundings, look_around, recognise
from handhold.model import Part
from tests.recognition.trees import Found, build, files_of, looked_over, read_trees

KEPT = (Part.SAVES, Part.STATES)


def main() -> None:
    """Reads the command line and prints."""
    parser = argparse.ArgumentParser(description="Recognition: precision, recall, cost.")
    parser.add_argument("--misses", action="store_true", help="show each file taken for something else")
    parser.add_argument("--cost", action="store_true", help="100,000 files against the plain walk")
    asked = parser.parse_args()
    for which in ("seen", "unseen"):
        trees = [tree for tree in read_trees() if tree.set == which]
        found = [(tree.name, f) for tree in trees for f in looked_over(build(files_of(tree)))]
        print(f"\n{which}: {len(trees)} trees, {len(found)} files")
        table([f for _, f in found])
        if asked.misses:
            for name, f in found:
                if f.part != f.expected.part:
                    print(f"  {name}: {f.expected.path}: {f.expected.part} taken for {f.part}: {f.looks}")
    if asked.cost:
        cost()


def table(found: Iterable[Found]) -> None:
    """Prints precision and recall by part, and the targets."""
    pairs = Counter((f.expected.part, f.part) for f in found)
    total = sum(pairs.values())
    print(f"  {'part':10} {'files':>6} {'precision':>10} {'recall':>7}")
    for part in (*Part, None):
        right = pairs[part, part]
        expected = sum(n for (e, _), n in pairs.items() if e is part)
        taken = sum(n for (_, t), n in pairs.items() if t is part)
        if expected or taken:
            precision = f"{right / taken:10.1%}" if taken else f"{'-':>10}"
            recall = f"{right / expected:7.1%}" if expected else f"{'-':>7}"
            print(f"  {part or 'none':10} {expected:6} {precision} {recall}")
    missed = sum(n for (e, t), n in pairs.items() if e in KEPT and t not in KEPT)
    games = sum(n for (e, t), n in pairs.items() if e is Part.GAMES and t in KEPT)
    right = sum(n for (e, t), n in pairs.items() if e is t)
    print(
        f"  saves and states missed: {missed}; games kept: {games}; parts right: {right / max(total, 1):.1%}"
    )


if __name__ == "__main__":
    main()
