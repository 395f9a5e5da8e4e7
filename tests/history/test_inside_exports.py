"""Saves inside zip exports have versions too."""

from __future__ import annotations

from pathlib import Path

import pytest

from handhold.history.reading import Asked, read_histories
from handhold.history.versions import History
from handhold.restore.select import Selection
from tests.exports.world import World, hatbox

INSIDE = """\
inside:
  - {part: saves, path: "slots/{game}.dat"}
"""
MOSS = "slots/Moss.dat"


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path / "world", hatbox(INSIDE))


def versions(world: World, game: str = "Moss") -> History:
    found = read_histories(world.reopened(), Asked(Selection(games=(game,))), world.layouts)
    (save,) = found.saves
    return save


def test_a_member_of_a_nightly_export_has_versions(world: World) -> None:
    for number, content in enumerate((b"one", b"one", b"two")):
        # the other member changes each night, and so does the zip
        world.export({MOSS: content, "slots/Salt.dat": b"salt %d" % number})
        world.take()
        world.later(days=1)
    save = versions(world)
    assert save.identity[2] == MOSS and save.inside and save.entry.game == "Moss"
    assert [(v.number, v.size, v.nights, bool(v.stands)) for v in save.versions] == [
        (2, 3, 1, True),
        (1, 3, 2, False),
    ]
    assert len(versions(world, "Salt").versions) == 3


def test_exports_with_dates_in_their_names_are_one_history(world: World) -> None:
    world.export({MOSS: b"one"}, "hatbox 2026-03-01.zip")
    world.take()
    world.later(days=1)
    world.export({MOSS: b"two"}, "hatbox 2026-03-02.zip")  # beside the older one
    world.take()
    save = versions(world)
    assert [(v.number, v.nights, bool(v.stands)) for v in save.versions] == [(2, 1, True), (1, 2, False)]
    assert save.after() == {2: 1}
    assert save.versions[1].entry.path == "hatbox 2026-03-01.zip"


def test_older_exports_that_the_first_night_finds_stood_before(world: World) -> None:
    for name, content in (("c.zip", b"one"), ("a.zip", b"two"), ("b.zip", b"three")):
        world.export({MOSS: content}, name)
        world.later(days=1)
    world.take()
    save = versions(world)
    # by the time of each zip, not by its name
    assert [(v.number, v.entry.path, bool(v.stands)) for v in save.versions] == [
        (3, "b.zip", True),
        (2, "a.zip", False),
        (1, "c.zip", False),
    ]
    assert save.after() == {2: 1, 3: 2}
