"""What an owner selects of a snapshot."""

from __future__ import annotations

import shlex

import pytest

from handhold.errors import UnknownName, WrongInput
from handhold.model import Entry, Part
from handhold.restore.select import Selection, chosen, title_of


def entry(emulator: str, part: Part, path: str, game: str | None = None) -> Entry:
    return Entry(emulator, part, "main", path, 1, 0, "00" * 32, game)


ENTRIES = [
    entry("tinplate", Part.SAVES, "saves/Moss Garden.sav", "Moss Garden"),
    entry("tinplate", Part.STATES, "states/Moss Garden.st1", "Moss Garden"),
    entry("tinplate", Part.SAVES, "saves/Fern [2].sav", "Fern [2]"),
    entry("lantern", Part.SAVES, "slot/Élan.sav", None),
    entry("lantern", Part.SETTINGS, "lantern.cfg"),
]


@pytest.mark.parametrize(
    ("selection", "expected"),
    [
        (Selection(), [0, 1, 2, 3, 4]),
        (Selection(emulators=("tinplate",)), [0, 1, 2]),
        (Selection(emulators=("TinPlate",)), [0, 1, 2]),
        (Selection(emulators=("tinplate", "lantern")), [0, 1, 2, 3, 4]),
        (Selection(parts=(Part.SAVES,)), [0, 2, 3]),
        (Selection(games=("moss garden",)), [0, 1]),
        (Selection(games=("moss*",)), [0, 1]),
        (Selection(games=("m?ss*",), parts=(Part.STATES,)), [1]),
        (Selection(games=("*[2]",)), [2]),  # a bracket is part of a title, not a set of characters
        (Selection(games=("e\u0301lan",)), [3]),  # the same letter, written as two characters
        (Selection(games=("lantern",)), [4]),  # no game known: the name of the file
        (Selection(games=("moss*", "fern*"), emulators=("tinplate",), parts=(Part.SAVES,)), [0, 2]),
    ],
)
def test_what_is_chosen(selection: Selection, expected: list[int]) -> None:
    assert chosen(ENTRIES, selection) == [ENTRIES[at] for at in expected]


def test_unknown_names_offer_the_nearest() -> None:
    with pytest.raises(UnknownName, match="Did you mean tinplate") as emulator:
        chosen(ENTRIES, Selection(emulators=("tinplat",)))
    assert emulator.value.what == 'There is no emulator named "tinplat".'
    with pytest.raises(UnknownName, match="Did you mean Moss Garden"):
        chosen(ENTRIES, Selection(games=("Mos Garden",)))


@pytest.mark.parametrize(
    ("game", "example"),
    [
        ("Moss Garden", "'moss*'"),
        (" ", "'moss*'"),  # a folder may be called so: no word of it can be shown
        ("\u3000", "'moss*'"),
        ("L'Orage", "'l'\"'\"'orage*'"),
    ],
)
def test_an_unknown_game_is_told_with_an_example_that_a_shell_takes(game: str, example: str) -> None:
    some = [entry("tinplate", Part.SAVES, "saves/a.sav", game)]
    with pytest.raises(UnknownName) as told:
        chosen(some, Selection(games=("zebra",)))
    assert f"--game {example}" in str(told.value.advice)
    # Source: POSIX.1-2017, Shell Command Language, 2.2.2 Single-Quotes; read by the library's own parser
    assert len(shlex.split(example)) == 1


def test_a_combination_that_nothing_fits_is_told() -> None:
    with pytest.raises(WrongInput, match="nothing that fits --emulator lantern --part states"):
        chosen(ENTRIES, Selection(emulators=("lantern",), parts=(Part.STATES,)))


def test_titles() -> None:
    assert title_of(entry("x", Part.SAVES, "a/.hidden")) == ".hidden"
    assert title_of(entry("x", Part.SAVES, "a/two.dots.sav")) == "two.dots"
