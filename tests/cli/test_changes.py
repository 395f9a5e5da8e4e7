"""``changes`` over the real command line."""

from __future__ import annotations

import os
from contextlib import AbstractContextManager
from pathlib import Path

import jsonschema
import pytest

from handhold.device import reading
from handhold.history import states
from tests.cli.schemas import CHANGES
from tests.cli.test_carry import SAVE, Handheld, handheld
from tests.cli.world import World


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


@pytest.fixture
def plover(world: World) -> Handheld:
    made = handheld(world, "plover")
    assert made.run("setup").status == 0
    made.play("chapter 1")
    made.play("settings", "Tinplate/config/main.ini")
    made.play("a lighthouse", "Lantern/memory/Lighthouse.mcr")
    made.night()
    return made


def told(handheld: Handheld, *arguments: str, status: int = 0) -> list[tuple[str, str]]:
    said = handheld.run("changes", "--json", *arguments)
    assert said.status == status, said.text
    jsonschema.validate(said.document, CHANGES)
    return [(one["what"], one["path"]) for one in said.document["changes"]]


def test_from_the_last_night_to_now_reads_only_what_may_have_changed(
    plover: Handheld, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert told(plover) == []
    plover.play("chapter 2")
    plover.play("begun", "Tinplate/saves/Storm.sav")
    (plover.internal / "Tinplate/config/main.ini").unlink()
    read: list[str] = []

    def noted(place: str) -> AbstractContextManager[reading.StillFile]:
        read.append(place)
        return reading.still_file(place)

    monkeypatch.setattr(states, "still_file", noted)
    assert told(plover) == [
        ("changed", "saves/Mole Hollow.sav"), ("new", "saves/Storm.sav"), ("gone", "config/main.ini"),
    ]  # fmt: skip
    assert sorted(os.path.basename(place) for place in read) == ["Mole Hollow.sav", "Storm.sav"]
    assert [one for one in plover.run("list").out.splitlines() if "plover" in one][
        1:
    ] == []  # nothing was kept


def test_a_file_that_was_only_touched_is_the_same(plover: Handheld) -> None:
    plover.play("chapter 1", minutes_ago=5)
    assert told(plover) == []


def test_between_two_nights_and_from_an_older_one_to_now(plover: Handheld) -> None:
    plover.play("chapter 2")
    plover.night()
    assert told(plover, "plover.2026-03-01", "latest") == [("changed", "saves/Mole Hollow.sav")]
    assert told(plover, "plover.2026-03-01") == [("changed", "saves/Mole Hollow.sav")]
    assert told(plover) == []
    said = plover.run("changes", "plover.2026-03-01", "plover")
    assert said.out.splitlines()[2:] == [
        "Part   Emulator  What     Files  Games",
        "saves  tinplate  changed      1  Mole Hollow",
        "",
        "1 changed, 2 the same.",
    ]


def test_a_moved_file_is_told_with_both_places(plover: Handheld) -> None:
    (plover.internal / SAVE).rename(plover.internal / "Tinplate/saves/Mole Hollow 2.sav")
    said = plover.run("changes")
    assert "  tinplate: saves/Mole Hollow.sav -> tinplate: saves/Mole Hollow 2.sav" in said.out
    assert said.out.endswith("1 moved, 2 the same.\n")
    files = plover.run("changes", "--files").out
    assert "moved   9 B  tinplate: saves/Mole Hollow.sav -> tinplate: saves/Mole Hollow 2.sav" in files


def test_a_card_that_is_out_takes_no_save_away(plover: Handheld) -> None:
    os.rename(plover.card, plover.card.parent / "elsewhere")
    plover.card.mkdir()
    assert told(plover, status=3) == [("unknown", "memory/Lighthouse.mcr")]
    said = plover.run("changes")
    assert said.status == 3 and "Nothing changed." in said.out
    assert "1 file of plover.2026-03-01.220002 could not be looked for" in said.out.replace("\n", " ")
    assert "is the card in?" in said.out.replace("\n", " ")


def test_only_what_is_asked_for(plover: Handheld) -> None:
    plover.play("chapter 2")
    plover.play("other settings", "Tinplate/config/main.ini")
    assert told(plover, "--part", "settings") == [("changed", "config/main.ini")]
    assert told(plover, "--game", "mole*") == [("changed", "saves/Mole Hollow.sav")]
    assert told(plover, "--emulator", "lantern") == []
    assert plover.run("changes", "--game", "nothing").status == 2
    assert plover.run("changes", "plover.2020-01-01").status == 2


def test_two_devices_are_compared_by_their_paths(plover: Handheld, world: World) -> None:
    wren = handheld(world, "wren")
    wren.play("chapter 3")
    wren.play("a lighthouse", "Lantern/memory/Lighthouse.mcr")
    wren.night()
    assert told(wren, "plover", "wren") == [
        ("changed", "saves/Mole Hollow.sav"), ("gone", "config/main.ini"),
    ]  # fmt: skip
