"""Which nights stay: calendars worked out by hand, published week numbers, and what always holds."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from handhold.archive.head import Snapshot
from handhold.archive.retention import Rule, believed, retain, surely_old
from handhold.model import Kind

NOW = datetime(2030, 1, 1, tzinfo=UTC)


def night(
    taken: str | datetime, sequence: float, device: str = "pebble", kind: Kind = Kind.NIGHT
) -> Snapshot:
    time = datetime.fromisoformat(taken) if isinstance(taken, str) else taken
    return Snapshot(f"{device}.{sequence}", device, sequence, kind, time, 1, 1, 0, "", f"{sequence:g}")


def kept(times: list[str], rule: Rule, zone: str = "UTC", now: datetime = NOW) -> dict[int, tuple[str, ...]]:
    """The reasons by place in ``times``, without that for the newest."""
    nights = [night(time, at) for at, time in enumerate(times)]
    stays = retain(nights, rule, ZoneInfo(zone), now)
    reasons = {int(file): tuple(w for w in why if w != "newest of pebble") for file, why in stays.items()}
    return {at: why for at, why in reasons.items() if why}


# Source: ISO 8601:2004, 3.2.2 and its tables as published in "ISO week date": the days on which the calendar
# year and the year of the week differ.
WEEKS = [
    ("2005-01-01", "2004-W53"),
    ("2005-01-02", "2004-W53"),
    ("2005-12-31", "2005-W52"),
    ("2006-01-01", "2005-W52"),
    ("2006-01-02", "2006-W01"),
    ("2006-12-31", "2006-W52"),
    ("2007-01-01", "2007-W01"),
    ("2007-12-30", "2007-W52"),
    ("2007-12-31", "2008-W01"),
    ("2008-01-01", "2008-W01"),
    ("2008-12-28", "2008-W52"),
    ("2008-12-29", "2009-W01"),
    ("2008-12-31", "2009-W01"),
    ("2009-01-01", "2009-W01"),
    ("2009-12-31", "2009-W53"),
    ("2010-01-01", "2009-W53"),
    ("2010-01-03", "2009-W53"),
]


@pytest.mark.parametrize(("day", "week"), WEEKS)
def test_weeks_are_those_of_the_standard(day: str, week: str) -> None:
    assert kept([f"{day}T12:00:00+00:00"], Rule(weeks=1)) == {0: (f"week {week}",)}


def test_the_days_of_week_53_are_one_week() -> None:
    """Thursday 2026-12-31 to Sunday 2027-01-03 are 2026-W53; Monday 2027-01-04 begins 2027-W01 (by hand)."""
    days = ["2026-12-27", "2026-12-28", "2026-12-31", "2027-01-01", "2027-01-03", "2027-01-04"]
    assert kept([f"{day}T21:00:00+00:00" for day in days], Rule(weeks=3)) == {
        0: ("week 2026-W52",),
        4: ("week 2026-W53",),
        5: ("week 2027-W01",),
    }


#: A winter by hand: (time in UTC, what it stands for in Rome, by a rule of 3 nights and 2 of all else).
WINTER = [
    ("2025-06-10T20:00:00+00:00", ()),
    ("2025-12-24T20:00:00+00:00", ()),
    ("2025-12-31T20:00:00+00:00", ("month 2025-12", "year 2025")),
    ("2025-12-31T23:30:00+00:00", ()),  # half past midnight on 2026-01-01 in Rome
    ("2026-01-01T20:00:00+00:00", ("night 2026-01-01",)),
    ("2026-01-02T11:00:00+00:00", ()),
    ("2026-01-02T20:00:00+00:00", ("night 2026-01-02", "week 2026-W01")),
    ("2026-01-05T20:00:00+00:00", ("night 2026-01-05", "week 2026-W02", "month 2026-01", "year 2026")),
]


def test_a_winter_by_hand() -> None:
    rule = Rule(nights=3, weeks=2, months=2, years=2)
    expected = {at: why for at, (_, why) in enumerate(WINTER) if why}
    assert kept([time for time, _ in WINTER], rule, "Europe/Rome") == expected


@pytest.mark.parametrize(
    ("zone", "stay"),
    [
        ("UTC", {2: ("night 2026-03-01",)}),
        ("Pacific/Auckland", {2: ("night 2026-03-01",)}),  # all three are on the first there
        ("Pacific/Honolulu", {2: ("night 2026-02-28",)}),  # all three are on the 28th there
    ],
)
def test_the_newest_of_a_night_is_by_the_zone(zone: str, stay: dict[int, tuple[str, ...]]) -> None:
    """UTC+13 in Auckland's summer, UTC-10 in Honolulu. Source: IANA Time Zone Database"""
    times = ["2026-02-28T20:00:00+00:00", "2026-02-28T23:00:00+00:00", "2026-03-01T01:00:00+00:00"]
    assert kept(times, Rule(nights=1), zone) == stay
    two = kept(times, Rule(nights=2), zone)
    assert set(two) == ({1, 2} if zone == "UTC" else {2})


def test_a_day_of_25_hours_is_one_night_and_one_of_23_too() -> None:
    """Berlin: the clock goes back at 01:00 UTC on 2026-10-25, forward at 01:00 UTC on 2026-03-29.

    Source: Directive 2000/84/EC (the last Sundays of March and October, 01:00 UTC)
    """
    # 2026-10-25 lasts from 22:00 UTC on the 24th to 23:00 UTC on the 25th.
    autumn = [
        "2026-10-24T21:59:00+00:00", "2026-10-24T22:00:00+00:00", "2026-10-25T00:30:00+00:00",
        "2026-10-25T01:30:00+00:00", "2026-10-25T22:59:00+00:00", "2026-10-25T23:00:00+00:00",
    ]  # fmt: skip
    assert kept(autumn, Rule(nights=9), "Europe/Berlin") == {
        0: ("night 2026-10-24",), 4: ("night 2026-10-25",), 5: ("night 2026-10-26",)
    }  # fmt: skip
    # 2026-03-29 lasts from 23:00 UTC on the 28th to 22:00 UTC on the 29th.
    spring = [
        "2026-03-28T22:59:00+00:00", "2026-03-28T23:00:00+00:00",
        "2026-03-29T21:59:00+00:00", "2026-03-29T22:00:00+00:00",
    ]  # fmt: skip
    assert kept(spring, Rule(nights=9), "Europe/Berlin") == {
        0: ("night 2026-03-28",), 2: ("night 2026-03-29",), 3: ("night 2026-03-30",)
    }  # fmt: skip


def test_the_offset_in_which_a_night_was_taken_does_not_count() -> None:
    """On a journey: 23:30 in New York on the 1st is the 2nd at home, the same day as the next one."""
    times = ["2026-07-01T23:30:00-04:00", "2026-07-02T20:00:00+02:00"]
    assert kept(times, Rule(nights=5), "Europe/Berlin") == {1: ("night 2026-07-02",)}


def test_a_device_that_lies_in_a_drawer_loses_nothing_by_it() -> None:
    """Periods without a night do not count: nothing goes because time passes."""
    times = ["2021-05-01T20:00:00+00:00", "2023-02-01T20:00:00+00:00", "2026-03-01T20:00:00+00:00"]
    assert set(kept(times, Rule(nights=3))) == {0, 1, 2}


def test_devices_are_apart() -> None:
    nights = [night("2026-03-01T20:00:00+00:00", 1), night("2026-03-01T21:00:00+00:00", 2, "heron")]
    assert retain(nights, Rule(nights=1), UTC, NOW) == {
        "1": ("newest of pebble", "night 2026-03-01"),
        "2": ("newest of heron", "night 2026-03-01"),
    }


@pytest.mark.parametrize(
    "wrong",
    ["1980-01-01T00:04:00+00:00", "2099-05-05T20:00:00+00:00", "2025-01-01T20:00:00+00:00"],
)
def test_a_wrong_clock_makes_no_good_night_go(wrong: str) -> None:
    good = ["2026-03-01T20:00:00+00:00", "2026-03-02T20:00:00+00:00", "2026-03-03T20:00:00+00:00"]
    rule = Rule(nights=3)
    assert set(kept(good, rule)) == {0, 1, 2}
    for at in range(4):
        times = [*good[:at], wrong, *good[at:]]
        assert set(good) <= {times[n] for n in kept(times, rule)}, at


def test_nights_of_a_wrong_clock_go_by_their_number() -> None:
    """Ten nights at 1980, between good ones: as many of the newest stay as the rule has numbers."""
    wrong = [f"1980-01-01T00:{minute:02}:00+00:00" for minute in range(10)]
    times = ["2026-03-01T20:00:00+00:00", *wrong, "2026-03-20T20:00:00+00:00"]
    stays = kept(times, Rule(nights=2, months=1))
    assert stays == {
        0: ("night 2026-03-01",),
        **dict.fromkeys((8, 9, 10), ("its clock was wrong",)),
        11: ("night 2026-03-20", "month 2026-03"),
    }


def test_a_clock_that_ran_ahead_for_some_nights_is_not_believed() -> None:
    times = [f"2026-03-{day:02}T20:00:00+00:00" for day in (1, 2)]
    times += [f"2026-09-{day:02}T20:00:00+00:00" for day in (3, 4)]
    times += [f"2026-03-{day:02}T20:00:00+00:00" for day in (5, 6, 7)]
    nights = [night(time, at) for at, time in enumerate(times)]
    assert [one.sequence for one in believed(nights, NOW)] == [0, 1, 4, 5, 6]


def test_adopted_backups_stay() -> None:
    old = night("2019-01-01T20:00:00+00:00", 0.25, kind=Kind.ADOPTED)
    assert retain([old], Rule(nights=1), UTC, NOW) == {"0.25": ("adopted",)}


DAYS = st.dates(date(2024, 12, 1), date(2027, 2, 1))
ZONES = st.sampled_from(["UTC", "Europe/Berlin", "Pacific/Auckland", "America/St_Johns", "Asia/Kathmandu"])
RULES = st.builds(Rule, *[st.integers(0, 6)] * 4)
ANY_NIGHTS = st.lists(
    st.tuples(
        st.datetimes(datetime(1979, 1, 1), datetime(2031, 1, 1)), st.integers(-12, 14), st.sampled_from("ab")
    ),
    max_size=40,
)


def snapshots(drawn: list[tuple[datetime, int, str]], ordered: bool) -> list[Snapshot]:
    times = [(time.replace(tzinfo=timezone(timedelta(hours=hours))), device) for time, hours, device in drawn]
    if ordered:
        times.sort()
    return [night(time, at, device) for at, (time, device) in enumerate(times)]


@given(ANY_NIGHTS, st.booleans(), RULES, ZONES)
def test_what_always_holds(
    drawn: list[tuple[datetime, int, str]], ordered: bool, rule: Rule, zone: str
) -> None:
    nights = snapshots(drawn, ordered)
    stays = retain(nights, rule, ZoneInfo(zone), NOW)
    for device in {one.device for one in nights}:
        own = [one for one in nights if one.device == device]
        assert own[-1].file in stays
        assert sum(one.file in stays for one in own) <= 2 * rule.most + 1
    assert all(stays.values())
    # Thinning again with the same rule lets nothing more go: what stands for a period still does.
    left = [one if one.file in stays else replace(one, let_go=True) for one in nights]
    assert retain(left, rule, ZoneInfo(zone), NOW).keys() == stays.keys()
    # A larger rule keeps at least as much.
    larger = replace(rule, weeks=rule.weeks + 2, nights=rule.nights + 1)
    assert stays.keys() <= retain(nights, larger, ZoneInfo(zone), NOW).keys()


@given(st.lists(DAYS, min_size=1, max_size=60, unique=True), RULES, ZONES)
def test_each_period_keeps_its_newest_night(days: list[date], rule: Rule, zone: str) -> None:
    """Against a plain reading of the rule: walk back from the newest and count each new period."""
    place = ZoneInfo(zone)
    times = [datetime(day.year, day.month, day.day, 21, tzinfo=place) for day in sorted(days)]
    nights = [night(time, at) for at, time in enumerate(times)]
    expected = {len(nights) - 1}
    for most, period in (
        (rule.nights, "%Y-%m-%d"), (rule.weeks, "%G-%V"), (rule.months, "%Y-%m"), (rule.years, "%Y")
    ):  # fmt: skip
        seen: list[str] = []
        for at in reversed(range(len(times))):
            label = times[at].strftime(period)
            if label not in seen and len(seen) < most:
                expected.add(at)
            seen += [label] if label not in seen else []
    assert {int(file) for file in retain(nights, rule, place, NOW)} == expected


@given(st.lists(st.datetimes(datetime(2001, 1, 1), datetime(2029, 1, 1)), max_size=12))
def test_as_many_times_are_believed_as_can_be(times: list[datetime]) -> None:
    """Against the quadratic way of the textbooks: the longest run that never goes back."""
    nights = [night(time.replace(tzinfo=UTC), at) for at, time in enumerate(times)]
    longest: list[int] = []
    for at, time in enumerate(times):
        longest.append(1 + max((longest[n] for n in range(at) if times[n] <= time), default=0))
    good = believed(nights, NOW)
    assert len(good) == max(longest, default=0)
    assert [one.taken for one in good] == sorted(one.taken for one in good)


@pytest.mark.parametrize(
    ("record", "others", "now", "old"),
    [
        ("2026-01-01", [(5, "2026-03-01")], "2026-03-02", True),
        ("2026-01-31", [(5, "2026-03-01")], "2026-03-02", False),  # 29 days before the last snapshot
        ("2026-01-01", [(5, "2026-01-20")], "2027-01-01", False),  # nothing was taken since: 19 days count
        ("1980-01-01", [(5, "2026-03-01")], "2026-03-02", False),  # a wrong clock, nothing tells
        ("1980-01-01", [(4, "2026-01-10"), (5, "2026-03-01")], "2026-03-02", True),  # older than one of then
        ("2026-01-01", [(2, "2026-02-27"), (5, "2026-03-01")], "2026-03-02", False),  # it came after that one
        ("2026-01-01", [(5, "2099-01-01")], "2026-01-20", False),  # a clock ahead makes nothing old
        ("2026-01-01", [(5, "2026-01-05")], "2099-01-01", False),  # nor does the one at hand
    ],
)
def test_what_a_restore_put_aside_is_old_only_if_that_is_sure(
    record: str, others: list[tuple[int, str]], now: str, old: bool
) -> None:
    safety = night(f"{record}T20:00:00+00:00", 3, kind=Kind.SAFETY)
    every = [safety, *(night(f"{day}T20:00:00+00:00", sequence) for sequence, day in others)]
    assert surely_old(safety, every, datetime.fromisoformat(f"{now}T20:00:00+00:00")) is old
