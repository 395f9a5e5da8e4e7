"""A carry on real folders: saves of many files, places, other forms, what is in the way, a cut of power."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handhold.device.volumes import open_device
from handhold.layouts.catalogue import read_catalogue
from handhold.layouts.layout import Layout
from handhold.model import Entry, HomeKind, Part
from handhold.restore.carry import Carry, carry, prepare_carry
from handhold.restore.select import Selection
from handhold.restore.targets import Elsewhere, HomeOption
from handhold.restore.units import unit_of
from tests.device.trees import layout
from tests.restore.power import cut_off
from tests.restore.world import TINPLATE, World, tree

NESTED = layout("nested", {"main": "*:Nested"}, "saves: data/{game}-{slot}/**", "saves: flat/{game}.{ending}")
PLACES = layout("tinplate", {"main": ("*:Tinplate", "*:Emulation/Tinplate")}, "saves: saves/{game}.sav")


def put(world: World, device: str, path: str, content: str) -> None:
    """A file on a handheld's card."""
    file = world.card(device) / path
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(content)
    stamp = (world.now - timedelta(hours=2)).timestamp()
    os.utime(file, (stamp, stamp))


def here(prepared: Carry) -> dict[str, str]:
    return {save.path: save.here.value for save in prepared.saves}


def decided(prepared: Carry) -> dict[str, tuple[str, str]]:
    return {step.entry.path: (step.decision.value, step.action.value) for step in prepared.plan.steps}


# -- saves of several files ------------------------------------------------------------------------------


def entry(path: str, game: str | None) -> Entry:
    return Entry("nested", Part.SAVES, "main", path, 1, 0, "00", game)


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        # the battery save and the clock beside it
        (("saves/Moss.sav", "Moss"), ("saves/Moss.rtc", "Moss"), True),
        # two slots are two saves
        (("saves/Moss.1.sav", "Moss"), ("saves/Moss.2.sav", "Moss"), False),
        # two games
        (("saves/Moss.sav", "Moss"), ("saves/Fern.sav", "Fern"), False),
        # a save that is a folder, and another slot's
        (("data/MOSS01-0/icon.bin", "MOSS01"), ("data/MOSS01-0/deep/save.bin", "MOSS01"), True),
        (("data/MOSS01-0/save.bin", "MOSS01"), ("data/MOSS01-1/save.bin", "MOSS01"), False),
        # case does not matter on cards
        (("saves/Moss.sav", "Moss"), ("SAVES/MOSS.rtc", "Moss"), True),
        # a card of many games is its own
        (("cards/one.mcr", None), ("cards/two.mcr", None), False),
    ],
)
def test_what_makes_up_one_save(
    one: tuple[str, str | None], other: tuple[str, str | None], same: bool
) -> None:
    assert (unit_of(entry(*one)) == unit_of(entry(*other))) is same


@pytest.fixture
def nested(tmp_path: Path) -> World:
    """Two handhelds with the same save of two files."""
    world = World(tmp_path, [NESTED])
    for device in ("plover", "heron"):
        (world.card(device) / "Nested").mkdir()
    put(world, "plover", "Nested/data/MOSS01-0/save.bin", "save 1")
    put(world, "plover", "Nested/data/MOSS01-0/icon.bin", "icon 1")
    world.night("plover")
    world.carry("heron")
    world.night("heron")
    return world


def test_files_of_one_save_come_together(nested: World) -> None:
    put(nested, "heron", "Nested/data/MOSS01-0/save.bin", "save 2")
    put(nested, "heron", "Nested/data/MOSS01-0/icon.bin", "icon 2")
    put(nested, "heron", "Nested/data/MOSS01-0/new.bin", "new")
    nested.night("heron")
    nested.carry("plover")
    assert {p: d for p, d in tree(nested.card("plover")).items() if p.startswith("Nested")} == {
        "Nested/data/MOSS01-0/save.bin": b"save 2",
        "Nested/data/MOSS01-0/icon.bin": b"icon 2",
        "Nested/data/MOSS01-0/new.bin": b"new",
    }


def test_a_save_is_never_put_together_from_two_devices(nested: World) -> None:
    """Each device changed another of its files: either file alone would be newer on one side."""
    put(nested, "heron", "Nested/data/MOSS01-0/save.bin", "save 2")
    nested.night("heron")
    put(nested, "plover", "Nested/data/MOSS01-0/icon.bin", "icon 2")
    prepared = nested.prepare_carry("plover")
    assert set(here(prepared).values()) == {"fork"}
    assert all("several files" in step.why for step in prepared.plan.steps)
    assert not prepared.plan.writes
    nested.carry("plover", take="heron")
    assert (nested.card("plover") / "Nested/data/MOSS01-0/save.bin").read_text() == "save 2"
    assert (nested.card("plover") / "Nested/data/MOSS01-0/icon.bin").read_text() == "icon 1"
    assert nested.holds(b"icon 2")


def test_a_new_file_does_not_come_into_a_save_that_parted(nested: World) -> None:
    put(nested, "heron", "Nested/data/MOSS01-0/save.bin", "save 2")
    put(nested, "heron", "Nested/data/MOSS01-0/new.bin", "new")
    nested.night("heron")
    put(nested, "plover", "Nested/data/MOSS01-0/save.bin", "save 3")
    prepared = nested.prepare_carry("plover")
    assert here(prepared)["data/MOSS01-0/new.bin"] == "fork"
    assert not prepared.plan.writes


def test_two_slots_are_carried_by_themselves(nested: World) -> None:
    put(nested, "plover", "Nested/flat/Fern.1", "one")
    put(nested, "plover", "Nested/data/FERN-1/save.bin", "slot 1")
    put(nested, "plover", "Nested/data/FERN-2/save.bin", "slot 2")
    nested.night("plover")
    nested.carry("heron")
    nested.night("heron")
    put(nested, "heron", "Nested/data/FERN-1/save.bin", "slot 1 on")
    nested.night("heron")
    put(nested, "plover", "Nested/data/FERN-2/save.bin", "slot 2 on")
    nested.carry("plover")
    assert (nested.card("plover") / "Nested/data/FERN-1/save.bin").read_text() == "slot 1 on"
    assert (nested.card("plover") / "Nested/data/FERN-2/save.bin").read_text() == "slot 2 on"


# -- places ----------------------------------------------------------------------------------------------


def test_it_goes_where_this_device_has_it(tmp_path: Path) -> None:
    """The one keeps its emulators in a folder of their own, the other does not."""
    world = World(tmp_path, [PLACES])
    put(world, "plover", "Tinplate/saves/moss.sav", "moss 1")
    world.night("plover")
    (world.card("heron") / "Tinplate").rmdir()
    (world.card("heron") / "Emulation/Tinplate").mkdir(parents=True)
    world.carry("heron")
    assert tree(world.card("heron")) == {"Emulation/Tinplate/saves/moss.sav": b"moss 1"}
    world.night("heron")
    put(world, "heron", "Emulation/Tinplate/saves/moss.sav", "moss 2")
    world.night("heron")
    world.carry("plover")
    assert tree(world.card("plover")) == {"Tinplate/saves/moss.sav": b"moss 2"}


def test_a_home_that_was_moved_keeps_its_history(tmp_path: Path) -> None:
    world = World(tmp_path, [PLACES])
    put(world, "plover", "Tinplate/saves/moss.sav", "moss 1")
    world.night("plover")
    world.carry("heron")
    world.night("heron")
    put(world, "heron", "Tinplate/saves/moss.sav", "moss 2")
    world.night("heron")
    (world.card("plover") / "Emulation").mkdir()
    shutil.move(world.card("plover") / "Tinplate", world.card("plover") / "Emulation/Tinplate")
    assert here(world.prepare_carry("plover")) == {"saves/moss.sav": "older"}
    world.carry("plover")
    assert tree(world.card("plover")) == {"Emulation/Tinplate/saves/moss.sav": b"moss 2"}


def test_two_places_on_one_device(tmp_path: Path) -> None:
    """An old copy in another place is no progress; another content there is a fork of its own."""
    world = World(tmp_path, [PLACES])
    put(world, "plover", "Tinplate/saves/moss.sav", "moss 1")
    put(world, "plover", "Emulation/Tinplate/saves/moss.sav", "moss 1")
    world.night("plover")
    put(world, "plover", "Tinplate/saves/moss.sav", "moss 2")
    world.night("plover")
    world.carry("heron")
    assert tree(world.card("heron")) == {"Tinplate/saves/moss.sav": b"moss 2"}
    put(world, "plover", "Emulation/Tinplate/saves/moss.sav", "moss 3")
    world.night("plover")
    assert here(world.prepare_carry("heron")) == {"saves/moss.sav": "fork"}


def test_into_a_place_that_the_owner_names(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.put("plover", "saves/moss.sav", "moss 1")
    world.night("plover")
    world.card("heron")
    other = tmp_path / "another card"
    other.mkdir()
    device = world.device("heron")
    elsewhere = Elsewhere(homes=(HomeOption("tinplate", None, str(other)),))
    prepared = prepare_carry(world.archive, device, world.layouts, clock=world.clock, elsewhere=elsewhere)
    carry(world.archive, device, prepared, clock=world.clock)
    assert tree(other) == {"saves/moss.sav": b"moss 1"}
    assert tree(world.card("heron")) == {}


def test_the_other_form(tmp_path: Path) -> None:
    """Beside the games on one device, in a folder of their own on the other: one save with one history."""
    (tmp_path / "layouts").mkdir()
    (tmp_path / "layouts/doorstep.yaml").write_text(
        "layout: 1\nid: doorstep\ntitle: Doorstep\nlike: beside-games\nhomes:\n"
        '  - {name: games, at: ["card:Games"]}\n  - {name: folder, at: ["card:Doorstep/saves"]}\n'
    )
    world = World(tmp_path, [read_catalogue([tmp_path / "layouts"]).layouts["doorstep"]])
    game = "Games/Fieldfare/Moss.bin"
    put(world, "plover", game, "game" * 64)
    put(world, "plover", "Games/Fieldfare/Moss.sav", "moss 1")
    world.night("plover")
    (world.card("heron") / "Doorstep/saves").mkdir(parents=True)
    world.carry("heron")
    assert tree(world.card("heron")) == {"Doorstep/saves/Moss.sav": b"moss 1"}
    world.night("heron")
    put(world, "heron", "Doorstep/saves/Moss.sav", "moss 2")
    world.night("heron")
    assert list(here(world.prepare_carry("plover")).values()) == ["older"]
    world.carry("plover")
    assert (world.card("plover") / "Games/Fieldfare/Moss.sav").read_text() == "moss 2"
    put(world, "plover", "Games/Fieldfare/Moss.sav", "moss 3")
    world.night("plover")
    world.carry("heron")
    assert tree(world.card("heron")) == {"Doorstep/saves/Moss.sav": b"moss 3"}


# -- what is in the way ----------------------------------------------------------------------------------


def two(tmp_path: Path, layouts: Sequence[Layout] = (TINPLATE,)) -> World:
    """Heron is one evening ahead of plover."""
    world = World(tmp_path, layouts)
    world.put("plover", "saves/moss.sav", "moss 1")
    world.night("plover")
    world.card("heron")
    world.carry("heron")
    world.night("heron")
    world.put("heron", "saves/moss.sav", "moss 2")
    world.night("heron")
    return world


@pytest.mark.parametrize("what", ["folder", "link"])
def test_what_is_no_file_is_named_and_left(tmp_path: Path, what: str) -> None:
    world = two(tmp_path)
    save = world.card("plover") / "Tinplate/saves/moss.sav"
    save.unlink()
    if what == "folder":
        save.mkdir()
    else:
        save.symlink_to("/etc/hostname")
    prepared = world.prepare_carry("plover")
    assert decided(prepared) == {"saves/moss.sav": ("blocked", "leave")}


def test_a_save_that_changes_after_the_plan_stays(tmp_path: Path) -> None:
    world = two(tmp_path)
    prepared = world.prepare_carry("plover")
    world.later(minutes=1)
    world.put("plover", "saves/moss.sav", "moss played meanwhile")
    applied = carry(world.archive, world.device("plover"), prepared, clock=world.clock)
    assert [step.decision.value for step in applied.plan.steps] == ["failed"]
    assert world.read("plover", "saves/moss.sav") == "moss played meanwhile"


def test_no_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    world = two(tmp_path)
    monkeypatch.setattr("handhold.restore.prepare.free_room", lambda path: 10)
    assert decided(world.prepare_carry("plover")) == {"saves/moss.sav": ("blocked", "leave")}


def test_the_card_is_out(tmp_path: Path) -> None:
    """Then nothing is written into the empty folder onto which it is mounted."""
    world = two(tmp_path)
    shutil.rmtree(world.card("plover"))
    world.card("plover").mkdir()
    prepared = prepare_carry(
        world.archive,
        open_device("plover", {"card": str(world.root / "plover")}),
        world.layouts,
        clock=world.clock,
    )
    assert decided(prepared) == {"saves/moss.sav": ("by-hand", "leave")}
    assert "is the card in?" in prepared.plan.steps[0].why


def test_content_that_the_archive_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    world = two(tmp_path)
    monkeypatch.setattr(world.archive, "gives", lambda entry: False)
    prepared = world.prepare_carry("plover")
    assert decided(prepared) == {"saves/moss.sav": ("blocked", "leave")}
    assert [step.damage for step in prepared.plan.steps] == [True]


def test_exports_are_left_to_the_emulators_import(tmp_path: Path) -> None:
    dovecote = layout("dovecote", {"out": "*:Dovecote"}, "saves: *.zip", kinds={"out": HomeKind.EXPORT})
    world = World(tmp_path, [dovecote])
    for device in ("plover", "heron"):
        (world.card(device) / "Dovecote").mkdir()
    put(world, "heron", "Dovecote/2026-11-20.zip", "no zip, but that does not matter here")
    world.night("heron")
    prepared = world.prepare_carry("plover")
    assert (prepared.saves, prepared.plan.steps) == ((), ())
    (hand,) = prepared.by_hand
    assert "handhold restore heron --emulator dovecote" in hand.what


def test_a_device_that_was_never_in_the_archive(tmp_path: Path) -> None:
    """What stands on it has nothing in common with the others: a fork, whatever the times say."""
    world = two(tmp_path)
    world.put("otter", "saves/moss.sav", "moss of otter", world.now - timedelta(days=900))
    assert here(world.prepare_carry("otter")) == {"saves/moss.sav": "fork"}
    world.put("otter", "saves/moss.sav", "moss 1", world.now + timedelta(days=900))
    assert here(world.prepare_carry("otter")) == {"saves/moss.sav": "older"}


def test_a_selection_of_nothing_but_one_game(tmp_path: Path) -> None:
    world = two(tmp_path)
    world.put("heron", "saves/fern.sav", "fern 1")
    world.night("heron")
    prepared = world.prepare_carry("plover", selection=Selection(games=("fern",)))
    assert here(prepared) == {"saves/fern.sav": "missing"}


# -- the power goes --------------------------------------------------------------------------------------


@pytest.mark.parametrize("full", [False, pytest.param(True, marks=pytest.mark.long)])
def test_a_carry_that_is_cut_off(tmp_path: Path, full: bool) -> None:
    """At any moment each save is the old or the new one, and a second run finishes it."""
    (tmp_path / "start").mkdir()
    start = two(tmp_path / "start")
    start.put("heron", "saves/fern.sav", "fern 1")
    start.night("heron")
    old, new = {"saves/moss.sav": b"moss 1"}, {"saves/moss.sav": b"moss 2", "saves/fern.sav": b"fern 1"}
    for moment in range(1, 400, 1 if full else 9):
        shutil.copytree(start.root, tmp_path / str(moment))
        world = World.at(tmp_path / str(moment), start.now)
        cut = cut_off(lambda world=world: world.carry("plover"), moment, bool(moment % 2))  # type: ignore[misc]
        card = world.card("plover") / "Tinplate"
        stands = {path: data for path, data in tree(card).items() if ".part" not in path}
        for path in new:
            assert stands.get(path) in (old.get(path), new[path]), moment
        world.reopened()
        assert world.holds(b"moss 1")
        world.carry("plover")
        assert tree(card) == new, moment
        shutil.rmtree(world.root)
        if not cut:
            return
    pytest.fail("no run came to its end")


# -- laws ------------------------------------------------------------------------------------------------


@given(st.text(min_size=1), st.text())
def test_a_unit_is_the_same_for_every_case(path: str, game: str) -> None:
    """What differs by case only is one save: cards cannot tell them apart."""
    folded = entry(path.casefold(), game.casefold() or None)
    assert unit_of(entry(path, game or None)) == unit_of(folded)
