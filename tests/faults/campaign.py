"""What the campaigns share: a short form that always runs, a long one by marker, counts that are printed."""

from __future__ import annotations

import enum

import pytest


class Size(enum.Enum):
    """How much of a campaign is run."""

    SHORT = "short"
    LONG = "long"


#: States that are built for each cut.
MOST = {Size.SHORT: 6, Size.LONG: 512}
#: Marks a campaign: ``def test_...(size: Size)``.
sizes = pytest.mark.parametrize(
    "size", [Size.SHORT, pytest.param(Size.LONG, marks=pytest.mark.long)], ids=str
)


def told(campaign: str, counts: object) -> None:
    """Prints what a campaign that came to its end has covered; one that lost anything does not get here."""
    print(f"\n{campaign}: {counts}; losses: 0")
