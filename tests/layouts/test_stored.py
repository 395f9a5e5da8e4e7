"""The form stored with a night: canonical, complete, and believed only after it is checked."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.layouts.catalogue import read_catalogue
from handhold.layouts.layout import Home, Layout, Place, Rule
from handhold.layouts.pattern import compile_pattern
from handhold.layouts.stored import from_stored, stored_form
from handhold.model import HomeKind, Part

LAYOUT = Layout(
    id="tinplate",
    title="Tinplate “é”",
    like=("chosen-folder",),
    homes=(
        Home("main", HomeKind.FOLDER, (Place("card", "Tinplate"), Place("*", ""))),
        Home("x", HomeKind.GAMES),
    ),
    rules=(
        Rule(None, compile_pattern("cache/**"), why="rebuilt"),
        Rule(Part.CONTROLS, compile_pattern("pads/*"), home="main", carry=True),
    ),
    before=("Install it.",),
    after=(),
    carry={Part.STATES: False, Part.CHEATS: True},
    source="/somewhere/tinplate.yaml",
)

# Written by hand: this is what nights of today hold.
BYTES = (
    '{"by_hand":{"after":[],"before":["Install it."]},"carry":{"cheats":true,"states":false},"form":1,'
    '"homes":[{"at":["card:Tinplate","*:"],"kind":"folder","name":"main"},{"at":[],"kind":"games","name":"x"}],'
    '"id":"tinplate","like":["chosen-folder"],"rules":['
    '{"carry":null,"home":null,"part":null,"path":"cache/**","why":"rebuilt"},'
    '{"carry":true,"home":"main","part":"controls","path":"pads/*","why":""}],"title":"Tinplate “é”"}'
).encode()


def test_the_bytes() -> None:
    assert stored_form(LAYOUT) == BYTES
    assert from_stored(BYTES) == LAYOUT


def test_the_file_it_came_from_does_not_matter() -> None:
    assert stored_form(from_stored(BYTES)) == BYTES


def test_every_pattern_comes_back() -> None:
    for pattern in read_catalogue([]).patterns.values():
        assert from_stored(stored_form(pattern)) == pattern


def test_an_owners_layout_comes_back_with_its_pattern_in_it(tmp_path: Path) -> None:
    (tmp_path / "own.yaml").write_text(
        'layout: 1\nid: own\ntitle: Own\nlike: beside-games\nhomes: [{name: games, at: ["card:Games"]}]\n'
        'keep: [{part: saves, path: "**/{game}.xyz"}]\n'
    )
    own = read_catalogue([tmp_path]).layouts["own"]
    back = from_stored(stored_form(own))
    assert back == own
    assert back.verdict("games", "a/Lamp.xyz") == own.verdict("games", "a/Lamp.xyz") is not None
    assert back.verdict("games", "a/Lamp.srm") == own.verdict("games", "a/Lamp.srm") is not None


def changed(**values: Any) -> bytes:
    return json.dumps({**json.loads(BYTES), **values}).encode()


BAD = [
    b"",
    b"[]",
    b"{}",
    b"null",
    BYTES[:-1],
    BYTES + b" {}",
    b"\xff" + BYTES,
    b"[" * 100_000,
    changed(form=2),
    changed(form="1"),
    changed(extra=1),
    changed(id="../x"),
    changed(id=""),
    changed(title=""),
    changed(title="a\x1b[31mb"),
    changed(title="x" * 101),
    changed(like=["a b"]),
    changed(like=["a"] * 8),
    changed(homes=[]),
    changed(homes=[{"name": "m", "kind": "cave", "at": []}]),
    changed(homes=[{"name": "main", "kind": "folder", "at": ["card:../x"]}]),
    changed(homes=[{"name": "main", "kind": "folder", "at": ["card:/x"]}]),
    changed(homes=[{"name": "main", "kind": "folder", "at": ["card:a"] * 65}]),
    changed(homes=[{"name": "main", "kind": "folder", "at": []}] * 2),
    changed(rules=[{"part": "saves", "path": "../x", "home": None, "carry": None, "why": ""}]),
    changed(rules=[{"part": "saves", "path": "{A}", "home": None, "carry": None, "why": ""}]),
    changed(rules=[{"part": "stuff", "path": "a", "home": None, "carry": None, "why": ""}]),
    changed(rules=[{"part": "saves", "path": "a", "home": "nope", "carry": None, "why": ""}]),
    changed(rules=[{"part": "saves", "path": "a", "home": None, "carry": 1, "why": ""}]),
    changed(rules=[{"part": "saves", "path": "a", "home": None, "carry": None, "why": "a\nb\x07"}]),
    changed(rules=[{"part": "saves", "path": "a"}]),
    changed(carry={"stuff": True}),
    changed(by_hand={"before": ["x"] * 51, "after": []}),
    changed(by_hand={"before": [""], "after": []}),
    b'{"id":"' + b"a" * (9 << 20) + b'"}',
]


@pytest.mark.parametrize("data", BAD, ids=range(len(BAD)))
def test_what_is_not_believed(data: bytes) -> None:
    with pytest.raises(ValueError):
        from_stored(data)


@given(st.data())
@settings(deadline=None, max_examples=300)
def test_any_change_gives_a_sound_layout_or_an_error(data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(BYTES) - 1))
    put = data.draw(st.binary(max_size=3))
    cut = data.draw(st.integers(0, 4))
    try:
        layout = from_stored(BYTES[:at] + put + BYTES[at + cut :])
    except ValueError:
        return
    assert from_stored(stored_form(layout)) == layout
