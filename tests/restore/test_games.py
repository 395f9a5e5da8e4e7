"""Saves without a game, names that are nearly the same, and copies that go by another title."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from handhold.errors import UnknownName, WrongInput
from handhold.model import Entry, Part
from handhold.restore.found import NOTHING
from handhold.restore.games import near, plainly, titles, without_game
from handhold.restore.steps import Action, Decision, Step
from handhold.restore.titles import rename, rename_options
from tests.device.trees import layout

TINPLATE = layout(
    "tinplate",
    {"main": ("*:Tinplate",)},
    "saves: saves/{game}.sav",
    "saves: slots/{game}/**",
    "states: states/{game}.st{slot}",
    "cheats: cheats/{game}.txt",
)
LAYOUTS = {"tinplate": TINPLATE}


def entry(path: str, game: str | None, part: Part = Part.SAVES, sha: str = "00") -> Entry:
    return Entry("tinplate", part, "main", path, 1, 0, sha, game)


def step(one: Entry, decision: Decision = Decision.WRITE, action: Action = Action.WRITE) -> Step:
    return Step(decision, action, one, None, "", NOTHING, one.path)


def plain(*names: str) -> Mapping[str, list[str]]:
    found: dict[str, list[str]] = {}
    for name in names:
        found.setdefault(plainly(name), []).append(name)
    return found


@pytest.mark.parametrize(
    ("title", "here", "expected"),
    [
        ("Moss Garden (Europe)", ["Moss Garden (World) (Rev 1)"], ["Moss Garden (World) (Rev 1)"]),
        ("Moss Garden", ["moss_garden", "Salt Road"], ["moss_garden"]),
        ("Moss & Brass", ["Moss and Brass"], ["Moss and Brass"]),
        ("Ärger", ["Arger"], ["Arger"]),
        ("Moss Garden", ["Moss Gardens", "Moss Garten"], ["Moss Gardens", "Moss Garten"]),
        ("Moss Garden", ["Salt Road", "Moss"], []),
        ("Salt Road 2", ["Salt Road 3", "Salt Road"], []),  # another game of the row
        ("Salt Road II", ["Salt Road III"], []),
        ("Salt Road (Disc 2)", ["Salt Road (Disc 1)", "Salt Road (Disc 2) [a]"],
         ["Salt Road (Disc 2) [a]", "Salt Road (Disc 1)"]),
        ("(Prologue)", ["(Prologue) [v2]", "(Epilogue)"], []),
        ("灯台", ["灯台 (日本)"], ["灯台 (日本)"]),
        ("A", ["a (1)", "a (2)", "a (3)", "a (4)"], ["a (1)", "a (2)", "a (3)"]),
    ],
)  # fmt: skip
def test_nearly_the_same_name(title: str, here: list[str], expected: list[str]) -> None:
    found = near(title, plain(*here))
    assert (sorted(found) if title == "Moss Garden" else list(found)) == expected


def test_which_saves_have_no_game() -> None:
    then = titles(
        [("A/Moss.bin", "Moss"), ("A/Salt (EU).bin", None), ("A/Brass/1.bin", None), ("A/Tin.bin", None)]
    )
    here = titles([("B/moss.iso", None), ("B/Salt (US).bin", None)])
    steps = [
        step(entry("saves/Moss.sav", "Moss")),
        step(entry("saves/Salt (EU).sav", "Salt (EU)")),
        step(entry("states/Salt (EU).st1", "Salt (EU)", Part.STATES)),
        step(entry("saves/Brass.sav", "Brass"), Decision.SAME, Action.LEAVE),
        step(entry("saves/Tin.sav", "Tin"), Decision.NEWER, Action.LEAVE),  # it does not come along
        step(entry("saves/card 1.sav", "card 1")),  # there never was such a game
        step(entry("cheats/Brass.txt", "Brass", Part.CHEATS)),
        step(entry("saves/none", None)),
    ]
    found = [(one.game, one.files, one.near) for one in without_game(steps, then, here)]
    assert found == [("Brass", 1, ()), ("Salt (EU)", 2, ("Salt (US)",))]


def test_a_copy_goes_by_the_new_title_file_by_file() -> None:
    entries = [
        entry("saves/Moss.sav", "Moss"),
        entry("slots/Moss/moss.dat", "Moss"),
        entry("states/MOSS.st1", "MOSS", Part.STATES),
        entry("saves/Mossy.sav", "Mossy"),
        entry("cheats/Salt.txt", "Salt", Part.CHEATS),
    ]
    pairs = rename_options(["moss=Moss (World)"], entries)
    done = rename(entries, entries, pairs, LAYOUTS)
    assert [(one.path, one.game) for one in done.entries] == [
        ("saves/Moss (World).sav", "Moss (World)"),
        ("slots/Moss (World)/Moss (World).dat", "Moss (World)"),
        ("states/Moss (World).st1", "Moss (World)"),
        ("saves/Mossy.sav", "Mossy"),
        ("cheats/Salt.txt", "Salt"),
    ]
    assert done.every == done.entries and not done.left
    assert done.was["tinplate", "main", "saves/Moss (World).sav"] == "saves/Moss.sav"
    assert all(one.sha256 == "00" for one in done.entries)


def test_what_cannot_go_by_the_new_title_is_left_and_told() -> None:
    taken = [entry("saves/Moss.sav", "Moss"), entry("saves/New.sav", "New", sha="01")]
    done = rename(taken, taken, rename_options(["Moss=New"], taken), LAYOUTS)
    assert [one.path for one in done.entries] == ["saves/New.sav"]
    (left,) = done.left
    assert left.decision is Decision.BLOCKED and "another file" in left.why
    # The layout would take the new name for something else.
    other = layout("tinplate", {"main": ("*:T",)}, "skip: saves/x*", "saves: saves/{game}.sav")
    done = rename(taken[:1], taken[:1], rename_options(["Moss=xMoss"], taken), {"tinplate": other})
    assert not done.entries and "layout" in done.left[0].why
    # Its name does not say its game.
    odd = [entry("saves/0001.sav", "Moss")]
    done = rename(odd, odd, rename_options(["Moss=New"], odd), {})
    assert not done.entries and "does not begin" in done.left[0].why


def test_only_what_is_picked_is_renamed() -> None:
    entries = [entry("saves/Moss.sav", "Moss"), entry("states/Moss.st1", "Moss", Part.STATES)]
    done = rename(entries[:1], entries, rename_options(["Moss=New"], entries), LAYOUTS)
    assert [one.path for one in done.entries] == ["saves/New.sav"]
    assert [one.path for one in done.every] == ["saves/New.sav", "states/Moss.st1"]


def test_titles_may_hold_an_equals_sign() -> None:
    entries = [entry("saves/1=1.sav", "1=1")]
    assert rename_options(["1=1=2=2"], entries) == {"1=1": ("1=1", "2=2")}


@pytest.mark.parametrize(
    ("text", "error"),
    [("Moss", WrongInput), ("Moss=", WrongInput), ("=New", WrongInput), ("Mos=New", UnknownName),
     ("Moss=a/b", WrongInput), ("Moss=..", WrongInput), ("Moss=" + "x" * 300, WrongInput)],
)  # fmt: skip
def test_options_that_cannot_be(text: str, error: type[WrongInput]) -> None:
    with pytest.raises(error):
        rename_options([text], [entry("saves/Moss.sav", "Moss")])


def test_one_title_gets_one_new_one() -> None:
    with pytest.raises(WrongInput):
        rename_options(["Moss=a", "moss=b"], [entry("saves/Moss.sav", "Moss")])
