"""The floor of a restore does what it says: what comes back is what there was."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.benchmarks.speed import bare_restore
from tests.restore.world import World


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    for number in range(30):
        world.put("plover", f"saves/deep/{number}.sav", os.urandom(3000 + number))
    world.put("plover", "states/large.st1", os.urandom(3 << 20) + bytes(1 << 20))
    world.put("plover", "saves/empty.sav", b"")
    world.night("plover")
    return world


def bring(world: World, folder: Path) -> subprocess.CompletedProcess[str]:
    folder.mkdir()
    command = (sys.executable, bare_restore.__file__, str(world.root / "archive"), str(folder))
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_what_comes_back_is_what_there_was(world: World, tmp_path: Path) -> None:
    back = tmp_path / "back"
    told = bring(world, back)
    assert (told.returncode, told.stdout) == (0, "32\n"), told.stderr
    kept = world.card("plover") / "Tinplate"
    assert subprocess.run(["diff", "-r", kept, back], check=False).returncode == 0
    for path in kept.rglob("*.sav"):
        assert (back / path.relative_to(kept)).stat().st_mtime_ns == path.stat().st_mtime_ns


def test_a_hurt_block_is_noticed(world: World, tmp_path: Path) -> None:
    (bundle,) = (world.root / "archive/bundles").rglob("*.bundle")
    data = bytearray(bundle.read_bytes())
    data[2000] ^= 1  # within the first save
    bundle.write_bytes(data)
    assert bring(world, tmp_path / "back").returncode != 0
