"""The main job on real cards: the handheld on one file system, the archive on the other.

Source: Microsoft exFAT file system specification, section 7.4 (times in steps of 10 ms)
Source: Microsoft FAT specification, section 3.6 (write time in steps of 2 seconds, local time)
"""

from __future__ import annotations

import errno
import os
import subprocess
from pathlib import Path

import pytest

from tests.cli.world import World

pytestmark = pytest.mark.volumes


def furnished(base: Path, safe: Path, tmp_path: Path, *, ascii_only: bool) -> World:
    """A world whose volumes lie on one card and whose archive lies on another."""
    world = World(tmp_path)
    world.internal, world.card = base / "internal", base / "card"
    world.archive = safe / "archive"
    for path in (world.internal, world.card):
        path.mkdir()
    world.furnish_portable(ascii_only=ascii_only)
    return world


@pytest.mark.parametrize("way", ["exfat to fat", "fat to exfat"])
def test_the_main_job_on_real_cards(way: str, exfat: Path, fat: Path, tmp_path: Path) -> None:
    base, safe = (exfat, fat) if way == "exfat to fat" else (fat, exfat)
    # the FUSE driver of FAT takes ASCII names only (seen here)
    world = furnished(base, safe, tmp_path, ascii_only=base == fat)
    assert world.setup().status == 0
    survey = world.run("survey", "--json").document
    assert all(v["filesystem"].endswith("exfat" if base == exfat else "fat") for v in survey["volumes"])
    first = world.run("snapshot", "--json")
    assert (first.status, first.document["files"], first.document["gaps"]) == (0, 6, [])
    world.next_evening()
    assert world.run("snapshot", "--json").document["new_files"] == 0
    assert world.run("verify", "--deep").status == 0

    save = world.internal / "Tinplate/saves/Mole Hollow.sav"
    kept = {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in world.internal.rglob("*.sav")}
    for path in kept:
        path.unlink()
    said = world.run("restore", "latest", "--yes")
    assert said.status == 0, said.text
    # the FUSE driver of exFAT keeps whole seconds, although the format has room for 10 ms (seen here)
    step = 1_000_000_000 if base == exfat else 2_000_000_000
    for path, (data, modified) in kept.items():
        assert path.read_bytes() == data
        assert abs(path.stat().st_mtime_ns - modified) <= step

    save.unlink()  # the FUSE driver of FAT does not cut a file that is overwritten (seen here)
    world.write(save, b"newest progress", 0)
    said = world.run("restore", "latest", "--yes")
    assert said.status == 3, said.text
    assert save.read_bytes() == b"newest progress"

    new = tmp_path / "new"
    new.mkdir()
    assert (
        world.run("restore", "latest", "--to", f"internal={new}", "--emulator", "tinplate", "--yes").status
        == 0
    )
    restored = {str(p.relative_to(new)): p.read_bytes() for p in new.rglob("*") if p.is_file()}
    assert restored["Tinplate/saves/Mole Hollow.sav"] == kept[save][0]
    leftovers = [p.name for card in (base, safe) for p in card.rglob("*") if p.name.endswith(".part")]
    assert leftovers == []


def test_names_that_a_card_cannot_hold_are_named_before_anything_is_written(
    fat: Path, tmp_path: Path
) -> None:
    world = World(tmp_path)
    world.furnish()
    world.write(world.internal / "Tinplate/saves/What: a Day?.sav", b"colon")
    assert world.setup().status == 0
    assert world.run("snapshot").status == 0
    said = world.run("restore", "latest", "--to", f"internal={fat}", "--dry-run", "--json")
    blocked = [s for s in said.document["steps"] if s["decision"] == "blocked"]
    assert "What: a Day?" in {s["game"] for s in blocked}
    assert all(s["why"] for s in blocked)
    assert list(fat.iterdir()) == []


def test_a_full_card_ends_in_words_and_the_archive_stays_whole(exfat: Path, tmp_path: Path) -> None:
    # not on FAT: its FUSE driver says EPERM when it is full (seen here)
    card = exfat
    world = World(tmp_path)
    world.furnish()
    world.archive = card / "archive"
    assert world.setup().status == 0
    assert world.run("snapshot").status == 0
    filler = card / "filler.bin"
    fill(filler, leave=1 << 20)
    world.next_evening()
    for number in range(8):
        world.write(world.internal / f"Tinplate/states/Full {number}.st1", os.urandom(900_000))
    said = world.run("snapshot")
    assert said.status == 1, said.text
    assert "no room" in said.err
    assert "Traceback" not in said.text
    filler.unlink()
    assert world.run("verify", "--deep").status == 0
    assert world.run("snapshot").status == 0
    assert world.run("verify", "--deep").status == 0
    assert [p.name for p in card.rglob("*.part")] == []


def fill(filler: Path, leave: int) -> None:
    """Fills the card the file lies on, up to so many bytes."""
    piece = b"\xa5" * (1 << 20)
    written = 0
    with open(filler, "wb", buffering=0) as file:
        try:
            while True:
                written += file.write(piece)
        except OSError as error:
            assert error.errno == errno.ENOSPC
    os.truncate(filler, max(0, written - leave))


def test_the_zstd_program_reads_what_lies_on_the_card(exfat: Path, tmp_path: Path) -> None:
    """The manifest on a real card is JSON Lines for the ``zstd`` program."""
    world = World(tmp_path)
    world.furnish()
    world.archive = exfat / "archive"
    assert world.setup().status == 0
    assert world.run("snapshot").status == 0
    manifest = next((exfat / "archive" / "manifests").iterdir())
    printed = subprocess.run(["zstd", "-dc", manifest], capture_output=True, check=True).stdout
    assert printed.count(b"\n") >= 3
