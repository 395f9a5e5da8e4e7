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


#: What a well-filled handheld holds: folder, name, size in bytes, how many. Together 100,000 files.
SHARES = (
    ("Emulation/Tinplate/textures/{hundred}", "{n}.png", 60_000, 40_000),
    ("Mantelpiece/artwork/system {thousand}", "Game {n}.png", 90_000, 15_000),
    ("Games/system {hundred}", "Game {n}.zip", 300_000, 8_000),
    ("Games/system {hundred}", "Game {n}.bin", 400_000, 2_000),
    ("Games/system {hundred}", "Game {n}.sav", 8192, 2_000),
    ("Emulation/Tinplate/saves/core {hundred}", "Game {n}.srm", 32768, 3_000),
    ("Emulation/Tinplate/states", "Game {n}.st1", 65536, 6_000),
    ("Emulation/Tinplate/states", "Game {n}.st1.png", 9_000, 6_000),
    ("Emulation/Tinplate/config/games", "Game {n}.ini", 200, 2_000),
    ("Emulation/Tinplate/shaders", "{n}.bin", 9_000, 8_000),
    ("DCIM/Camera", "IMG_{n}.jpg", 3_000_000, 4_000),
    ("Music/album {hundred}", "{n}.mp3", 4_000_000, 2_000),
    ("Android/data/com.example.radio/files/{hundred}", "{n}.dat", 4_096, 2_000),
)


def cost() -> None:
    """Prints what recognition of 100,000 files costs against the plain walk, the best of five each."""
    with tempfile.TemporaryDirectory() as top:
        files = 0
        for folder, name, size, count in SHARES:
            for n in range(count):
                place = os.path.join(top, folder.format(hundred=n // 100, thousand=n // 1000))
                if n % 100 == 0:
                    os.makedirs(place, exist_ok=True)
                with open(os.path.join(place, name.format(n=n)), "wb") as file:
                    file.write(b"[speed]\nfast=2\n" if name.endswith(".ini") else b"\1\2\3\4" * 16)
                    file.truncate(size)
                files += 1
        plain = with_recognition = float("inf")
        opened = 0
        for _ in range(5):  # by turns, so that whatever else runs meets both
            plain = min(plain, timed(top, None))
            opens: list[str] = []
            with_recognition = min(with_recognition, timed(top, opens))
            opened = len(opens)
    only = with_recognition - plain
    print(f"\ncost of {files} files: plain walk {plain:.2f} s, with recognition {with_recognition:.2f} s")
    print(f"  recognition alone {only / plain:.2f} times the plain walk; {opened} files opened")


def timed(top: str, opens: list[str] | None) -> float:
    """Seconds of processor time of one pass, which other programs on the machine disturb least."""
    start = time.process_time()
    if opens is None:
        plain_walk(top)
    else:
        walk_and_look(top, opens)
    return time.process_time() - start


def plain_walk(top: str) -> None:
    """Every folder listed, every file's status read."""
    todo = [top]
    while todo:
        path = todo.pop()
        with os.scandir(path) as entries:
            for entry in entries:
                if entry.is_dir(follow_symlinks=False):
                    todo.append(f"{path}/{entry.name}")
                else:
                    entry.stat(follow_symlinks=False)


def walk_and_look(top: str, opens: list[str]) -> None:
    """The same, and every file looked at; notes which were opened."""
    todo = [(top, Surroundings.top())]
    while todo:
        path, above = todo.pop()
        folders: list[str] = []
        seen: list[Seen] = []
        with os.scandir(path) as entries:
            for entry in entries:
                if entry.is_dir(follow_symlinks=False):
                    folders.append(entry.name)
                else:
                    status = entry.stat(follow_symlinks=False)
                    seen.append(Seen(entry.name, status.st_size, status.st_mtime_ns))

        def head(file: Seen, path: str = path) -> bytes:
            opens.append(file.name)
            with open(os.path.join(path, file.name), "rb", buffering=0) as stream:
                return stream.read(HEAD)

        here = look_around(above, seen, folders, head)
        recognise(here, seen, folders, head)
        todo += [(f"{path}/{name}", here.into(name)) for name in folders]


if __name__ == "__main__":
    main()
