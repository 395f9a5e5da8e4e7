"""A card that is out for a night, or pulled at the question: nothing is written where it would be."""

from __future__ import annotations

import os
import shutil
import subprocess
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from msgspec.structs import replace

from handhold.archive.head import Snapshot
from handhold.device.volumes import open_device
from handhold.errors import NotNow
from handhold.model import Device, Traits
from handhold.restore.apply import Applied, apply
from handhold.restore.prepare import Prepared, prepare
from handhold.restore.steps import Decision, OnNewer
from handhold.restore.targets import Elsewhere
from handhold.restore.undo import prepare_undo
from handhold.snapshot import Options, take
from tests.device.trees import layout
from tests.restore.world import World, nanoseconds, tree

TINPLATE = layout("tinplate", {"main": ("card:Tinplate", "internal:Tinplate")}, "saves: saves/{game}.sav")


class Handheld:
    """One with an internal storage and a card; both can hold the same home."""

    def __init__(self, root: Path) -> None:
        self.world = World(root, [TINPLATE])
        self.internal, self.card = root / "internal", root / "card"
        self.internal.mkdir()
        self.card.mkdir()

    def device(self) -> Device:
        return open_device("plover", {"internal": str(self.internal), "card": str(self.card)})

    def put(self, volume: Path, name: str, content: str, when: datetime | None = None) -> Path:
        file = volume / "Tinplate/saves" / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(content)
        stamp = nanoseconds(when or self.world.now)
        os.utime(file, ns=(stamp, stamp))
        return file

    def night(self) -> Snapshot:
        self.world.later(hours=1)
        return take(self.world.archive, self.device(), [TINPLATE], Options(), self.world.clock).snapshot

    def out(self) -> None:
        """The card is pulled: what is left is the bare folder."""
        self.card.rename(f"{self.card}.out")
        self.card.mkdir()

    def back(self) -> None:
        self.card.rmdir()
        Path(f"{self.card}.out").rename(self.card)

    def prepare(
        self, night: Snapshot, to: dict[str, str] | None = None, device: Device | None = None
    ) -> Prepared:
        return prepare(
            self.world.archive,
            device or self.device(),
            self.world.layouts,
            night,
            clock=self.world.clock,
            elsewhere=Elsewhere(to or {}),
        )

    def restore(self, night: Snapshot, to: dict[str, str] | None = None) -> Applied:
        self.world.later(minutes=5)
        plan = self.prepare(night, to).plan
        return apply(self.world.archive, self.device(), plan, clock=self.world.clock)


@pytest.fixture
def handheld(tmp_path: Path) -> Handheld:
    return Handheld(tmp_path)


def test_a_night_without_the_card_never_goes_onto_the_card(handheld: Handheld) -> None:
    now = handheld.world.now
    handheld.put(handheld.internal, "Moss.sav", "internal, old", now - timedelta(days=30))
    save = handheld.put(handheld.card, "Moss.sav", "card, new", now - timedelta(days=1))
    handheld.night()
    handheld.out()
    alone = handheld.night()
    handheld.back()
    applied = handheld.restore(alone)
    assert save.read_text() == "card, new"
    assert [(s.decision, s.place) for s in applied.plan.steps] == [
        (Decision.SAME, str(handheld.internal / "Tinplate/saves/Moss.sav"))
    ]


def test_with_the_card_out_its_saves_stay_in_the_archive(handheld: Handheld) -> None:
    handheld.put(handheld.card, "Moss.sav", "on the card")
    inside = handheld.put(handheld.internal, "Fern.sav", "inside")
    night = handheld.night()
    handheld.out()
    inside.unlink()
    steps = handheld.restore(night).plan.steps
    assert {s.entry.path: s.decision for s in steps} == {
        "saves/Moss.sav": Decision.BY_HAND,
        "saves/Fern.sav": Decision.WRITE,
    }
    assert any("is the card in?" in s.why for s in steps)
    assert tree(handheld.card) == {} and tree(handheld.internal) == {"Tinplate/saves/Fern.sav": b"inside"}
    # A new card, and the owner says so.
    handheld.restore(night, {"card": str(handheld.card)})
    assert tree(handheld.card) == {"Tinplate/saves/Moss.sav": b"on the card"}


def test_a_folder_of_another_file_system_is_not_the_card(handheld: Handheld) -> None:
    handheld.put(handheld.card, "Moss.sav", "on the card")
    night = handheld.night()
    device = handheld.device()
    other = [replace(v, traits=Traits("vfat")) if v.name == "card" else v for v in device.volumes]
    shutil.rmtree(handheld.card / "Tinplate")
    (handheld.card / "left behind.txt").touch()
    (step,) = handheld.prepare(night, device=Device("plover", tuple(other))).plan.steps
    assert step.decision is Decision.BY_HAND and "vfat now" in step.why
    assert handheld.prepare(night).plan.steps[0].decision is Decision.WRITE


def test_undo_waits_for_the_card(handheld: Handheld) -> None:
    save = handheld.put(handheld.card, "Moss.sav", "one")
    first = handheld.night()
    handheld.put(handheld.card, "Moss.sav", "two")
    handheld.night()
    prepared = prepare(
        handheld.world.archive,
        handheld.device(),
        handheld.world.layouts,
        first,
        clock=handheld.world.clock,
        on_newer=OnNewer.REPLACE,
    )
    apply(handheld.world.archive, handheld.device(), prepared.plan, clock=handheld.world.clock)
    assert save.read_text() == "one"
    handheld.out()
    with pytest.raises(NotNow, match="is the card in"):
        prepare_undo(handheld.world.archive, handheld.device(), clock=handheld.world.clock)
    assert tree(handheld.card) == {}
    handheld.back()
    undo = prepare_undo(handheld.world.archive, handheld.device(), clock=handheld.world.clock)
    apply(handheld.world.archive, handheld.device(), undo.plan, clock=handheld.world.clock)
    assert save.read_text() == "two"


def test_a_card_that_is_pulled_at_the_question(handheld: Handheld) -> None:
    handheld.put(handheld.card, "Moss.sav", "one")
    lost = handheld.put(handheld.card, "Fern.sav", "two")
    night = handheld.night()
    lost.unlink()
    prepared = handheld.prepare(night)
    handheld.out()
    applied = apply(handheld.world.archive, handheld.device(), prepared.plan, clock=handheld.world.clock)
    assert [s.entry.path for s in applied.failed] == ["saves/Fern.sav"]
    assert "taken out" in applied.failed[0].why and applied.restored is None
    assert tree(handheld.card) == {}


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can mount")
def test_another_card_at_the_question(handheld: Handheld) -> None:
    lost = handheld.put(handheld.card, "Fern.sav", "two")
    night = handheld.night()
    lost.unlink()
    prepared = handheld.prepare(night)
    if subprocess.run(["mount", "-t", "tmpfs", "none", handheld.card], check=False).returncode:
        pytest.skip("nothing can be mounted here")
    try:
        (handheld.card / "not empty").touch()
        device = handheld.device()
        applied = apply(handheld.world.archive, device, prepared.plan, clock=handheld.world.clock)
        assert [s.entry.path for s in applied.failed] == ["saves/Fern.sav"]
        assert set(tree(handheld.card)) == {"not empty"}
        # A card that was just formatted is mounted, so it is no bare folder.
        (handheld.card / "not empty").unlink()
        assert handheld.prepare(night).plan.steps[0].decision is Decision.WRITE
    finally:
        subprocess.run(["umount", handheld.card], check=True)
