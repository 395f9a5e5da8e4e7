"""A nightly export costs what changed in it, though its writer stamps every member anew."""

from __future__ import annotations

import hashlib
import random
from pathlib import Path

import pytest

from handhold.archive.verify import verify
from handhold.keeping import may_be_export
from handhold.model import Entry, HomeKind, Part
from tests.archive.fixtures import finish
from tests.exports.world import World
from tests.exports.writers import WRITERS

#: What an unchanged member may cost a night (bytes): its name in a recipe, its header, its line in the list.
A_MEMBER = 130
SAVE = 65_536


def saves(count: int, changed: int | None = None) -> dict[str, bytes]:
    """Saves that cannot be compressed, so that what is stored can be told from what is packed."""
    made = {}
    for number in range(count):
        seed = 1000 if number == changed else number
        made[f"saves/Game {number:03}.sav"] = random.Random(seed).randbytes(SAVE)
    return made


@pytest.mark.parametrize("name", WRITERS)
def test_one_changed_save(name: str, tmp_path: Path) -> None:
    world = World(tmp_path)
    count = 60  # 4 MiB
    world.export(saves(count), write=WRITERS[name])
    first = world.take()
    assert first.stored_bytes > count * SAVE
    world.later(hours=23)
    path = world.export(saves(count, changed=7), write=WRITERS[name])
    second = world.take()
    (entry,) = world.kept(second.snapshot).values()
    assert world.back(entry) == path.read_bytes()
    assert entry.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert SAVE < second.stored_bytes < SAVE * 1.05 + count * A_MEMBER + 4096
    assert len([m for m in world.archive.members(entry) if not m.is_folder]) == count
    assert verify(world.archive.storage, True).ok


def test_a_small_export_gains_too(tmp_path: Path) -> None:
    world = World(tmp_path)
    small = {f"saves/{n}.sav": random.Random(n).randbytes(8192) for n in range(20)}
    path = world.export(small)
    assert path.stat().st_size < 1 << 20
    world.take()
    world.later(hours=23)
    small["saves/3.sav"] = random.Random(1000).randbytes(8192)
    path = world.export(small)
    result = world.take()
    (entry,) = world.kept(result.snapshot).values()
    assert world.back(entry) == path.read_bytes()
    assert 8192 < result.stored_bytes < 8192 + 20 * A_MEMBER + 4096


def test_a_large_member_is_cut_within(tmp_path: Path) -> None:
    """A memory card of 8 MiB, stored as it is, of which a few bytes changed."""
    world = World(tmp_path)
    card = bytearray(random.Random(1).randbytes(8 << 20))
    world.export({"card 1.card": bytes(card)}, write=WRITERS["python stored"])
    world.take()
    world.later(hours=23)
    card[4_000_000:4_000_100] = b"x" * 100
    path = world.export({"card 1.card": bytes(card)}, write=WRITERS["python stored"])
    result = world.take()
    (entry,) = world.kept(result.snapshot).values()
    assert world.back(entry) == path.read_bytes()
    assert result.stored_bytes < 512 << 10


def test_an_unchanged_export_is_not_read_again(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.export(saves(20))
    first = world.kept(world.take().snapshot)
    second = world.take()
    assert world.kept(second.snapshot) == first
    assert second.new_files == 0


def test_a_hurt_list_costs_no_file(tmp_path: Path) -> None:
    """What lies in a zip can be had from the zip, so nothing but the list is lost."""
    world = World(tmp_path)
    world.export(saves(3))
    with world.archive.locked("test"), world.archive.writer() as writer:
        data = writer.put_plain(b"some bytes")
        broken = writer.put_plain(b"no list of members\n")
        hurt = Entry("hatbox", Part.SAVES, "export", "x.zip", 10, 0, data, members=broken)
        finish(writer, [hurt])
    report = verify(world.archive.storage, False)
    assert not report.ok
    assert [damage.affects for damage in report.damage] == [()]
    assert "x.zip" in report.damage[0].what
    assert len(report.whole) == 1


def test_a_file_in_another_home_is_opened_by_its_ending_only(tmp_path: Path) -> None:
    """Many files are zips by another name (common practice, no source); only exports are looked into so."""
    assert may_be_export("a/b.ZIP", HomeKind.FOLDER)
    assert not may_be_export("a/b.theme", HomeKind.FOLDER)
    assert may_be_export("a/b.backup", HomeKind.EXPORT)
    world = World(tmp_path)
    world.export(saves(3), name="all.backup")
    (entry,) = world.kept(world.take().snapshot).values()
    assert len(world.archive.members(entry)) == 3
