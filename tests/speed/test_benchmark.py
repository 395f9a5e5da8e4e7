"""The benchmark of the speeds stays alive: the smallest size of each, once."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.speed import __main__ as speed
from tests.benchmarks.speed import corpora


@pytest.mark.parametrize("name", speed.BENCHMARKS)
def test_smallest_size(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--work", str(tmp_path), "--size", "small", "--rounds", "1", "--no-cold"]
    speed.main([*where, "--only", name])
    rows = [line for line in capsys.readouterr().out.splitlines() if line.startswith("| ")]
    assert len(rows) > 2, rows
    assert list(tmp_path.iterdir()) == []


def test_the_same_seed_gives_the_same_files(tmp_path: Path) -> None:
    size = corpora.SIZES["small"]
    for name, seed in (("one", 1), ("same", 1), ("other", 2)):
        corpora.first_night(tmp_path / name, size._replace(saves=5), seed)
    one, same, other = (
        {path.relative_to(tmp_path / name): path.read_bytes() for path in (tmp_path / name).rglob("*.sav")}
        for name in ("one", "same", "other")
    )
    assert len(one) == 5
    assert one == same != other


def test_half_of_the_bytes_can_be_compressed() -> None:
    # Of 4,096 bytes 2,048 are noise, 1,024 have four bits each, and the rest is zero: at least 2,560 remain.
    import random
    import zlib

    data = corpora.mixed(random.Random(1), 1 << 20)
    assert 2560 / 4096 <= len(zlib.compress(data, 9)) / len(data) < 0.75
