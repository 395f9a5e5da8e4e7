"""Two homes that hold the same saves in two forms: named by a layout, checked, stored."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from handhold.documents.mistakes import Mistakes
from handhold.layouts.catalogue import read_catalogue
from handhold.layouts.layout import Layout
from handhold.layouts.schema import schema
from handhold.layouts.stored import from_stored, stored_form

HEAD = "layout: 1\nid: doorstep\ntitle: Doorstep\n"
HOMES = (
    'homes:\n- {name: near, kind: games, at: "card:Games"}\n- {name: far, kind: folder, at: "card:Saves"}\n'
)


def read(folder: Path, text: str) -> Layout:
    (folder / "doorstep.yaml").write_text(text)
    return read_catalogue([folder]).layouts["doorstep"]


@pytest.mark.parametrize("order", ["[near, far]", "[far, near]"])
def test_the_home_beside_the_games_comes_first(tmp_path: Path, order: str) -> None:
    layout = read(tmp_path, f"{HEAD}{HOMES}forms: {order}\n")
    assert layout.forms == ("near", "far")
    assert (layout.other_form("near"), layout.other_form("far")) == ("far", "near")
    assert layout.other_form("elsewhere") is None
    assert from_stored(stored_form(layout)).forms == ("near", "far")


def test_a_layout_has_them_from_its_pattern(tmp_path: Path) -> None:
    own = (
        "like: beside-games\nhomes:\n- {name: games, at: 'card:Games'}\n- {name: folder, at: 'card:Saves'}\n"
    )
    assert read(tmp_path, HEAD + own).forms == ("games", "folder")
    assert read(
        tmp_path, HEAD + own + "- {name: folder2, kind: folder}\nforms: [games, folder2]\n"
    ).forms == (
        "games",
        "folder2",
    )


def test_without_them_no_home_has_another_form(tmp_path: Path) -> None:
    layout = read(tmp_path, HEAD + HOMES)
    assert layout.forms is None
    assert layout.other_form("near") is None
    assert b"forms" not in stored_form(layout)


@pytest.mark.parametrize(
    ("forms", "column"),
    [
        ("[near]", 8),
        ("[near, near]", 8),
        ("[near, nowhere]", 8),
        ("near", 8),
        ("[near, far, near]", 8),
        ("[a b, c]", 9),
    ],
)
def test_mistakes(tmp_path: Path, forms: str, column: int) -> None:
    with pytest.raises(Mistakes) as caught:
        read(tmp_path, f"{HEAD}{HOMES}forms: {forms}\n")
    assert f"doorstep.yaml:7:{column}: " in str(caught.value)


def test_two_of_one_kind_are_no_two_forms(tmp_path: Path) -> None:
    with pytest.raises(Mistakes) as caught:
        read(tmp_path, HEAD + HOMES.replace("kind: games", "kind: folder") + "forms: [near, far]\n")
    assert "the kind games and one of the kind folder" in str(caught.value)


@pytest.mark.parametrize(
    "forms", [["far", "near"], ["near", "gone"], ["near"], "near", ["near", "far", "far"]]
)
def test_stored_ones_are_not_believed(tmp_path: Path, forms: object) -> None:
    document = json.loads(stored_form(read(tmp_path, f"{HEAD}{HOMES}forms: [near, far]\n")))
    document["forms"] = forms
    with pytest.raises(ValueError):
        from_stored(json.dumps(document).encode())


def test_the_schema_knows_them() -> None:
    check = Draft202012Validator(schema())
    base = {"layout": 1, "id": "a", "title": "A", "like": "b"}
    assert check.is_valid({**base, "forms": ["near", "far"]})
    assert not check.is_valid({**base, "forms": ["near"]})
    assert not check.is_valid({**base, "forms": "near"})
