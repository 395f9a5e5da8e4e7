"""Saves beside the games, or in a folder of their own: from one form into the other, and still the same."""

from __future__ import annotations

import os
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from handhold.archive.sameness import flat, same_save
from handhold.errors import UnknownName, WrongInput
from handhold.layouts.catalogue import read_catalogue
from handhold.layouts.layout import Layout
from handhold.model import Entry, Part
from handhold.restore.select import Selection
from handhold.restore.steps import Action
from handhold.restore.targets import Elsewhere, HomeOption, form_option
from tests.restore.world import EVENING, World, tree

LAYOUT = """\
layout: 1
id: doorstep
title: Doorstep
like: beside-games
homes:
  - {name: games, at: ["card:Games"]}
  - {name: folder, at: ["card:Doorstep/saves"]}
"""
#: A game is never this text: what is a save must come from a save.
GAME = b"game" * 64


@pytest.fixture
def world(tmp_path: Path) -> World:
    (tmp_path / "layouts").mkdir()
    (tmp_path / "layouts/doorstep.yaml").write_text(LAYOUT)
    return World(tmp_path, [read_catalogue([tmp_path / "layouts"]).layouts["doorstep"]])


def beside(world: World, name: str, *games: str) -> Path:
    """A handheld with games in folders."""
    card = world.card(name)
    for game in games:
        put(card, f"Games/{game}", GAME)
    return card


def put(card: Path, path: str, content: bytes | str, days: int = 0) -> None:
    file = card / path
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_bytes(content if isinstance(content, bytes) else content.encode())
    stamp = (EVENING - timedelta(days=30 - days)).timestamp()
    os.utime(file, (stamp, stamp))


def in_folder(world: World, name: str) -> Path:
    """A handheld whose Doorstep keeps its saves in a folder of their own."""
    card = world.card(name)
    (card / "Doorstep/saves").mkdir(parents=True)
    return card


def kept(card: Path) -> dict[str, bytes]:
    return {path: data for path, data in tree(card).items() if data != GAME}


def reasons(world: World, name: str, snapshot: object, **more: object) -> dict[str, tuple[str, str]]:
    prepared = world.prepare(name, snapshot, **more)  # type: ignore[arg-type]
    return {step.entry.path: (step.decision.value, step.why) for step in prepared.plan.steps}


def test_into_a_folder(world: World) -> None:
    card = beside(world, "plover", "Fieldfare/Lamplighter.bin", "Dunlin/Salt Road.iso")
    put(card, "Games/Fieldfare/Lamplighter.sav", "lamp")
    put(card, "Games/Fieldfare/Lamplighter.st1", "lamp state")
    put(card, "Games/Fieldfare/Lamplighter.st1.png", "lamp picture")
    put(card, "Games/Dunlin/Salt Road.sav", "salt")
    night = world.night("plover")
    other = in_folder(world, "heron")
    applied = world.restore("heron", night)
    assert kept(other) == {
        "Doorstep/saves/Lamplighter.sav": b"lamp",
        "Doorstep/saves/Lamplighter.st1": b"lamp state",
        "Doorstep/saves/Lamplighter.st1.png": b"lamp picture",
        "Doorstep/saves/Salt Road.sav": b"salt",
    }
    whys = {step.path: step.why for step in applied.plan.steps}
    assert 'it lay beside its game as "Fieldfare/Lamplighter.sav"' in whys["Lamplighter.sav"]
    assert applied.restored is not None
    assert {entry.home for entry in world.entries(applied.restored)} == {"folder"}
    world.undo("heron")
    assert kept(other) == {}


def test_beside_the_games(world: World) -> None:
    card = in_folder(world, "plover")
    put(card, "Doorstep/saves/Lamplighter.sav", "lamp")
    put(card, "Doorstep/saves/Lamplighter.st1", "lamp state")
    put(card, "Doorstep/saves/Salt Road.sav", "salt")
    put(card, "Doorstep/saves/Eleven Bells.sav", "bells")
    night = world.night("plover")
    other = beside(
        world, "heron", "Fieldfare/lamplighter.bin", "Dunlin/Salt Road.iso", "Dunlin/Salt Road.cue"
    )
    steps = reasons(world, "heron", night)
    assert steps["Eleven Bells.sav"][0] == "by-hand"
    assert 'no game called "Eleven Bells" lies in card:Games' in steps["Eleven Bells.sav"][1]
    assert steps["Fieldfare/Lamplighter.sav"][0] == "write"
    assert 'it lay in a folder as "Lamplighter.sav"' in steps["Fieldfare/Lamplighter.sav"][1]
    world.restore("heron", night)
    assert kept(other) == {
        "Games/Fieldfare/Lamplighter.sav": b"lamp",
        "Games/Fieldfare/Lamplighter.st1": b"lamp state",
        "Games/Dunlin/Salt Road.sav": b"salt",
    }


def test_two_games_of_one_name_are_named_and_not_merged(world: World) -> None:
    card = beside(world, "plover", "Fieldfare/Lamplighter.bin", "Dunlin/Lamplighter.iso")
    put(card, "Games/Fieldfare/Lamplighter.sav", "one")
    put(card, "Games/Dunlin/lamplighter.SAV", "two")
    put(card, "Games/Dunlin/Salt Road.sav", "salt")
    night = world.night("plover")
    other = in_folder(world, "heron")
    steps = reasons(world, "heron", night)
    assert steps["Fieldfare/Lamplighter.sav"][0] == "blocked"
    assert '"Dunlin/lamplighter.SAV"' in steps["Fieldfare/Lamplighter.sav"][1]
    assert steps["Dunlin/lamplighter.SAV"][0] == "blocked"
    assert '"Fieldfare/Lamplighter.sav"' in steps["Dunlin/lamplighter.SAV"][1]
    world.restore("heron", night)
    assert kept(other) == {"Doorstep/saves/Salt Road.sav": b"salt"}


def test_one_of_two_of_one_name_is_not_put_there_alone_either(world: World) -> None:
    card = beside(world, "plover", "Fieldfare/Lamplighter.bin", "Dunlin/Lamplighter.iso")
    put(card, "Games/Fieldfare/Lamplighter.sav", "one")
    put(card, "Games/Dunlin/Lamplighter.sav", "two")
    night = world.night("plover")
    other = in_folder(world, "heron")
    world.restore("heron", night, selection=Selection(games=("Lamplighter",)))
    assert kept(other) == {}


def test_two_of_one_content_are_one(world: World) -> None:
    card = beside(world, "plover", "Fieldfare/Lamplighter.bin", "Dunlin/Lamplighter.iso")
    put(card, "Games/Fieldfare/Lamplighter.sav", "one")
    put(card, "Games/Dunlin/Lamplighter.sav", "one")
    other = in_folder(world, "heron")
    world.restore("heron", world.night("plover"))
    assert kept(other) == {"Doorstep/saves/Lamplighter.sav": b"one"}


def test_a_game_in_two_folders(world: World) -> None:
    card = in_folder(world, "plover")
    put(card, "Doorstep/saves/Lamplighter.sav", "flat")
    put(card, "Doorstep/saves/Dunlin/Salt Road.sav", "of dunlin")
    night = world.night("plover")
    other = beside(
        world,
        "heron",
        *(
            f"{folder}/{name}"
            for folder in ("Fieldfare", "Dunlin")
            for name in ("Lamplighter.bin", "Salt Road.bin")
        ),
    )
    steps = reasons(world, "heron", night)
    assert steps["Lamplighter.sav"][0] == "blocked"
    assert '"Dunlin" and "Fieldfare"' in steps["Lamplighter.sav"][1]
    world.restore("heron", night)
    assert kept(other) == {"Games/Dunlin/Salt Road.sav": b"of dunlin"}


def test_a_picture_of_a_game_is_no_game(world: World) -> None:
    card = in_folder(world, "plover")
    put(card, "Doorstep/saves/Lamplighter.sav", "lamp")
    night = world.night("plover")
    other = beside(
        world, "heron", "Fieldfare/Lamplighter.iso", "media/Lamplighter.png", "Notes/Lamplighter.txt"
    )
    world.restore("heron", night)
    assert kept(other) == {"Games/Fieldfare/Lamplighter.sav": b"lamp"}


def test_there_and_back_again_the_newest_wins(world: World) -> None:
    """Played beside the games, then in a folder, then carried back: it is one save with one history."""
    card = beside(world, "plover", "Fieldfare/Lamplighter.bin", "Dunlin/Lamplighter.iso")
    put(card, "Games/Fieldfare/Lamplighter.sav", "chapter 1")
    first = world.night("plover")
    other = in_folder(world, "heron")
    world.restore("heron", first)
    put(other, "Doorstep/saves/Lamplighter.sav", "chapter 2", days=2)
    second = world.night("heron")
    # Back beside the game: the archive knows that chapter 1 came before, whatever the times say.
    put(card, "Games/Fieldfare/Lamplighter.sav", "chapter 1", days=20)
    (card / "Games/Dunlin/Lamplighter.iso").unlink()
    steps = reasons(world, "plover", second)
    assert steps["Fieldfare/Lamplighter.sav"][0] == "forward"
    world.restore("plover", second)
    assert kept(card) == {"Games/Fieldfare/Lamplighter.sav": b"chapter 2"}
    # And the first night does not come back over it.
    steps = reasons(world, "heron", first)
    assert steps["Lamplighter.sav"][0] == "newer"
    steps = reasons(world, "plover", first)
    assert steps["Fieldfare/Lamplighter.sav"][0] == "newer"


def test_saves_of_one_name_in_two_folders_say_nothing_about_each_other(world: World) -> None:
    card = beside(world, "plover", "Fieldfare/Lamplighter.bin", "Dunlin/Lamplighter.iso")
    put(card, "Games/Fieldfare/Lamplighter.sav", "fieldfare 1")
    put(card, "Games/Dunlin/Lamplighter.sav", "dunlin 1")
    world.night("plover")
    put(card, "Games/Fieldfare/Lamplighter.sav", "fieldfare 2", days=1)
    night = world.night("plover")
    # In the folder stands Dunlin's; Fieldfare's second is no later version of that one.
    other = in_folder(world, "heron")
    put(other, "Doorstep/saves/Lamplighter.sav", "dunlin 1")
    (card / "Games/Dunlin/Lamplighter.sav").unlink()
    alone = world.night("plover")
    assert reasons(world, "heron", alone)["Lamplighter.sav"][0] == "fork"
    assert reasons(world, "heron", night)["Fieldfare/Lamplighter.sav"][0] == "blocked"


def test_where_its_own_form_is_there_too_it_stays(world: World) -> None:
    card = beside(world, "plover", "Fieldfare/Lamplighter.bin")
    put(card, "Games/Fieldfare/Lamplighter.sav", "lamp")
    night = world.night("plover")
    other = beside(world, "heron", "Fieldfare/Lamplighter.bin")
    (other / "Doorstep/saves").mkdir(parents=True)
    world.restore("heron", night)
    assert kept(other) == {"Games/Fieldfare/Lamplighter.sav": b"lamp"}
    world.undo("heron")
    world.restore("heron", night, elsewhere=Elsewhere(forms={"doorstep": "folder"}))
    assert kept(other) == {"Doorstep/saves/Lamplighter.sav": b"lamp"}


def test_the_owner_says_where(world: World, tmp_path: Path) -> None:
    card = beside(world, "plover", "Fieldfare/Lamplighter.bin")
    put(card, "Games/Fieldfare/Lamplighter.sav", "lamp")
    night = world.night("plover")
    in_folder(world, "heron")
    (tmp_path / "out").mkdir()
    option = (HomeOption("doorstep", "games", str(tmp_path / "out")),)
    world.restore("heron", night, elsewhere=Elsewhere(homes=option))
    assert kept(tmp_path / "out") == {"Fieldfare/Lamplighter.sav": b"lamp"}
    (tmp_path / "flat").mkdir()
    option = (HomeOption("doorstep", "games", str(tmp_path / "flat")),)
    world.restore("heron", night, elsewhere=Elsewhere(homes=option, forms={"doorstep": "folder"}))
    assert kept(tmp_path / "flat") == {"Lamplighter.sav": b"lamp"}


def test_forms_that_cannot_be(world: World) -> None:
    card = beside(world, "plover", "Fieldfare/Lamplighter.bin")
    put(card, "Games/Fieldfare/Lamplighter.sav", "lamp")
    night = world.night("plover")
    world.card("heron")
    for forms in ({"doorstep": "folders"}, {"doorsteps": "folder"}):
        with pytest.raises(UnknownName):
            world.prepare("heron", night, elsewhere=Elsewhere(forms=forms))
    plain: Layout = read_catalogue([]).patterns["chosen-folder"]
    with pytest.raises(WrongInput, match="no two forms"):
        world.prepare(
            "heron",
            night,
            elsewhere=Elsewhere(forms={"doorstep": "folder"}),
            layouts={"doorstep": _renamed(plain)},
        )
    for text in ("doorstep", "=folder", "doorstep="):
        with pytest.raises(WrongInput):
            form_option(text)
    # The form that is asked for is not there.
    steps = reasons(world, "heron", night, elsewhere=Elsewhere(forms={"doorstep": "folder"}))
    assert [decision for decision, _ in steps.values()] == ["by-hand"]


def _renamed(layout: Layout) -> Layout:
    return replace(layout, id="doorstep")


TABLE = [
    ("Lamplighter.sav", "Lamplighter", "Lamplighter.sav"),
    ("Fieldfare/Lamplighter.sav", "Lamplighter", "Lamplighter.sav"),
    ("Fieldfare/LAMPLIGHTER.SAV", "Lamplighter", "LAMPLIGHTER.SAV"),
    ("Lamplighter/Lamplighter.st1.png", "Lamplighter", "Lamplighter.st1.png"),
    ("cards/Lamplighter/slot 1.dat", "Lamplighter", "Lamplighter/slot 1.dat"),
    ("Fieldfare/Salt.sav", "Salt Road", "Fieldfare/Salt.sav"),
    ("Fieldfare/Salt Roads.sav", "Salt Road", "Fieldfare/Salt Roads.sav"),
    ("cards/1.card", None, "cards/1.card"),
    ("cards/1.card", "", "cards/1.card"),
    ("F/cafe\u0301.sav", "caf\u00e9", "cafe\u0301.sav"),  # two ways of writing é (UAX 15)
]


@pytest.mark.parametrize(("path", "game", "expected"), TABLE)
def test_what_both_forms_have_of_a_path(path: str, game: str | None, expected: str) -> None:
    assert flat(path, game) == expected


NAMES = st.text("abAB é.", min_size=1, max_size=6).filter(lambda name: name.strip(".") == name)


@settings(deadline=None, max_examples=200)
@given(st.lists(NAMES, min_size=1, max_size=4), st.none() | NAMES, NAMES)
def test_a_path_is_its_end_and_folders_more_change_nothing(
    names: list[str], game: str | None, folder: str
) -> None:
    path = "/".join(names)
    short = flat(path, game)
    assert path == short or path.endswith(f"/{short}")
    assert flat(short, game) == short
    if short != path:
        assert flat(f"{folder}/{path}", game) == short
    entry = Entry("doorstep", Part.SAVES, "games", path, 1, 0, "00" * 32, game)
    identity, line = same_save(entry, {"doorstep": ("games", "folder")})
    assert identity == ("doorstep", Part.SAVES, short)
    assert f"{line}/{short}".lstrip("/") == path
    assert same_save(entry, {}) == (entry.identity, "")


def test_nothing_is_written_twice_over(world: World) -> None:
    """A second run finds everything there already."""
    card = beside(world, "plover", "Fieldfare/Lamplighter.bin")
    put(card, "Games/Fieldfare/Lamplighter.sav", "lamp")
    night = world.night("plover")
    in_folder(world, "heron")
    world.restore("heron", night)
    again = world.prepare("heron", night).plan
    assert [step.decision.value for step in again.steps] == ["same"]
    assert all(step.action is Action.LEAVE for step in again.steps)
