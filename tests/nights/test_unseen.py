"""What nights did not see: tables, and the one law that matters."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.model import Gap, Part
from handhold.unseen import Unseen, in_both, looked_at, unseen

CARD = Gap("card", "", "it is empty")
FOLDER = Gap("card", "Quill/saves", "it cannot be listed")
SAVES = frozenset({Part.SAVES})
BOTH = frozenset({Part.SAVES, Part.STATES})
PLACES = [("card", "Quill/saves/a"), ("card", "Quill/b"), ("card", "c"), ("internal", "Quill/saves/a")]


def places(*gaps: Gap) -> frozenset[tuple[str, str]]:
    return frozenset((gap.volume, gap.path) for gap in gaps)


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ([CARD], [FOLDER], [Unseen(places(FOLDER), None, False)]),
        ([FOLDER], [CARD], [Unseen(places(FOLDER), None, False)]),
        ([FOLDER], [Gap("internal", "", "")], []),
        ([FOLDER], [], []),
    ],
)
def test_places(first: list[Gap], second: list[Gap], expected: list[Unseen]) -> None:
    assert in_both(unseen(first, (), False), unseen(second, (), False)) == expected


def test_only_what_is_looked_for() -> None:
    spots = unseen([FOLDER], BOTH, True)
    assert looked_at(spots, SAVES, False) == [Unseen(places(FOLDER), None, False), Unseen(None, SAVES, False)]
    assert looked_at(unseen([], BOTH, True), {Part.CHEATS}, False) == []


nights = st.builds(
    unseen,
    st.lists(st.sampled_from([CARD, FOLDER, Gap("internal", "Quill", ""), Gap("card", "Quill/b", "")])),
    st.sets(st.sampled_from(list(BOTH))),
    st.booleans(),
)


@settings(deadline=None, max_examples=150)
@given(nights, nights)
def test_neither_saw_it_means_that_neither_saw_it(first: list[Unseen], second: list[Unseen]) -> None:
    neither = in_both(first, second)
    for place, part, recognised in product(PLACES, BOTH, (True, False)):
        one, other, both = (
            any(spot.holds(place, part, recognised) for spot in spots) for spots in (first, second, neither)
        )
        assert both == (one and other)
