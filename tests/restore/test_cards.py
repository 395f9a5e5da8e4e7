"""Restores onto real exFAT and FAT32 cards, and what those cards refuse."""

from __future__ import annotations

import hashlib
import os
import subprocess
from datetime import timedelta
from pathlib import Path

import pytest

from handhold.device.volumes import traits_of
from handhold.restore.steps import Decision, OnNewer
from tests.restore.world import EVENING, World, decisions, nanoseconds, tree

pytestmark = pytest.mark.volumes
DAY = timedelta(days=1)


@pytest.fixture(params=["exfat", "fat"])
def card(request: pytest.FixtureRequest) -> Path:
    path = request.getfixturevalue(request.param)
    assert isinstance(path, Path)
    return path


def test_a_tree_arrives_on_a_card(tmp_path: Path, card: Path) -> None:
    world = World(tmp_path)
    world.card("lantern", card)
    world.put("plover", "saves/Moss Garden.sav", "moss", EVENING - 3 * DAY)
    world.put("plover", "saves/empty.sav", b"", EVENING - 2 * DAY)
    world.put("plover", "states/Moss Garden.st1", os.urandom(2 << 20), EVENING - DAY)
    for number in range(12):
        world.put("plover", f"textures/deep/er/{number}.png", os.urandom(3000), EVENING - number * DAY)
    night = world.night("plover")
    applied = world.restore("lantern", night)
    assert not applied.failed and set(decisions(applied.plan.steps).values()) == {"write"}
    source, target = world.card("plover") / "Tinplate", card / "Tinplate"
    told = subprocess.run(["diff", "-r", source, target], capture_output=True, check=False)
    assert (told.returncode, told.stdout) == (0, b"")
    step = traits_of(str(card)).step_ns
    for file in target.rglob("*"):
        if file.is_file():
            wanted = (source / file.relative_to(target)).stat().st_mtime_ns
            assert abs(file.stat().st_mtime_ns - wanted) <= step
    again = world.restore("lantern", night)
    assert set(decisions(again.plan.steps).values()) == {"same"}


def test_replacing_and_undoing_on_a_card(tmp_path: Path, card: Path) -> None:
    world = World(tmp_path)
    world.card("plover", card)
    world.put("plover", "saves/A.sav", "one", EVENING - 2 * DAY)
    world.put("plover", "saves/B.sav", "only once", EVENING - 2 * DAY)
    night = world.night("plover")
    world.put("plover", "saves/A.sav", "two")
    (card / "Tinplate/saves/B.sav").unlink()
    kept = world.restore("plover", night)
    assert decisions(kept.plan.steps) == {"saves/A.sav": "newer", "saves/B.sav": "write"}
    applied = world.restore("plover", night, on_newer=OnNewer.REPLACE)
    assert not applied.failed and world.read("plover", "saves/A.sav") == "one"
    assert world.holds(b"two")
    undone = world.undo("plover")
    assert not undone.failed
    assert tree(card / "Tinplate") == {"saves/A.sav": b"two", "saves/B.sav": b"only once"}


def test_a_carry_to_a_card_and_back(tmp_path: Path, card: Path) -> None:
    world = World(tmp_path)
    world.card("lantern", card)
    for name in ("Moss", "Fern", "Reed"):
        world.put("plover", f"saves/{name}.sav", f"{name} 1", EVENING - 2 * DAY)
    world.night("plover")
    arrived = world.carry("lantern")
    assert not arrived.failed and set(decisions(arrived.plan.steps).values()) == {"write"}
    assert tree(card / "Tinplate") == tree(world.card("plover") / "Tinplate")
    world.night("lantern")
    assert not world.prepare_carry("lantern").plan.writes
    # Played on here, on there, and on both.
    world.put("lantern", "saves/Moss.sav", "Moss 2")
    world.put("plover", "saves/Fern.sav", "Fern 2")
    world.put("plover", "saves/Reed.sav", "Reed of plover")
    (card / "Tinplate/saves/Reed.sav").unlink()  # this driver leaves the end of what it writes over
    world.put("lantern", "saves/Reed.sav", "Reed of lantern")
    world.night("plover")
    applied = world.carry("lantern")
    assert not applied.failed
    assert tree(card / "Tinplate") == {
        "saves/Moss.sav": b"Moss 2",
        "saves/Fern.sav": b"Fern 2",
        "saves/Reed.sav": b"Reed of lantern",
    }
    assert world.holds(b"Fern 1")
    assert not world.undo("lantern").failed
    assert (card / "Tinplate/saves/Fern.sav").read_bytes() == b"Fern 1"


def test_both_on_a_card_that_knows_no_case(tmp_path: Path, card: Path) -> None:
    world = World(tmp_path)
    world.card("plover", card)
    world.put("plover", "saves/Moss.sav", "one", EVENING - DAY)
    night = world.night("plover")
    world.put("plover", "saves/Moss.sav", "two")
    world.put("plover", "saves/MOSS (from PLOVER 2026-11-24).sav", "mine")
    applied = world.restore("plover", night, on_newer=OnNewer.BOTH)
    assert not applied.failed
    assert sorted(data for data in tree(card / "Tinplate").values()) == [b"mine", b"one", b"two"]


def test_names_that_a_card_refuses_are_named_before_anything_is_written(tmp_path: Path, card: Path) -> None:
    world = World(tmp_path)
    world.card("lantern", card)
    world.put("plover", "saves/Part 2: Fern.sav", "fern")
    world.put("plover", "saves/Reed.sav", "reed")
    world.put("plover", "saves/reed.sav", "another reed")
    world.put("plover", "saves/Good.sav", "good")
    raw = os.path.join(os.fsencode(world.card("plover")), b"Tinplate/saves/caf\xe9.sav")
    with open(raw, "wb") as stream:
        stream.write(b"old name")
    os.utime(raw, ns=(nanoseconds(EVENING),) * 2)
    applied = world.restore("lantern", world.night("plover"))
    assert decisions(applied.plan.steps) == {
        "saves/Part 2: Fern.sav": "blocked",
        "saves/Reed.sav": "blocked",
        "saves/reed.sav": "blocked",
        "saves/caf\\xe9.sav": "blocked",
        "saves/Good.sav": "write",
    }
    assert tree(card / "Tinplate") == {"saves/Good.sav": b"good"}


def test_a_full_exfat_card_is_seen_before_and_survived(tmp_path: Path, exfat: Path) -> None:
    world = World(tmp_path)
    world.card("lantern", exfat)
    large = os.urandom(1 << 20)
    for number in range(40):
        world.put("plover", f"textures/{number}.png", large[number:] + large[:number], EVENING - number * DAY)
    night = world.night("plover")
    with open(exfat / "filler", "wb") as stream:
        stream.write(b"\0" * (40 << 20))
    steps = world.restore("lantern", night).plan.steps
    assert {step.decision for step in steps} == {Decision.BLOCKED} and "no room on card" in steps[0].why
    assert tree(exfat / "Tinplate") == {}
    # Room that goes away after the plan was made.
    (exfat / "filler").unlink()
    prepared = world.prepare("lantern", night)
    with open(exfat / "filler", "wb") as stream:
        stream.write(b"\0" * (40 << 20))
    from handhold.restore.apply import apply

    applied = apply(world.archive, world.device("lantern"), prepared.plan, clock=world.clock)
    written = [step for step in applied.plan.steps if step.decision is Decision.WRITE]
    assert applied.failed and written and len(applied.failed) + len(written) == 40
    assert all("no room" in step.why for step in applied.failed)
    standing = tree(exfat / "Tinplate")
    assert sorted(standing) == sorted(step.entry.path for step in written)  # and no temporary file
    for step in written:
        assert hashlib.sha256(standing[step.entry.path]).hexdigest() == step.entry.sha256
    assert applied.restored is not None and applied.restored.files == len(written)
    (exfat / "filler").unlink()
    assert not world.restore("lantern", night).failed
    assert len(tree(exfat / "Tinplate")) == 40
