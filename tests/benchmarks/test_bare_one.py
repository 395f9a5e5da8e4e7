"""The floor of one game's return does what it says: its file comes back, and no list is believed unseen."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
import zstandard

from tests.benchmarks.speed import bareone
from tests.restore.world import World

#: Of 700 files: there are several lists, of which each process has one at least.
_FIRST, _LAST = "game 000", "game 699"


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    for number in range(700):
        world.put("plover", f"saves/game {number:03}.sav", os.urandom(20) + bytes(number))
    world.night("plover")
    return world


def bring(world: World, game: str, folder: Path) -> subprocess.CompletedProcess[str]:
    command = (sys.executable, bareone.__file__, str(world.root / "archive"), game, str(folder))
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("game", [_FIRST, "game 350", _LAST])
def test_what_comes_back_is_what_there_was(world: World, tmp_path: Path, game: str) -> None:
    told = bring(world, game, tmp_path / "back")
    assert told.returncode == 0, told.stderr
    (found,) = [path for path in (tmp_path / "back").rglob("*") if path.is_file()]
    assert found.read_bytes() == (world.card("plover") / f"Tinplate/saves/{game}.sav").read_bytes()


@pytest.mark.parametrize(("game", "hurt"), [(_FIRST, _LAST), (_LAST, _FIRST)])
def test_a_hurt_list_is_noticed_whoever_reads_it(world: World, tmp_path: Path, game: str, hurt: str) -> None:
    """Its frame still unpacks, to other text: the digest alone tells."""
    (bundle,) = (world.root / "archive/bundles").rglob("*.bundle")
    data = bytearray(bundle.read_bytes())
    frames = [at for at in range(len(data)) if data.startswith(b"\x28\xb5\x2f\xfd", at)]  # RFC 8878, 3.1.1
    for at in frames:
        try:
            plain = zstandard.ZstdDecompressor().decompressobj().decompress(data[at:])
        except zstandard.ZstdError:
            continue
        if f"{hurt}.sav".encode() in plain:
            break
    else:
        raise AssertionError("no list has it")
    end = data.index(b"HHR1", at) if b"HHR1" in data[at:] else len(data)
    for place in range(at + 10, end):
        changed = bytearray(data[at:end])
        changed[place - at] ^= 1
        try:
            other = zstandard.ZstdDecompressor().decompressobj().decompress(changed)
        except zstandard.ZstdError:
            continue
        if len(other) == len(plain) and other != plain and f'"game":"{game}"'.encode() not in other:
            data[place] ^= 1
            break
    bundle.write_bytes(data)
    assert bring(world, game, tmp_path / "back").returncode != 0
