"""What a walk with recognition costs: 100,000 files that no layout names, against a bare pass over them.

python -m tests.benchmarks.walking
"""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Callable

from handhold.device.recognising import Recognition
from handhold.device.volumes import open_device
from handhold.device.walk import walk
from tests.benchmarks.recognition import SHARES, plain_walk


def main() -> None:
    """Builds the files, walks over them by turns, and prints the best of five each."""
    with tempfile.TemporaryDirectory() as top:
        files = build(top)
        device = open_device("lamp", {"internal": top})
        ways: dict[str, Callable[[], object]] = {
            "folders listed, files looked at": lambda: plain_walk(top),
            "walk": lambda: walk(device, ()),
            "walk with recognition": lambda: walk(device, (), recognise=True),
        }
        best = dict.fromkeys(ways, float("inf"))
        for _ in range(5):  # by turns, so that whatever else runs meets all of them
            for name, run in ways.items():
                start = time.process_time()
                run()
                best[name] = min(best[name], time.process_time() - start)
        opened = opens(device)
    print(f"{files:,} files, none of them named by a layout; {opened:,} opened")
    plain = best["walk"]
    for name, seconds in best.items():
        print(f"  {name:32} {seconds:6.2f} s   {seconds / plain:5.2f} times the walk")
    print(f"  recognition alone costs {(best['walk with recognition'] - plain) / plain:.2f} times the walk")


def opens(device: object) -> int:
    """How many files one walk opens."""
    count = 0
    original = Recognition._head

    def counted(self: Recognition, place: str, *, silent: bool = True) -> bytes:
        nonlocal count
        count += 1
        return original(self, place, silent=silent)

    Recognition._head = counted  # type: ignore[method-assign]
    try:
        walk(device, (), recognise=True)  # type: ignore[arg-type]
    finally:
        Recognition._head = original  # type: ignore[method-assign]
    return count


def build(top: str) -> int:
    """The files; how many there are."""
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
    return files


if __name__ == "__main__":
    main()
