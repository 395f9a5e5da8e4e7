"""The floor of a quiet night does what it says: it finds each file that is not as it was."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.storage import LocalStorage
from handhold.device.volumes import open_device
from handhold.snapshot import Options, take
from tests.benchmarks.speed.nights import BARE_QUIET
from tests.device.trees import layout


def told(tmp_path: Path, *more: Path) -> str:
    line = [
        sys.executable,
        str(BARE_QUIET),
        str(tmp_path / "device"),
        str(tmp_path / "archive"),
        *map(str, more),
    ]
    return subprocess.run(line, check=True, capture_output=True, text=True).stdout.strip()


def saves(tmp_path: Path) -> list[Path]:
    folder = tmp_path / "device/Tinplate/saves"
    paths = [folder / str(number % 40) / f"Game {number}.sav" for number in range(1000)]
    for path in paths:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(path.name.encode())
    return paths


def kept(tmp_path: Path) -> Archive:
    def clock() -> datetime:
        return datetime(2031, 4, 5, tzinfo=UTC)

    storage = LocalStorage(str(tmp_path / "archive"))
    archive = Archive.open(storage) if (tmp_path / "archive").exists() else Archive.create(storage, clock)
    device = open_device("lamp", {"internal": str(tmp_path / "device")})
    take(archive, device, [layout("tinplate", {"main": "*:Tinplate"}, "saves: saves/**")], Options(), clock)
    return archive


def test_all_that_is_not_as_it_was_is_found(tmp_path: Path) -> None:
    paths = saves(tmp_path)
    kept(tmp_path)
    assert told(tmp_path) == "1000 of 1000 files are as they were, 0 are not or are gone"
    paths[0].write_bytes(b"longer than it was")
    os.utime(paths[1], ns=(0, paths[1].stat().st_mtime_ns + 1))
    paths[2].unlink()
    paths[3].rename(paths[3].with_name("other"))
    paths[3].with_name("new").write_bytes(b"new")
    assert told(tmp_path) == "996 of 1000 files are as they were, 4 are not or are gone"


def test_a_busy_night_writes_what_changed_and_its_lists(tmp_path: Path) -> None:
    """The lists are the very ones that handhold makes."""
    paths = saves(tmp_path)
    before = kept(tmp_path)
    pages = {page.id for page in before.read(before.snapshots()[-1]).pages}
    for path in paths[:20]:
        path.write_bytes(path.name.encode() * 2)
    assert told(tmp_path, tmp_path / "written").startswith("980 of 1000 files")
    written = (tmp_path / "written").read_bytes()
    after = kept(tmp_path)
    new = {page.id for page in after.read(after.snapshots()[-1]).pages} - pages
    assert new and all(bytes.fromhex(one) in written for one in new)
    assert all(hashlib.sha256(path.read_bytes()).digest() in written for path in paths[:20])


@pytest.mark.parametrize("how", ["hurt", "gone"])
def test_a_list_that_is_hurt_or_gone_is_told(tmp_path: Path, how: str) -> None:
    saves(tmp_path)
    kept(tmp_path)
    (bundle,) = (tmp_path / "archive/bundles").rglob("*.bundle")
    data = bytearray(bundle.read_bytes())
    # Source: FORMAT.md, "Bundles": a row has the block's name, its offset, its sizes as stored and in plain.
    end = len(data) - 24
    length = int.from_bytes(data[end + 8 : end + 12], "little")
    rows = range(end - length, end, 56)
    largest = max(rows, key=lambda at: int.from_bytes(data[at + 40 : at + 44], "little"))  # a list
    offset, stored = (int.from_bytes(data[at : at + 4], "little") for at in (largest + 32, largest + 36))
    if how == "hurt":
        data[offset + 64 + stored // 2] ^= 0xFF
    else:
        data[largest] ^= 1
    bundle.write_bytes(data)
    with pytest.raises(subprocess.CalledProcessError):
        told(tmp_path)
