"""A newest export that is hurt: an older sound one stands in for it, and its owner is told."""

from __future__ import annotations

import hashlib
import struct
import zipfile
from pathlib import Path
from random import Random

import pytest

from handhold.model import Part
from handhold.restore.select import Selection
from tests.archive.test_healing import hurt
from tests.cli.world import World as Owner
from tests.exports.test_command_line import export
from tests.exports.test_command_line import world as owner_with_exports
from tests.exports.world import World
from tests.exports.writers import sound
from tests.restore.world import EVENING, tree

owner = owner_with_exports
OLD = {name: Random(2).randbytes(5000) for name in ("saves/Lamplighter.sav", "states/Lamplighter.st1")}
NEW = {name: Random(3).randbytes(5000) for name in OLD}
GAME = Selection(games=("Lamplighter",))


@pytest.fixture
def world(tmp_path: Path) -> World:
    made = World(tmp_path)
    made.export(OLD, "a monday.zip")
    made.later(days=1)
    return made


def names(path: Path) -> dict[str, bytes]:
    assert sound(path)
    with zipfile.ZipFile(path) as zip_:
        return {name: zip_.read(name) for name in zip_.namelist()}


def stored(path: Path, member: str) -> bytes:
    """The bytes of a member as they lie in the zip."""
    with zipfile.ZipFile(path) as zip_:
        info = zip_.getinfo(member)
    data = path.read_bytes()
    name, extra = struct.unpack("<HH", data[info.header_offset + 26 : info.header_offset + 30])
    at = info.header_offset + 30 + name + extra
    return data[at : at + info.compress_size]


@pytest.mark.parametrize("selection", [GAME, Selection(parts=(Part.STATES,))])
def test_a_newest_zip_that_was_cut_off(selection: Selection, world: World) -> None:
    path = world.export(NEW, "b tuesday.zip")
    world.file(path.read_bytes()[:-30], "b tuesday.zip")
    snapshot = world.take().snapshot
    prepared = world.planned(snapshot, selection)
    (step,) = prepared.plan.writes
    assert step.path.startswith("a monday (only")
    (told,) = prepared.told
    assert "b tuesday.zip (hatbox) is newer but is not a sound zip" in told
    assert "a monday.zip of 2026-11-24 is used" in told


def test_one_that_is_older_than_what_is_used_is_not_told(world: World) -> None:
    world.file(b"PK\3\4 cut off", "a monday.zip")
    world.later(days=1)
    world.export(NEW, "b tuesday.zip")
    assert world.planned(world.take().snapshot, GAME).told == ()


def test_a_member_that_is_hurt_comes_from_the_older_one(world: World) -> None:
    path = world.export(NEW, "b tuesday.zip")
    data = bytearray(path.read_bytes())
    lies = stored(path, "saves/Lamplighter.sav")
    data[data.index(lies) + len(lies) // 2] ^= 0x10
    world.file(data, "b tuesday.zip")
    snapshot = world.take().snapshot
    applied = world.brought(snapshot, GAME)
    new, old = sorted(applied.plan.writes, key=lambda step: step.path, reverse=True)
    assert names(world.exports() / new.path) == {"states/Lamplighter.st1": NEW["states/Lamplighter.st1"]}
    assert names(world.exports() / old.path) == {"saves/Lamplighter.sav": OLD["saves/Lamplighter.sav"]}
    (left,) = applied.plan.left
    assert left.entry.path == "b tuesday.zip/saves/Lamplighter.sav"
    assert "the one in a monday.zip is taken in its place" in left.why
    world.undo("marten")
    world.brought(snapshot, GAME, unpack=True)
    found = tree(world.exports())
    assert found["a monday/saves/Lamplighter.sav"] == OLD["saves/Lamplighter.sav"]
    assert found["b tuesday/states/Lamplighter.st1"] == NEW["states/Lamplighter.st1"]
    assert "b tuesday/saves/Lamplighter.sav" not in found


def test_a_zip_that_the_archive_cannot_give_back(world: World) -> None:
    path = world.export(NEW, "b tuesday.zip")
    snapshot = world.take().snapshot
    hurt(world.archive, hashlib.sha256(path.read_bytes()).digest())  # a small zip is one block
    world.reopened()
    prepared = world.planned(snapshot, GAME)
    (step,) = prepared.plan.writes
    assert step.path.startswith("a monday (only")
    (left,) = prepared.plan.left
    assert (left.entry.path, left.damage) == ("b tuesday.zip", True)
    assert "b tuesday.zip (hatbox) is newer but cannot be read from the archive any more" in prepared.told[0]


def test_a_list_of_members_that_cannot_be_read_is_told(world: World) -> None:
    world.export(NEW | {"saves/More.sav": b"x"}, "b tuesday.zip")
    snapshot = world.take().snapshot
    entry = world.kept(snapshot)["b tuesday.zip"]
    assert entry.members is not None
    hurt(world.archive, bytes.fromhex(entry.members))
    world.reopened()
    prepared = world.planned(snapshot, GAME)
    assert prepared.hurt_lists
    assert any("what lies in it is not known" in one for one in prepared.told)
    assert [step.path.partition(" (")[0] for step in prepared.plan.writes] == ["a monday"]


def test_a_part_is_only_that_part(world: World) -> None:
    snapshot = world.take().snapshot
    only = Selection(parts=(Part.SAVES,))
    (step,) = world.brought(snapshot, only).plan.writes
    assert names(world.exports() / step.path) == {"saves/Lamplighter.sav": OLD["saves/Lamplighter.sav"]}
    world.undo("marten")
    world.brought(snapshot, only, unpack=True)
    assert set(tree(world.exports())) == {"a monday.zip", "a monday/saves/Lamplighter.sav"}


def test_a_zip_that_a_restore_put_there_is_no_export_of_everything(world: World) -> None:
    world.export(OLD | {"saves/Eleven Bells.sav": b"bells" * 500}, "b tuesday.zip")
    first = world.take().snapshot
    (made,) = world.brought(first, GAME).plan.writes
    (world.exports() / "b tuesday.zip").unlink()
    world.export({"saves/Eleven Bells.sav": b"bells" * 500, **OLD}, "a monday.zip", when=EVENING)
    world.stamped(world.exports() / made.path)  # as if it were the newest
    second = world.take().snapshot
    (step,) = world.planned(second, Selection(parts=(Part.SAVES,))).plan.writes
    assert step.path.startswith("a monday (only Eleven Bells and 1 more")


def test_steps_by_hand_fit_what_was_written(world: World) -> None:
    snapshot = world.take().snapshot
    (world.exports() / "a monday.zip").unlink()
    import_it = "choose the newest zip in its export folder"

    def after(selection: Selection, unpack: bool = False) -> str:
        return " ".join(one.what for one in world.planned(snapshot, selection, unpack).by_hand)

    assert import_it in after(Selection())
    assert "Map the buttons" not in after(Selection())  # it is the same device
    smaller = after(GAME)
    assert import_it not in smaller
    assert "The zip to import is" in smaller
    unpacked = after(Selection(), unpack=True)
    assert import_it not in unpacked
    assert 'in the folder "a monday" now' in unpacked
    assert "No import reads it there" in unpacked


def test_a_zip_that_was_cut_off_does_not_push_a_sound_one_out(world: World) -> None:
    path = world.export(NEW, "b tuesday.zip")
    world.file(path.read_bytes()[:-30], "b tuesday.zip")
    for _ in range(2):  # the second night reads nothing anew
        result = world.take(newest=1)
        assert set(world.kept(result.snapshot)) == {"a monday.zip", "b tuesday.zip"}
    world.later(days=1)
    world.export(NEW, "c wednesday.zip")
    assert set(world.kept(world.take(newest=1).snapshot)) == {"c wednesday.zip"}


def test_a_zip_that_was_cut_off_makes_no_export_new(owner: Owner) -> None:
    export(owner, "a.zip", days_ago=20.5)
    path = export(owner, "b.zip", days_ago=0.1)
    owner.write(path, path.read_bytes()[:-30])
    for command in ("survey", "snapshot"):
        assert "newest whole export of Hatbox is 20 days old" in " ".join(owner.run(command).text.split())


def test_nothing_is_said_of_nights_that_never_were(owner: Owner) -> None:
    export(owner, "a.zip", days_ago=2)
    export(owner, "b.zip", days_ago=1)
    said = " ".join(owner.run("snapshot", "--newest", "1").out.split())
    assert "1 older export file of hatbox left out, as asked; what earlier nights hold of them stays" in said


def test_the_owner_is_told_on_the_screen(owner: Owner) -> None:
    export(owner, "a.zip", days_ago=2)
    path = export(owner, "b.zip", days_ago=1)
    owner.write(path, path.read_bytes()[:-30])
    owner.run("snapshot")
    said = owner.run("restore", "latest", "--game", "Lamplighter", "--dry-run")
    assert "b.zip (hatbox) is newer but is not a sound zip, so a.zip" in " ".join(said.err.split())
    assert owner.run("restore", "latest", "--game", "Lamplighter", "--dry-run", "--json").document["told"]
