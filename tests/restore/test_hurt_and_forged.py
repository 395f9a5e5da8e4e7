"""Archives that are hurt, cannot be written to, or come from a stranger."""

from __future__ import annotations

import os
import random
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import xxhash

import handhold.restore.unchanged as unchanged
import handhold.restore.writing as writing
from handhold.archive import recipe
from handhold.archive.blocks import PLAIN, Sealed
from handhold.archive.bundle import HEADER_SIZE, BundleWriter
from handhold.archive.head import VolumeNote
from handhold.archive.standing import BEGUN, ELSEWHERE
from handhold.archive.storage import LocalStorage, Pending
from handhold.errors import OwnerError
from handhold.model import Entry, HomeKind, Kind, Part, Site
from handhold.restore.apply import apply
from handhold.restore.select import Selection
from handhold.restore.steps import Action, Decision, OnNewer
from handhold.restore.targets import Elsewhere
from handhold.restore.undo import prepare_undo
from tests.restore.test_no_rights import as_nobody, give, needs_root
from tests.restore.world import EVENING, World, decisions, nanoseconds, tree

DAY = timedelta(days=1)


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


def hurt(world: World, block: str) -> None:
    """Changes a byte of a block, in every place where it is stored."""
    for file, row in world.archive.index.places(bytes.fromhex(block)):
        path = world.root / "archive" / file
        data = bytearray(path.read_bytes())
        data[row.offset + HEADER_SIZE + row.stored // 2] ^= 0xFF
        path.write_bytes(data)
    world.reopened()


def test_one_hurt_list_costs_only_what_it_names(world: World) -> None:
    for number in range(300):
        world.put("plover", f"saves/{number}.sav", f"save {number}")
    night = world.night("plover")
    pages = world.archive.read(night).pages
    assert len(pages) > 1
    hurt(world, pages[0].id)
    shutil.rmtree(world.card("plover") / "Tinplate/saves")
    prepared = world.prepare("plover", night)
    assert prepared.hurt_pages == 1
    apply(world.archive, world.device("plover"), prepared.plan, clock=world.clock)
    found = tree(world.card("plover") / "Tinplate/saves")
    assert len(found) == 300 - pages[0].entries
    assert all(data == f"save {name.removesuffix('.sav')}".encode() for name, data in found.items())


def test_a_bundle_that_is_gone_is_told_in_the_plan(world: World) -> None:
    world.put("plover", "saves/A.sav", "one")
    world.night("plover")
    first = set((world.root / "archive/bundles").rglob("*.bundle"))
    world.put("plover", "saves/B.sav", "two")
    night = world.night("plover")
    for bundle in first:
        bundle.unlink()
    world.reopened()
    shutil.rmtree(world.card("plover") / "Tinplate/saves")
    steps = {s.entry.path: s for s in world.prepare("plover", night).plan.steps}
    assert steps["saves/A.sav"].decision is Decision.BLOCKED and steps["saves/A.sav"].damage
    assert steps["saves/B.sav"].decision is Decision.WRITE


def test_what_a_torn_bundle_still_has_comes_back(world: World) -> None:
    """Its table is gone, its records are sound: they come back, and what was in the lost end is told."""
    for name in "AB":
        world.put("plover", f"saves/{name}.sav", f"one{name}")
    night = world.night("plover")
    world.put("plover", "saves/C.sav", "two")
    last = world.night("plover")
    ident = bytes.fromhex(world.entries(night)[0].sha256)
    (bundle,) = {file for file, _ in world.archive.index.places(ident)}
    path = world.root / "archive" / bundle
    path.write_bytes(path.read_bytes()[:-10])
    world.reopened()
    shutil.rmtree(world.card("plover") / "Tinplate/saves")
    applied = world.restore("plover", last)
    assert decisions(applied.plan.steps) == {f"saves/{name}.sav": "write" for name in "ABC"}
    assert [world.read("plover", f"saves/{name}.sav") for name in "ABC"] == ["oneA", "oneB", "two"]
    # One of them alone has no list in the archive yet, and the record of the restore needs its content whole.
    shutil.rmtree(world.card("plover") / "Tinplate/saves")
    path.write_bytes(path.read_bytes()[:-10])
    world.reopened()
    applied = world.restore("plover", last, selection=Selection(games=("A",)))
    assert decisions(applied.plan.steps) == {"saves/A.sav": "write"}
    assert world.read("plover", "saves/A.sav") == "oneA"


def forge(world: World, ident: bytes) -> None:
    """Stores other bytes under a block's name, in a bundle that is whole otherwise and is asked first."""
    for number in range(64):
        bundle = BundleWriter(LocalStorage(str(world.root / "archive")))
        size = next(world.archive.index.places(ident)).row.plain
        wrong = b"%08d" % number + bytes(size - 8)
        bundle.add(Sealed(ident, PLAIN, wrong, size, xxhash.xxh3_64_intdigest(wrong)))
        file, _ = bundle.close()
        world.reopened()
        if next(world.archive.index.places(ident)).file == file:
            return
    raise AssertionError("no forged bundle came first")


@pytest.mark.parametrize("several", [False, True], ids=["one block", "several blocks"])
@pytest.mark.parametrize("sound", [False, True], ids=["forged alone", "a sound copy besides"])
def test_a_forged_block_is_never_restored(world: World, several: bool, sound: bool) -> None:
    content = random.Random(7).randbytes(3 << 20 if several else 3000)
    world.put("plover", "saves/A.sav", content)
    night = world.night("plover")
    (entry,) = world.entries(night)
    assert (entry.recipe is not None) is several
    ident = bytes.fromhex(entry.sha256)
    if entry.recipe is not None:
        ident = recipe.decode(world.archive.block(entry.recipe))[1].id
    places = list(world.archive.index.places(ident))
    forge(world, ident)
    shutil.rmtree(world.card("plover") / "Tinplate/saves")
    prepared = world.prepare("plover", night)
    if not sound:
        for file, row in places:
            with (world.root / "archive" / file).open("r+b") as stream:
                stream.seek(row.offset + HEADER_SIZE)
                stream.write(bytes(row.stored))
        world.reopened()
    applied = apply(world.archive, world.device("plover"), prepared.plan, clock=world.clock)
    assert decisions(applied.plan.steps) == {"saves/A.sav": "write" if sound else "failed"}
    found = tree(world.card("plover") / "Tinplate/saves")
    assert found == ({"A.sav": content} if sound else {})


def test_another_devices_clock_says_nothing_about_a_snapshot(world: World) -> None:
    world.put("plover", "saves/A.sav", "new", EVENING - DAY)
    night = world.night("plover")
    for device in ("lantern", "plover"):  # a battery that ran empty
        world.now = datetime(2001, 1, 1, tzinfo=UTC)
        world.put(device, "saves/B.sav", device)
        if device == "plover":  # what the archive held before speaks against its clock
            world.now = EVENING
            world.night("lantern")
            world.now = datetime(2001, 1, 1, tzinfo=UTC)
        world.night(device)
    world.now = EVENING + DAY
    world.put("heron", "saves/A.sav", "old", EVENING - 300 * DAY)
    step = {s.entry.path: s for s in world.prepare("heron", night).plan.steps}["saves/A.sav"]
    assert step.decision is Decision.OLDER, step.why


def test_a_large_file_that_was_rewritten_in_disguise_stays(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two megabytes more than are read again anyway, the size and the time as before."""
    old, new, last = (bytes([n]) * (2 << 20) for n in range(3))
    world.put("plover", "saves/A.sav", new)
    night = world.night("plover")
    file = world.put("lantern", "saves/A.sav", old, EVENING - DAY)
    monkeypatch.setattr(unchanged, "YOUNG_NS", 0)  # the file's times tell it without that
    prepared = world.prepare("lantern", night)
    assert prepared.plan.steps[0].action is Action.WRITE
    begin = writing.Writing._begin

    def meanwhile(self: writing.Writing, *rest: Any) -> None:
        begin(self, *rest)
        told = file.stat()
        with file.open("r+b") as stream:
            stream.write(last)
        os.utime(file, ns=(told.st_mtime_ns, told.st_mtime_ns))

    monkeypatch.setattr(writing.Writing, "_begin", meanwhile)
    applied = apply(world.archive, world.device("lantern"), prepared.plan, clock=world.clock)
    assert [s.decision for s in applied.plan.steps] == [Decision.FAILED]
    assert file.read_bytes() == last


@needs_root
def test_an_archive_that_can_only_be_read_gives_back_what_replaces_nothing(tmp_path: Path) -> None:
    (tmp_path / "world").mkdir()
    world = World(tmp_path / "world")
    for name in "AB":
        world.put("plover", f"saves/{name}.sav", name)
    night = world.night("plover")
    world.put("lantern", "saves/A.sav", "mine", EVENING - 9 * DAY)
    give(world.root)
    for path in [world.root / "archive", *(world.root / "archive").rglob("*")]:
        os.chown(path, 0, 0)
        path.chmod(0o555 if path.is_dir() else 0o444)

    def work() -> None:
        world.reopened()
        prepared = world.prepare("lantern", night)
        assert prepared.unrecorded
        applied = apply(world.archive, world.device("lantern"), prepared.plan, clock=world.clock)
        assert decisions(applied.plan.steps) == {"saves/A.sav": "blocked", "saves/B.sav": "write"}
        assert applied.restored is None and "cannot take it back" in applied.told[0]

    as_nobody(work)
    assert world.read("lantern", "saves/A.sav") == "mine"
    assert world.read("lantern", "saves/B.sav") == "B"


def test_undo_believes_no_stranger_about_places_elsewhere(world: World, tmp_path: Path) -> None:
    """An archive with the record of a restore that never was: into a folder of the owner's own."""
    victim = tmp_path / "victim"
    victim.mkdir()
    (victim / "notes.txt").write_text("known text")
    site = Site("tinplate", "main", HomeKind.FOLDER, ELSEWHERE, str(victim).lstrip("/"))
    world.card("plover")
    with world.archive.locked("test"), world.archive.writer() as writer:

        def entry(path: str, content: bytes) -> Entry:
            digest = writer.put_plain(content)
            return Entry("tinplate", Part.SAVES, "main", path, len(content), 0, digest, game="Moss")

        first = writer.finish(
            device="plover",
            kind=Kind.SAFETY,
            taken=EVENING,
            volumes=[VolumeNote("card", "ext4")],
            sites=[site],
            layouts={},
            entries=[entry(".config/autostart/run.sh", b"#!/bin/sh")],
            gaps=[],
        )
    with world.archive.locked("test"), world.archive.writer() as writer:
        writer.finish(
            device="plover",
            kind=Kind.RESTORED,
            taken=EVENING,
            volumes=[VolumeNote("card", "ext4")],
            sites=[site],
            layouts={},
            entries=[entry("notes.txt", b"known text")],
            gaps=[],
            note="from x",
            base="x",
            safety=first.file,
        )
    before = tree(victim)
    applied = world.undo("plover")
    assert {s.decision for s in applied.plan.steps} == {Decision.BLOCKED}
    assert tree(victim) == before


def test_undo_names_every_place_elsewhere(world: World, tmp_path: Path) -> None:
    world.put("plover", "saves/A.sav", "one")
    night = world.night("plover")
    aside = tmp_path / "aside"
    aside.mkdir()
    world.restore("plover", night, elsewhere=Elsewhere({"card": str(aside)}))
    undo = prepare_undo(world.archive, world.device("plover"), clock=world.clock)
    assert undo.elsewhere == (str(aside / "Tinplate/saves/A.sav"),)
    assert undo.base == night.name and not undo.of_undo


def test_undo_of_one_restore_leaves_a_cut_off_one_of_weeks_ago(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    world.put("plover", "saves/A.sav", "a1")
    world.put("plover", "saves/B.sav", "b1")
    first = world.night("plover")
    world.put("plover", "saves/A.sav", "a2")
    world.night("plover")

    class Cut(BaseException):
        pass

    from handhold.restore.apply import _Record

    write = _Record.write

    def cut(self: _Record, entries: list[Entry], steps: list[object], note: str) -> object:
        if note != BEGUN:
            raise Cut
        return write(self, entries, steps, note)  # type: ignore[arg-type]

    monkeypatch.setattr(_Record, "write", cut)
    with pytest.raises(Cut):
        world.restore("plover", first, on_newer=OnNewer.REPLACE)
    monkeypatch.undo()
    world.reopened()
    assert world.read("plover", "saves/A.sav") == "a1"
    world.later(days=20)
    world.put("plover", "saves/B.sav", "b2")
    world.night("plover")
    world.restore("plover", first, selection=Selection(games=("B",)), on_newer=OnNewer.REPLACE)
    world.undo("plover")
    assert world.read("plover", "saves/A.sav") == "a1"
    assert world.read("plover", "saves/B.sav") == "b2"


def test_leftovers_go_even_where_nothing_is_to_be_written(world: World) -> None:
    world.put("plover", "saves/A.sav", "one", datetime.fromtimestamp(nanoseconds(EVENING) / 1e9, UTC))
    night = world.night("plover")
    left = world.put("plover", "saves/.handhold-0123456789ab.part", "half")
    prepared = world.prepare("plover", night)
    assert not prepared.plan.writes
    apply(world.archive, world.device("plover"), prepared.plan, clock=world.clock)
    assert not left.exists()


def test_a_full_archive_gives_back_what_replaces_nothing(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in "AB":
        world.put("plover", f"saves/{name}.sav", name)
    night = world.night("plover")
    world.put("lantern", "saves/A.sav", "mine", EVENING - 9 * DAY)

    def full(self: LocalStorage, folder: str) -> Pending:
        raise OwnerError("There is no room left in the archive.")

    monkeypatch.setattr(LocalStorage, "begin", full)
    applied = world.restore("lantern", night)
    assert decisions(applied.plan.steps) == {"saves/A.sav": "failed", "saves/B.sav": "write"}
    assert "could not be kept first" in applied.failed[0].why and "cannot take it back" in applied.told[0]
    assert world.read("lantern", "saves/A.sav") == "mine"
    assert world.read("lantern", "saves/B.sav") == "B"


def test_what_the_archive_lost_after_the_plan_was_made_is_told_file_by_file(world: World) -> None:
    """The archive is read anew under its lock, and a bundle is hurt by then: the other files go on."""
    world.put("pebble", "saves/A.sav", "A one")
    world.night("pebble")
    world.put("pebble", "saves/B.sav", "B one")
    night = world.night("pebble")
    for name in ("A.sav", "B.sav"):
        (world.card("pebble") / "Tinplate/saves" / name).unlink()
    prepared = world.prepare("pebble", night)
    entry = next(one for one in world.entries(night) if one.path == "saves/A.sav")
    (bundle, _) = next(iter(world.archive.index.places(bytes.fromhex(entry.sha256))))
    (world.root / "archive" / bundle).write_bytes(b"hurt")
    applied = apply(world.archive, world.device("pebble"), prepared.plan, clock=world.clock)
    (failed,) = applied.failed
    assert failed.entry.path == "saves/A.sav" and "verify" in failed.why
    assert world.read("pebble", "saves/B.sav") == "B one"
    assert not (world.card("pebble") / "Tinplate/saves/A.sav").exists()
