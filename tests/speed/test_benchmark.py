"""The benchmark of the speeds stays alive: the smallest size of each, once."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.speed import __main__ as speed
from tests.benchmarks.speed import corpora
from tests.benchmarks.speed.bench import Bench


def test_smallest_size_of_each_in_one_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In one run, as the table is made: what one leaves behind must not hinder the next."""
    speed.main(["--work", str(tmp_path), "--size", "small", "--rounds", "1", "--no-cold"])
    told = capsys.readouterr()
    rows = [line for line in told.out.splitlines() if line.startswith("| ")]
    assert len(rows) > 30, rows
    assert [line.split(":")[0] for line in told.err.splitlines() if line.endswith(" s in all")] == list(
        speed.BENCHMARKS
    )
    assert list(tmp_path.iterdir()) == []


def test_what_was_measured_is_told_where_one_of_them_fails(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(bench: Bench) -> None:
        raise OSError("no room")

    monkeypatch.setitem(speed.BENCHMARKS, "packed", fails)
    where = ["--work", str(tmp_path), "--size", "small", "--rounds", "1", "--no-cold"]
    with pytest.raises(OSError, match="no room"):
        speed.main([*where, "--only", "start", "--only", "packed"])
    assert "| start-up" in capsys.readouterr().out


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
