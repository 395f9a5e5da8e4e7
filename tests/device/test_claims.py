"""Whose a file is, by tables: the rule as it stands in DESIGN section 3 and the words of claims.decide."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handhold.device.claims import Candidate, decide, why_lost
from handhold.layouts.layout import Verdict
from handhold.model import HomeKind, Part
from tests.device.trees import fill, kept, layout, walked


def candidate(depth: int, emulator: str, part: str) -> Candidate:
    return Candidate(depth, emulator, Verdict(None if part == "skip" else Part(part), None, "", None))


@pytest.mark.parametrize(
    ("candidates", "winner", "losers"),
    [
        # one alone
        ([(3, "tinplate", "saves")], "tinplate", []),
        ([(3, "tinplate", "skip")], "tinplate", []),
        # the deeper home is the more specific one, whatever the order
        ([(3, "tinplate", "saves"), (5, "lantern", "saves")], "lantern", ["tinplate"]),
        ([(5, "lantern", "saves"), (3, "tinplate", "saves")], "lantern", ["tinplate"]),
        ([(3, "tinplate", "saves"), (5, "lantern", "skip")], "lantern", ["tinplate"]),
        ([(3, "tinplate", "skip"), (5, "lantern", "saves")], "lantern", []),
        # at the same depth keeping beats leaving out, then the lower id
        ([(3, "aster", "skip"), (3, "tinplate", "saves")], "tinplate", []),
        ([(3, "aster", "cache"), (3, "tinplate", "saves")], "tinplate", []),
        ([(3, "tinplate", "saves"), (3, "aster", "states")], "aster", ["tinplate"]),
        ([(3, "tinplate", "skip"), (3, "aster", "skip")], "aster", []),
        # one of the games loses against anything else that is kept, at any depth
        ([(9, "shelf", "games"), (3, "tinplate", "saves")], "tinplate", []),
        ([(3, "shelf", "games"), (9, "tinplate", "saves")], "tinplate", []),
        # but not against what is left out
        ([(9, "shelf", "games"), (3, "tinplate", "skip")], "shelf", []),
        ([(3, "shelf", "games"), (9, "tinplate", "skip")], "tinplate", []),
        ([(3, "shelf", "games"), (3, "aster", "cache")], "shelf", []),
        # two inventories of the same games are no conflict: neither is kept
        ([(3, "shelf", "games"), (5, "rack", "games")], "rack", []),
        # two homes of one emulator are no conflict
        ([(3, "tinplate", "saves"), (5, "tinplate", "states")], "tinplate", []),
        # three: each other emulator is told once
        (
            [(3, "c", "saves"), (4, "c", "saves"), (5, "b", "saves"), (6, "a", "saves"), (2, "d", "games")],
            "a",
            ["b", "c"],
        ),
    ],
)
def test_decide(candidates: list[tuple[int, str, str]], winner: str, losers: list[str]) -> None:
    decision = decide([candidate(*c) for c in candidates])
    assert decision.winner.emulator == winner
    assert [loser.emulator for loser in decision.losers] == losers
    for loser in decision.losers:
        assert winner in why_lost(decision.winner, loser)


@given(
    st.lists(
        st.tuples(
            st.integers(1, 3), st.sampled_from("abc"), st.sampled_from(["skip", "games", "saves", "cache"])
        ),
        min_size=1,
        max_size=5,
        unique_by=lambda c: c[:2],
    ),
    st.randoms(use_true_random=False),
)
def test_the_order_of_the_homes_does_not_matter(
    candidates: list[tuple[int, str, str]], random: object
) -> None:
    one = decide([candidate(*c) for c in candidates])
    random.shuffle(candidates)  # type: ignore[attr-defined]
    other = decide([candidate(*c) for c in candidates])
    assert one.winner[:3] == other.winner[:3]
    assert {loser.emulator for loser in one.losers} == {loser.emulator for loser in other.losers}


def test_a_nested_home_has_its_files_and_it_is_said(tmp_path: Path) -> None:
    fill(tmp_path, "Emulation/Tinplate/a.sav", "Emulation/Tinplate/b.sav", "Emulation/c.sav")
    roof = layout("roof", {"main": "*:Emulation"}, "saves: **/{game}.sav")
    tinplate = layout("tinplate", {"main": "*:Emulation/Tinplate"}, "saves: {game}.sav")
    found = walked({"card": tmp_path}, roof, tinplate)
    assert kept(found) == {
        "card:Emulation/Tinplate/a.sav": ("tinplate/main", "saves"),
        "card:Emulation/Tinplate/b.sav": ("tinplate/main", "saves"),
        "card:Emulation/c.sav": ("roof/main", "saves"),
    }
    (conflict,) = found.conflicts
    assert conflict[:4] == ("card", "Emulation/Tinplate", "tinplate", "roof")
    assert conflict.files == 2
    assert "more specific" in conflict.why


def test_the_same_folder_for_two(tmp_path: Path) -> None:
    fill(tmp_path, "Shared/a.sav", "Shared/a.state", "Shared/a.tmp")
    one = layout("aster", {"main": "card:Shared"}, "saves: *.sav", "skip: *.state")
    two = layout("birch", {"main": "card:Shared"}, "saves: *.sav", "states: *.state", "skip: *.tmp")
    found = walked({"card": tmp_path}, two, one)
    assert kept(found) == {
        "card:Shared/a.sav": ("aster/main", "saves"),
        "card:Shared/a.state": ("birch/main", "states"),
    }
    (conflict,) = found.conflicts
    assert (conflict.winner, conflict.loser, conflict.files) == ("aster", "birch", 1)
    assert dict(found.skipped) == {"birch": (1, 4)}
    assert found.unclaimed == []


def test_games_are_an_inventory_and_saves_beside_them_are_saves(tmp_path: Path) -> None:
    fill(tmp_path, "Games/small/Lamp Oil.bin", "Games/small/Lamp Oil.sav", "Games/small/Lamp Oil.st0")
    shelf = layout("shelf", {"games": "*:Games/small"}, "games: **", kind=HomeKind.GAMES)
    tinplate = layout(
        "tinplate", {"beside": "*:Games"}, "saves: **/{game}.sav", "states: **/{game}.st{slot}",
        kind=HomeKind.GAMES,
    )  # fmt: skip
    found = walked({"card": tmp_path}, shelf, tinplate)
    assert kept(found) == {
        "card:Games/small/Lamp Oil.bin": ("shelf/games", "games"),
        "card:Games/small/Lamp Oil.sav": ("tinplate/beside", "saves"),
        "card:Games/small/Lamp Oil.st0": ("tinplate/beside", "states"),
    }
    assert found.conflicts == []
    assert {c.game for c in found.claims if c.part is not Part.GAMES} == {"Lamp Oil"}


def test_cache_is_left_out_as_if_skipped(tmp_path: Path) -> None:
    fill(tmp_path, "T/shaders/1", "T/shaders/2", "T/old/3", "T/a.sav", content=b"12345")
    found = walked(
        {"card": tmp_path},
        layout("tinplate", {"main": "card:T"}, "cache: shaders/**", "skip: old/**", "saves: *.sav"),
    )
    assert list(kept(found)) == ["card:T/a.sav"]
    assert dict(found.skipped) == {"tinplate": (3, 15)}


def test_rules_for_one_home_only(tmp_path: Path) -> None:
    fill(tmp_path, "One/a.sav", "Two/a.sav")
    both = layout("tinplate", {"one": "card:One", "two": "card:Two"}, "saves@one: *.sav", "states@two: *.sav")
    assert kept(walked({"card": tmp_path}, both)) == {
        "card:One/a.sav": ("tinplate/one", "saves"),
        "card:Two/a.sav": ("tinplate/two", "states"),
    }


def test_a_home_inside_another_of_the_same_emulator(tmp_path: Path) -> None:
    fill(tmp_path, "T/saves/a.sav", "T/b.sav")
    found = walked(
        {"card": tmp_path},
        layout("tinplate", {"main": "card:T", "inner": "card:T/saves"}, "saves: **/*.sav", "saves: *.sav"),
    )
    assert kept(found) == {
        "card:T/saves/a.sav": ("tinplate/inner", "saves"),
        "card:T/b.sav": ("tinplate/main", "saves"),
    }
    assert found.conflicts == []
