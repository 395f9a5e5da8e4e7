"""Which steps by hand come with a plan."""

from __future__ import annotations

from msgspec.structs import replace

from handhold.model import Entry, HomeKind, Part, Site, Traits
from handhold.restore.byhand import by_hand
from handhold.restore.found import NOTHING, Target
from handhold.restore.steps import Action, Decision, Step
from tests.device.trees import layout

BARE = layout("tinplate", {"main": "card:Tinplate"}, "saves: **")
TINPLATE = replace(BARE, before=("Start it once.",), after=("Map the buttons.",))


def step(
    decision: Decision = Decision.WRITE, part: Part = Part.SAVES, kind: HomeKind = HomeKind.FOLDER
) -> Step:
    entry = Entry("tinplate", part, "main", f"{part}/x.cfg", 1, 0, "00" * 32)
    site = Site("tinplate", "main", kind, "card", "Tinplate")
    target = None if decision is Decision.BY_HAND else Target(site, "/x", "", Traits("ext4"), "s")
    action = Action.WRITE if decision is Decision.WRITE else Action.LEAVE
    return Step(decision, action, entry, target, "", NOTHING, entry.path)


def said(*steps: Step, moving: bool, known: bool = True) -> list[tuple[str, str]]:
    layouts = {"tinplate": TINPLATE} if known else {}
    return [(one.when, one.what) for one in by_hand(steps, layouts, moving)]


def test_a_move_brings_everything_around_the_files() -> None:
    assert said(step(), moving=True) == [("after", "Map the buttons.")]  # it is there: it was started once


def test_on_the_same_device_nothing_is_left_to_do() -> None:
    assert said(step(), moving=False) == []
    assert said(step(Decision.SAME), moving=True) == []


def test_an_emulator_that_is_not_there() -> None:
    assert said(step(Decision.BY_HAND), moving=False) == [
        ("before", "Start it once."),
        ("after", "Map the buttons."),
    ]


def test_what_went_into_an_export_folder_is_to_be_imported() -> None:
    assert said(step(kind=HomeKind.EXPORT), moving=False) == [("after", "Map the buttons.")]
    ((when, what),) = said(step(kind=HomeKind.EXPORT), moving=False, known=False)
    assert when == "after" and "Import" in what


def test_states_and_settings_come_with_a_warning_on_another_device() -> None:
    told = said(step(part=Part.STATES), step(part=Part.SETTINGS), moving=True, known=False)
    assert len(told) == 2
    assert "another version" in told[0][1] and "settings/x.cfg" in told[1][1]
    assert said(step(part=Part.STATES), moving=False) == []
