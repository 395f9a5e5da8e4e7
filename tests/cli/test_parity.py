"""``setup --parity``: from then on every run, of every device, writes the parity of what it commits."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

from handhold.archive.parity.sheet import parity_file
from tests.cli.world import World


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    world.furnish()
    return world


def bare(world: World) -> set[str]:
    """The files of the archive that have no parity."""
    files = {str(path.relative_to(world.archive)) for path in world.archive.rglob("*") if path.is_file()}
    own = {file for file in files if not file.startswith((".lock", "parity/"))}
    return {file for file in own if parity_file(file) not in files}


def test_every_later_snapshot_writes_parity(world: World) -> None:
    done = world.setup("plover", "--parity")
    assert done.status == 0 and "kept with parity" in done.out
    assert not bare(world)
    for _ in range(2):
        assert world.run("snapshot").status == 0
        assert not bare(world)
        world.next_evening()
    found = world.run("verify", "--deep")
    assert found.status == 0 and "whole" in found.out and "parity" not in found.out


def test_without_it_there_is_no_parity(world: World) -> None:
    assert world.setup().status == 0
    assert world.run("snapshot").status == 0
    assert not (world.archive / "parity").exists()
    again = world.setup("plover", "--parity", "--yes")
    assert again.status == 0 and "mend --add-parity" in again.out
    world.next_evening()
    found = world.run("verify")
    assert found.status == 0 and "without parity yet" in " ".join(found.out.split())


def test_without_the_library_setup_says_how_to_get_it(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "zfec", None)
    done = world.setup("plover", "--parity")
    assert done.status == 1 and "pip install 'handhold[parity]'" in done.err
    assert not world.archive.exists()


def test_a_night_without_the_library_is_kept_and_told(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    assert world.setup("plover", "--parity").status == 0
    world.write(world.internal / "Tinplate/saves/Salt Road.sav", random.Random(1).randbytes(9000))
    monkeypatch.setitem(sys.modules, "zfec", None)
    done = world.run("snapshot")
    assert done.status == 0
    assert "without its parity" in " ".join(done.err.split()) and "handhold[parity]" in done.err
    assert bare(world)
    assert world.run("verify").status == 0


def test_what_thin_lets_go_loses_its_parity_and_what_it_writes_has_its_own(world: World) -> None:
    assert world.setup("plover", "--parity").status == 0
    for evening in range(4):
        world.write(world.internal / "Tinplate/saves/Salt Road.sav", random.Random(evening).randbytes(9000))
        assert world.run("snapshot").status == 0
        world.next_evening()
    assert world.run("thin", "--nights", "1", "--yes").status == 0
    assert not bare(world)
    found = world.run("verify")
    assert found.status == 0 and "parity" not in found.out


def test_a_mirror_of_an_archive_with_parity_has_its_own(world: World) -> None:
    assert world.setup("plover", "--parity").status == 0
    other = world.folder / "second"
    other.mkdir()
    for evening in range(2):
        world.write(world.internal / "Tinplate/saves/Salt Road.sav", random.Random(evening).randbytes(9000))
        assert world.run("snapshot").status == 0
        world.next_evening()
        assert world.run("mirror", str(other)).status == 0
        world.archive, first = other, world.archive
        assert not bare(world)
        world.archive = first
