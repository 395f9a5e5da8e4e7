"""The floor of a first night does what it says: nothing that a night has to do is left out of it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.benchmarks.speed.nights import BARE_NIGHT


def test_all_that_lies_there_is_packed(tmp_path: Path) -> None:
    device, out = tmp_path / "device", tmp_path / "out"
    (device / "saves").mkdir(parents=True)
    words = b"moor heron lantern "
    saves = {f"saves/{number}": b"%d %s" % (number, words * number) for number in range(200)}
    saves["large"] = b"".join(b"%07d" % number for number in range(600_000))
    for name, data in saves.items():
        (device / name).write_bytes(data)
    subprocess.run([sys.executable, str(BARE_NIGHT), str(device), str(out)], check=True)
    # Source: RFC 8878, section 3: frames one behind the other are the contents one behind the other.
    plain = subprocess.run(["zstd", "-q", "-d", "-c", str(out)], check=True, capture_output=True).stdout
    assert len(plain) == sum(map(len, saves.values()))
    assert all(data in plain for name, data in saves.items() if name != "large")
    pieces = [saves["large"][at : at + 700] for at in range(0, 4_200_000, 700)]
    assert sum(piece in plain for piece in pieces) > len(pieces) * 0.8  # but for those at its cuts
