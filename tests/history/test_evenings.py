"""Evenings of play: days in the owner's offset, and the weeks of ISO 8601."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handhold.archive.archive import Archive
from handhold.archive.storage import LocalStorage
from handhold.history.evenings import evenings, weeks
from handhold.history.reading import Asked, read_histories
from handhold.model import Kind
from handhold.restore.select import Selection
from tests.history.nights import Nights

SAVE = "saves/Moss.sav"


@pytest.fixture
def nights(tmp_path: Path) -> Nights:
    return Nights(tmp_path / "archive")


def played(nights: Nights) -> list[str]:
    """Device and day of each evening."""
    archive = Archive.open(LocalStorage(nights.archive.storage.where))
    found = read_histories(archive, Asked(Selection()), {})
    return [f"{one.device} {one.day}" for one in evenings(found.saves, found.snapshots)]


def test_each_new_content_is_an_evening_but_for_the_first_night(nights: Nights) -> None:
    for content in ("one", "two", "two", "three", "one"):  # an old one that came back was not played
        nights.write("plover", {SAVE: content})
    assert played(nights) == ["plover 2026-03-02", "plover 2026-03-04"]


def test_a_game_that_was_begun_later_was_played(nights: Nights) -> None:
    nights.write("plover", {SAVE: "one"})
    nights.write("plover", {SAVE: "one", "saves/Salt.sav": "begun"})
    assert played(nights) == ["plover 2026-03-02"]


def test_what_came_from_another_device_was_played_there(nights: Nights) -> None:
    nights.write("plover", {SAVE: "one"})
    nights.write("wren", {SAVE: "one"})
    nights.write("wren", {SAVE: "two"})  # 3 March
    nights.write("plover", {SAVE: "two"}, kind=Kind.RESTORED)
    nights.write("plover", {SAVE: "two"})
    assert played(nights) == ["wren 2026-03-03"]


def test_what_a_restore_found_in_its_way_was_played(nights: Nights) -> None:
    nights.write("plover", {SAVE: "one"})
    nights.write("plover", {SAVE: "two"}, kind=Kind.SAFETY)
    assert played(nights) == ["plover 2026-03-02"]


def test_the_day_is_that_of_the_file_where_it_lies_between_two_nights(nights: Nights) -> None:
    west = timezone(timedelta(hours=-7))
    nights.write("plover", {SAVE: "one"})  # 1 March, 21:00+02:00
    taken = datetime(2026, 3, 4, 3, 30, tzinfo=west)
    # 06:10 UTC on 3 March is still the evening of 2 March where the owner is
    nights.write("plover", {SAVE: "two"}, taken=taken, written=datetime(2026, 3, 3, 6, 10, tzinfo=UTC))
    assert played(nights) == ["plover 2026-03-02"]
    # a time from before the last night cannot be true
    nights.write(
        "plover", {SAVE: "three"}, taken=taken + timedelta(days=1), written=datetime(2001, 1, 1, tzinfo=west)
    )
    assert played(nights) == ["plover 2026-03-02", "plover 2026-03-05"]


# Source: ISO 8601, weeks as its examples have them: 2005-01-01 lies in 2004-W53, 2007-01-01 in 2007-W01,
# 2008-12-29 in 2009-W01, 2010-01-03 in 2009-W53 (from memory of the published examples)
@pytest.mark.parametrize(
    ("day", "week"),
    [
        (date(2005, 1, 1), "2004-W53"),
        (date(2007, 1, 1), "2007-W01"),
        (date(2008, 12, 29), "2009-W01"),
        (date(2010, 1, 3), "2009-W53"),
    ],
)
def test_weeks_at_the_ends_of_years(day: date, week: str) -> None:
    (found,) = weeks([day])
    assert found.name == week and day in found.every and found.monday.weekday() == 0


@given(st.sets(st.dates(date(1990, 1, 1), date(1993, 1, 1)), min_size=1, max_size=5))
def test_weeks_follow_each_other_and_hold_every_day(days: set[date]) -> None:
    found = weeks(days)
    assert days <= {day for week in found for day in week.every}
    assert min(days) in found[0].every and max(days) in found[-1].every
    assert all(b.monday - a.monday == timedelta(days=7) for a, b in pairwise(found))


def test_no_days_no_weeks() -> None:
    assert weeks([]) == []
