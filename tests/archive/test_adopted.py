"""Where an old backup that is taken in later stands among the snapshots."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handhold.archive.adopted import adopted_sequence, in_place
from handhold.archive.head import Snapshot
from handhold.model import Kind

NOW = datetime(2026, 11, 1, 12, tzinfo=UTC)


def snapshot(sequence: float, taken: datetime, kind: Kind = Kind.NIGHT) -> Snapshot:
    return Snapshot(
        f"plover.{sequence}", "plover", sequence, kind, taken, 1, 1, 0, "", f"manifests/{sequence}"
    )


def day(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


#: By hand: nights 1 to 3 in 2024, 2025 and 2026; the second with what else is said.
@pytest.mark.parametrize(
    ("taken", "second", "after"),
    [
        ("2019-05-01", "2025-01-01", 0),  # before all
        ("2024-06-01", "2025-01-01", 1),
        ("2025-06-01", "2025-01-01", 2),
        ("2026-10-01", "2025-01-01", 3),  # after all
        ("2025-06-01", "1980-01-01", 1),  # the second night's clock was never set: before it
        ("2026-10-01", "2031-01-01", 1),  # the second night's clock was ahead: before it
    ],
)
def test_by_hand(taken: str, second: str, after: int) -> None:
    nights = [snapshot(1, day("2024-01-01")), snapshot(2, day(second)), snapshot(3, day("2026-01-01"))]
    assert after < adopted_sequence(nights, day(taken), NOW) < after + 1


@pytest.mark.parametrize(("before", "after"), [(None, 3), (3, 2), (1, 0)])
def test_it_stands_before_a_night_in_any_case(before: float | None, after: int) -> None:
    nights = [snapshot(n, day(f"202{n + 3}-01-01")) for n in (1, 2, 3)]  # 2024 to 2026
    assert after < adopted_sequence(nights, day("2026-10-01"), NOW, before) < after + 1


def test_an_archive_without_snapshots() -> None:
    assert 0 < adopted_sequence([], day("2020-01-01"), NOW) < 1


@given(
    nights=st.lists(st.integers(0, 3000), min_size=1, max_size=20),
    backups=st.lists(st.integers(-3000, 4000), min_size=1, max_size=20, unique=True),
    order=st.randoms(use_true_random=False),
)
def test_the_order_of_adopting_does_not_matter(nights: list[int], backups: list[int], order: object) -> None:
    start = day("2010-01-01")
    kept = [snapshot(n, start + timedelta(days=d)) for n, d in enumerate(sorted(nights), start=1)]
    several = list(backups)
    order.shuffle(several)  # type: ignore[attr-defined]
    for back in several:
        taken = start + timedelta(days=back)
        kept.append(snapshot(adopted_sequence(kept, taken, NOW), taken, Kind.ADOPTED))
    kept.sort(key=lambda one: one.sequence)
    times = [one.taken for one in kept]
    assert times == sorted(times)  # every clock was right, so history is in the order of time
    assert len({one.sequence for one in kept}) == len(kept)


#: By hand: a backup with number 9, and the nights of its device with the days on which they were taken.
@pytest.mark.parametrize(
    ("nights", "after"),
    [
        ({2: "2026-01-01", 3: "2026-01-05"}, 9),  # as it was given
        ({2: "2026-01-01", 3: "2026-02-05", 4: "2026-03-05"}, 2),  # from a copy that went on apart
        ({1: "2026-02-05"}, 0),
        ({3: "2026-01-05", 4: "1980-01-01"}, 3),  # a clock that was never set may be that of a later one
        ({12: "2026-02-05"}, 9),
    ],
)
def test_what_came_from_another_copy_and_is_later_stands_behind_it(
    nights: dict[int, str], after: int
) -> None:
    taken = day("2026-01-20")
    fraction = taken.timestamp() / 2**34
    kept = [snapshot(number, day(text)) for number, text in nights.items()]
    kept.append(snapshot(9 + fraction, taken, Kind.ADOPTED))
    placed = in_place(sorted(kept, key=lambda one: one.sequence))
    assert [one.sequence for one in placed] == sorted([*nights, after + fraction])
    assert next(one for one in placed if one.kind is Kind.ADOPTED).name == f"plover.{9 + fraction}"
