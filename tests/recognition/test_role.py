"""Which folder plays the emulator's role, and what it is called."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.layouts.recognition.recognise import emulator_id, role


@pytest.mark.parametrize(
    ("path", "whose"),
    [
        ("", ""),
        ("Emulation/Tinplate/data/saves/slot1", "Emulation/Tinplate"),
        ("Emulation/Tinplate", "Emulation/Tinplate"),
        ("Tinplate/saves", "Tinplate"),
        ("Android/data/com.example.burrow/files/saves", "Android/data/com.example.burrow"),
        ("Download/Pedlar/Salt Road", "Download/Pedlar"),
        ("Games/Fieldfare", "Games/Fieldfare"),
        ("Games", "Games"),
        ("Emulatoren/Blechdose/Spielstände", "Emulatoren/Blechdose"),
        ("Saves/Fieldfare/Europe", "Saves/Fieldfare"),
        ("saves", ""),
        ("data/files/saves", ""),
        ("Download/saves", "Download"),
        ("Rootcellar/nand/0000000000000000/4c414d50", "Rootcellar"),
        ("0000000000000000/4c414d50", ""),
        ("users/1/saves", ""),
        ("エミュレータ/ブリキ/セーブデータ", "エミュレータ/ブリキ"),
        ("old handheld", "old handheld"),
        ("home/ana/.local/share/teasel/saves", "home/ana/.local/share/teasel"),
        ("COPY OF MY CARD/INTERNAL/TINPLATE/SAVES", "COPY OF MY CARD/INTERNAL/TINPLATE"),
        ("Quillwort export/data/Gravel & Glory", "Quillwort export"),
        ("Thatch/games/Thimble Fleet", "Thatch"),
        ("Exports/Hatbox", "Exports/Hatbox"),
        ("Hayloft/system/Gneiss", "Hayloft"),
        ("Emulation/Bramble/data/internal/files/game saves", "Emulation/Bramble"),
    ],
)
def test_the_right_level_of_the_tree(path: str, whose: str) -> None:
    assert role(path) == whose


NAMES = st.lists(
    st.sampled_from(
        ["data", "files", "saves", "Emulation", "Tinplate", "Games", "00000001", "7", "Salt Road", "ブリキ"]
    ),
    max_size=7,
)


@given(NAMES)
@settings(deadline=None)
def test_a_role_lies_on_the_way_and_has_a_name_of_its_own(names: list[str]) -> None:
    path = "/".join(names)
    found = role(path)
    assert path == found or path.startswith(f"{found}/") or not found
    assert found.rpartition("/")[2].casefold() not in ("data", "files", "saves")


@given(NAMES, st.sampled_from(["saves", "data", "states/7", "files/data"]))
@settings(deadline=None)
def test_folders_for_parts_inside_do_not_change_the_role(names: list[str], inside: str) -> None:
    """All parts of one emulator are grouped under one name."""
    path = "/".join([*names, "Kettle"])
    assert role(f"{path}/{inside}") == role(path)


@pytest.mark.parametrize(
    ("path", "name"),
    [
        ("Emulation/Tinplate", "tinplate"),
        ("Emulation/Tin Plate (new)", "tin-plate-new"),
        ("Éclair", "eclair"),
        ("Android/data/com.example.burrow", "example-burrow"),
        ("", "loose"),
        ("x" * 80, "x" * 40),
    ],
)
def test_ids_from_names(path: str, name: str) -> None:
    assert emulator_id(path, ()) == name


@given(st.text(max_size=60), st.lists(st.text(max_size=12), max_size=4))
@settings(deadline=None)
def test_an_id_is_valid_and_free_and_the_same_again(path: str, others: list[str]) -> None:
    taken = {emulator_id(other, ()) for other in others}
    found = emulator_id(path, taken)
    assert re.fullmatch("[a-z0-9][a-z0-9-]{0,39}", found)
    assert found not in taken
    assert emulator_id(path, taken) == found
    assert emulator_id(path, {*taken, found}) != found


def test_folders_of_one_name_in_another_script_have_different_ids() -> None:
    assert emulator_id("ブリキ", ()) != emulator_id("真鍮", ())
    assert emulator_id("a/Tinplate", {"tinplate"}) != emulator_id("b/Tinplate", {"tinplate"})
