"""Restores on real folders: what is written, what stays, what the archive then holds, and the way back."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.standing import BEGUN, Order, order, standings
from handhold.errors import Damaged, WrongInput
from handhold.model import Entry, Kind, Part
from handhold.restore.apply import apply
from handhold.restore.select import Selection
from handhold.restore.steps import Action, Decision, OnNewer
from handhold.restore.targets import Elsewhere, home_option
from tests.restore.world import EVENING, World, decisions, nanoseconds, tree

DAY = timedelta(days=1)


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


def test_a_lost_save_comes_back_with_its_time(world: World) -> None:
    file = world.put("plover", "saves/Moss Garden.sav", "moss", EVENING - DAY)
    world.put("plover", "saves/Other.sav", "other")
    night = world.night("plover")
    file.unlink()
    applied = world.restore("plover", night)
    assert decisions(applied.plan.steps) == {"saves/Moss Garden.sav": "write", "saves/Other.sav": "same"}
    assert file.read_text() == "moss"
    assert file.stat().st_mtime_ns == nanoseconds(EVENING - DAY)
    assert applied.safety is None and applied.restored is not None
    assert applied.restored.kind is Kind.RESTORED
    assert [e.path for e in world.entries(applied.restored)] == ["saves/Moss Garden.sav"]


def test_the_whole_tree_comes_out_as_it_went_in(world: World) -> None:
    """Against the tools diff and sha256sum."""
    world.put("plover", "saves/Ōtsuki no Uta.sav", "song")
    world.put("plover", 'saves/quote\'s "x".sav', b"")
    world.put("plover", "states/Moss.st0", os.urandom(3 << 20))
    world.put("plover", "textures/a/b/c/1.png", os.urandom(70_000))
    for number in range(20):
        world.put("plover", f"textures/many/{number}.png", f"texture {number}")
    night = world.night("plover")
    source = world.card("plover") / "Tinplate"
    sums = subprocess.run(
        "find . -type f -print0 | xargs -0 sha256sum", shell=True, cwd=source, capture_output=True, check=True
    ).stdout
    target = world.card("lantern") / "Tinplate"
    applied = world.restore("lantern", night)
    assert not applied.failed
    assert subprocess.run(["diff", "-r", source, target], capture_output=True, check=False).stdout == b""
    checked = subprocess.run(
        ["sha256sum", "-c", "--strict"], input=sums, cwd=target, capture_output=True, check=False
    )
    assert checked.returncode == 0 and checked.stdout.count(b": OK") == 24
    for file in source.rglob("*"):
        if file.is_file():
            assert (target / file.relative_to(source)).stat().st_mtime_ns == file.stat().st_mtime_ns


def test_an_older_version_is_brought_forward_and_a_newer_one_stays(world: World) -> None:
    world.put("plover", "saves/A.sav", "one")
    first = world.night("plover")
    world.put("plover", "saves/A.sav", "two")
    second = world.night("plover")
    assert world.restore("plover", first).plan.steps[0].decision is Decision.NEWER
    assert world.read("plover", "saves/A.sav") == "two"
    world.put("lantern", "saves/A.sav", "one", EVENING + 300 * DAY)  # a copy, stamped later than everything
    applied = world.restore("lantern", second)
    assert applied.plan.steps[0].decision is Decision.FORWARD
    assert world.read("lantern", "saves/A.sav") == "two"


def test_unknown_content_that_is_older_is_kept_in_the_archive_first(world: World) -> None:
    world.put("plover", "saves/A.sav", "plover's")
    night = world.night("plover")
    world.put("lantern", "saves/A.sav", "lantern's", EVENING - 30 * DAY)
    applied = world.restore("lantern", night)
    assert applied.plan.steps[0].decision is Decision.OLDER
    assert "30 days" in applied.plan.steps[0].why
    assert world.read("lantern", "saves/A.sav") == "plover's"
    assert applied.safety is not None and applied.safety.kind is Kind.SAFETY
    assert world.holds(b"lantern's")


def test_what_was_played_since_the_last_snapshot_stays_whatever_the_clock_says(world: World) -> None:
    """A battery that ran empty: the handheld is back in 2015, and its newest progress carries that date."""
    world.put("plover", "saves/A.sav", "monday")
    night = world.night("plover")
    world.put("plover", "saves/A.sav", "tuesday", EVENING - 4000 * DAY)
    step = world.restore("plover", night).plan.steps[0]
    assert step.decision is Decision.NEWER and "after its last snapshot" in step.why
    assert world.read("plover", "saves/A.sav") == "tuesday"


def test_both_sides_changed_is_a_fork(world: World) -> None:
    world.put("plover", "saves/A.sav", "start")
    start = world.night("plover")
    world.restore("lantern", start)
    world.put("lantern", "saves/A.sav", "lantern's", EVENING + DAY)
    theirs = world.night("lantern")
    world.put("plover", "saves/A.sav", "plover's", EVENING)
    step = world.restore("plover", theirs).plan.steps[0]
    assert step.decision is Decision.FORK and step.action is Action.LEAVE
    world.night("plover")
    assert world.restore("plover", theirs).plan.steps[0].decision is Decision.FORK


def test_going_back_on_purpose_and_undoing_it_twice(world: World) -> None:
    world.put("plover", "saves/A.sav", "one")
    world.put("plover", "saves/B.sav", "b")
    first = world.night("plover")
    world.put("plover", "saves/A.sav", "two")
    (world.card("plover") / "Tinplate/saves/B.sav").unlink()
    card = world.card("plover")
    before = tree(card)
    applied = world.restore("plover", first, on_newer=OnNewer.REPLACE)
    after = tree(card)
    assert decisions(applied.plan.steps) == {"saves/A.sav": "newer", "saves/B.sav": "write"}
    assert after == {"Tinplate/saves/A.sav": b"one", "Tinplate/saves/B.sav": b"b"}
    assert world.holds(b"two")
    world.undo("plover")
    assert tree(card) == before
    world.undo("plover")
    assert tree(card) == after
    world.undo("plover")
    assert tree(card) == before


def test_undo_leaves_what_was_played_since(world: World) -> None:
    world.put("plover", "saves/A.sav", "one")
    world.put("plover", "saves/B.sav", "b")
    first = world.night("plover")
    world.put("plover", "saves/A.sav", "two")
    (world.card("plover") / "Tinplate/saves/B.sav").unlink()
    world.restore("plover", first, on_newer=OnNewer.REPLACE)
    world.put("plover", "saves/B.sav", "b played on")
    steps = world.undo("plover").plan.steps
    assert decisions(steps) == {"saves/A.sav": "write", "saves/B.sav": "newer"}
    assert world.read("plover", "saves/A.sav") == "two"
    assert world.read("plover", "saves/B.sav") == "b played on"


def test_nothing_to_undo(world: World) -> None:
    world.put("plover", "saves/A.sav", "one")
    night = world.night("plover")
    with pytest.raises(WrongInput, match="nothing to take back"):
        world.undo("plover")
    world.restore("plover", night)  # writes nothing, so there is still nothing
    with pytest.raises(WrongInput, match="nothing to take back"):
        world.undo("plover")


def test_both_puts_the_archived_one_beside_and_does_it_once(world: World) -> None:
    world.put("plover", "saves/Moss Garden.sav", "one")
    first = world.night("plover")
    world.put("plover", "saves/Moss Garden.sav", "two")
    world.night("plover")
    applied = world.restore("plover", first, on_newer=OnNewer.BOTH)
    saves = world.card("plover") / "Tinplate/saves"
    assert tree(saves) == {"Moss Garden.sav": b"two", "Moss Garden (from plover 2026-11-24).sav": b"one"}
    assert applied.plan.steps[0].action is Action.BESIDE and applied.safety is None
    again = world.restore("plover", first, on_newer=OnNewer.BOTH)
    assert again.plan.steps[0].action is Action.LEAVE and "stands beside it" in again.plan.steps[0].why
    assert len(tree(saves)) == 2
    world.undo("plover")
    assert tree(saves) == {"Moss Garden.sav": b"two"}


def test_a_beside_name_never_differs_only_by_case(world: World) -> None:
    world.put("plover", "saves/Moss.sav", "one")
    first = world.night("plover")
    world.put("plover", "saves/Moss.sav", "two")
    world.night("plover")
    world.put("plover", "saves/MOSS (FROM PLOVER 2026-11-24).sav", "somebody else's")
    world.restore("plover", first, on_newer=OnNewer.BOTH)
    names = [name.casefold() for name in tree(world.card("plover") / "Tinplate/saves")]
    assert len(set(names)) == len(names) == 3
    assert "moss (from plover 2026-11-24 2).sav" in names


def test_controls_stay_with_their_handheld_unless_asked_for(world: World) -> None:
    world.put("plover", "config/pads/one.cfg", "buttons")
    world.put("plover", "config/main.cfg", "settings")
    night = world.night("plover")
    shutil.rmtree(world.card("plover") / "Tinplate/config")
    assert decisions(world.restore("plover", night).plan.steps)["config/pads/one.cfg"] == "write"
    steps = world.restore("lantern", night).plan.steps
    assert decisions(steps) == {"config/pads/one.cfg": "held-back", "config/main.cfg": "write"}
    asked = Selection(parts=(Part.CONTROLS,))
    assert decisions(world.restore("lantern", night, selection=asked).plan.steps) == {
        "config/pads/one.cfg": "write"
    }


def test_an_emulator_that_is_not_there_is_a_step_by_hand(world: World) -> None:
    world.put("plover", "saves/A.sav", "one")
    night = world.night("plover")
    (world.card("lantern") / "Tinplate").rmdir()
    step = world.restore("lantern", night).plan.steps[0]
    assert step.decision is Decision.BY_HAND and "start it once" in step.why
    world.archive.snapshots()
    (world.card("lantern") / "Emulation" / "Tinplate").mkdir(parents=True)
    assert world.restore("lantern", night).plan.steps[0].decision is Decision.WRITE
    assert (world.card("lantern") / "Emulation/Tinplate/saves/A.sav").read_text() == "one"


def test_the_own_device_gets_its_folder_back(world: World) -> None:
    world.put("plover", "saves/A.sav", "one")
    night = world.night("plover")
    shutil.rmtree(world.card("plover") / "Tinplate")
    (world.card("plover") / "Music").mkdir()
    world.restore("plover", night)
    assert world.read("plover", "saves/A.sav") == "one"


def test_a_restore_into_a_folder_elsewhere_says_nothing_about_the_device(
    world: World, tmp_path: Path
) -> None:
    """Somebody looks at an old night in a folder of its own; that must not make the old night the newest."""
    world.put("plover", "saves/A.sav", "one")
    first = world.night("plover")
    world.put("plover", "saves/A.sav", "two")
    world.night("plover")
    aside = tmp_path / "aside"
    aside.mkdir()
    applied = world.restore("plover", first, elsewhere=Elsewhere({"card": str(aside)}))
    assert (aside / "Tinplate/saves/A.sav").read_text() == "one"
    assert applied.plan.steps[0].place == str(aside / "Tinplate/saves/A.sav")
    identity = applied.plan.steps[0].entry.identity
    past = standings(world.archive, {identity}).of(identity)
    (line,) = past.values()
    assert len(line) == 2
    assert world.restore("plover", first).plan.steps[0].decision is Decision.NEWER
    world.undo("plover")
    assert tree(aside) == {}


def test_home_says_where_one_emulator_goes(world: World, tmp_path: Path) -> None:
    world.put("plover", "saves/A.sav", "one")
    night = world.night("plover")
    option = home_option(f"tinplate={tmp_path / 'new home'}")
    world.restore("lantern", night, elsewhere=Elsewhere(homes=(option,)))
    assert (tmp_path / "new home/saves/A.sav").read_text() == "one"


def test_a_target_that_changed_after_the_plan_stays(world: World) -> None:
    world.put("plover", "saves/A.sav", "one", EVENING - timedelta(hours=1))
    world.put("plover", "saves/B.sav", "one", EVENING - timedelta(hours=2))
    world.put("plover", "saves/C.sav", "one", EVENING - timedelta(hours=3))
    night = world.night("plover")
    world.put("lantern", "saves/A.sav", "older", EVENING - DAY)
    world.put("lantern", "saves/C.sav", "older", EVENING - DAY)
    prepared = world.prepare("lantern", night)
    world.put("lantern", "saves/A.sav", "newest", EVENING - DAY)  # the same time, another content
    world.put("lantern", "saves/B.sav", "came meanwhile")
    applied = apply(world.archive, world.device("lantern"), prepared.plan, clock=world.clock)
    assert decisions(applied.plan.steps) == {
        "saves/A.sav": "failed",
        "saves/B.sav": "failed",
        "saves/C.sav": "older",
    }
    assert world.read("lantern", "saves/A.sav") == "newest"
    assert world.read("lantern", "saves/B.sav") == "came meanwhile"
    assert world.read("lantern", "saves/C.sav") == "one"
    assert applied.restored is not None
    assert [e.path for e in world.entries(applied.restored)] == ["saves/C.sav"]
    assert not [name for name in tree(world.card("lantern")) if ".part" in name]


@pytest.mark.parametrize("planted", ["before", "after"])
def test_no_link_on_the_way_is_followed(world: World, tmp_path: Path, planted: str) -> None:
    world.put("plover", "saves/A.sav", "one")
    night = world.night("plover")
    outside = tmp_path / "outside"
    outside.mkdir()
    saves = world.card("lantern") / "Tinplate/saves"
    if planted == "before":
        saves.symlink_to(outside)
    prepared = world.prepare("lantern", night)
    if planted == "after":
        saves.symlink_to(outside)
    applied = apply(world.archive, world.device("lantern"), prepared.plan, clock=world.clock)
    assert applied.plan.steps[0].decision is (Decision.BLOCKED if planted == "before" else Decision.FAILED)
    assert "link" in applied.plan.steps[0].why
    assert list(outside.iterdir()) == []


def test_a_link_or_folder_in_place_of_the_file_is_left(world: World, tmp_path: Path) -> None:
    world.put("plover", "saves/A.sav", "one")
    world.put("plover", "saves/B.sav", "one")
    world.put("plover", "saves/C.sav", "one")
    night = world.night("plover")
    outside = tmp_path / "outside.sav"
    outside.write_text("mine")
    saves = world.card("lantern") / "Tinplate/saves"
    saves.mkdir()
    (saves / "A.sav").symlink_to(outside)
    (saves / "B.sav").mkdir()
    os.mkfifo(saves / "C.sav")
    applied = world.restore("lantern", night, on_newer=OnNewer.REPLACE)
    assert set(decisions(applied.plan.steps).values()) == {"blocked"}
    assert outside.read_text() == "mine" and (saves / "A.sav").is_symlink()


def test_one_file_that_fails_does_not_stop_the_others(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in "ABC":
        world.put("plover", f"saves/{name}.sav", name * 100)
    night = world.night("plover")
    world.put("lantern", "saves/B.sav", "old", EVENING - DAY)
    real = os.write

    def full(handle: int, data: bytes) -> int:
        if bytes(data[:1]) == b"B" and len(data) == 100:
            real(handle, data[:10])
            raise OSError(28, "No space left on device")
        return real(handle, data)

    monkeypatch.setattr("handhold.restore.writing.os.write", full)
    applied = world.restore("lantern", night)
    monkeypatch.undo()
    assert decisions(applied.plan.steps) == {
        "saves/A.sav": "write",
        "saves/B.sav": "failed",
        "saves/C.sav": "write",
    }
    assert "no room" in applied.failed[0].why
    assert world.read("lantern", "saves/B.sav") == "old"
    assert not [name for name in tree(world.card("lantern")) if ".part" in name]
    assert applied.restored is not None
    assert [e.path for e in world.entries(applied.restored)] == ["saves/A.sav", "saves/C.sav"]


def test_what_a_restore_wrote_counts_as_standing_there(world: World) -> None:
    world.put("plover", "saves/A.sav", "one")
    first = world.night("plover")
    one = world.entries(first)[0]
    world.put("plover", "saves/A.sav", "two")
    two = world.entries(world.night("plover"))[0]
    past = standings(world.archive, {one.identity}).of(one.identity)
    assert order(past, one.sha256, two.sha256) is Order.OLDER
    world.restore("plover", first, on_newer=OnNewer.REPLACE)
    past = standings(world.archive, {one.identity}).of(one.identity)
    # It stood there first and last: it was put back, so neither is the newer one.
    assert order(past, one.sha256, two.sha256) is Order.FORK
    assert {s.note for s in world.archive.snapshots() if s.kind is Kind.RESTORED} >= {BEGUN}


def test_a_hurt_block_leaves_the_file_that_stands(world: World) -> None:
    world.put("plover", "saves/A.sav", "one")
    world.put("plover", "saves/B.sav", "two")
    night = world.night("plover")
    world.put("lantern", "saves/A.sav", "mine", EVENING - DAY)
    prepared = world.prepare("lantern", night)
    bundle = next((world.root / "archive/bundles").rglob("*.bundle"))
    data = bytearray(bundle.read_bytes())
    at = data.index(b"one")
    data[at] ^= 1
    bundle.write_bytes(data)
    world.reopened()
    applied = apply(world.archive, world.device("lantern"), prepared.plan, clock=world.clock)
    assert decisions(applied.plan.steps) == {"saves/A.sav": "failed", "saves/B.sav": "write"}
    assert world.read("lantern", "saves/A.sav") == "mine"


def test_a_run_that_the_owner_stops_leaves_what_was_done_on_record(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("handhold.restore.writing.BATCH_FILES", 2)
    for number in range(5):
        world.put("plover", f"saves/{number}.sav", f"save {number}")
    night = world.night("plover")
    prepared = world.prepare("lantern", night)

    def stop(done: int, total: int) -> None:
        assert total == 5
        if done:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        apply(world.archive, world.device("lantern"), prepared.plan, clock=world.clock, progress=stop)
    standing = tree(world.card("lantern") / "Tinplate")
    assert len(standing) in (2, 4)  # those of the first batch, or of both before the last
    last = world.archive.snapshots()[-1]
    assert last.kind is Kind.RESTORED and {e.path for e in world.entries(last)} == set(standing)
    world.undo("lantern")
    assert tree(world.card("lantern") / "Tinplate") == {}


def test_leftovers_of_a_run_that_was_cut_off_go_with_the_next(world: World) -> None:
    world.put("plover", "saves/A.sav", "one")
    night = world.night("plover")
    left = world.put("plover", "saves/.handhold-0123456789ab.part", "half")
    other = world.put("plover", "saves/.handhold-notes.part", "the player's own")
    world.restore("plover", night)
    assert not left.exists() and other.exists()


def test_what_the_archive_does_not_give_back_is_not_replaced(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A medium that takes what is written, and then gives back something else."""
    file = world.put("plover", "saves/Frog.sav", "old")
    first = world.night("plover")
    world.later(hours=1)
    world.put("plover", "saves/Frog.sav", "new")
    real, new = Archive.content, hashlib.sha256(b"new").hexdigest()

    def content(self: Archive, entry: Entry) -> Iterator[bytes]:
        if entry.sha256 == new:
            raise Damaged("A block of the archive cannot be read.")
        return real(self, entry)

    monkeypatch.setattr(Archive, "content", content)
    applied = world.restore("plover", first, on_newer=OnNewer.REPLACE)
    assert file.read_text() == "new"
    (step,) = applied.failed
    assert "does not give back" in step.why
