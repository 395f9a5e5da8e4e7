"""What the campaigns share: a short form that always runs, a long one by marker, counts that are printed."""

from __future__ import annotations

import enum
from collections.abc import Iterable, Iterator
from typing import TypeVar

import pytest

from tests.faults.disk import Recording, State, Tally, states

T = TypeVar("T")


class Size(enum.Enum):
    """How much of a campaign is run."""

    SHORT = "short"
    LONG = "long"


#: Marks a campaign: ``def test_...(size: Size)``.
sizes = pytest.mark.parametrize(
    "size", [Size.SHORT, pytest.param(Size.LONG, marks=pytest.mark.long)], ids=str
)


def cuts(
    name: str, recording: Recording, size: Size, *, most: int, short: int = 60, sector: int = 512
) -> Iterator[State]:
    """The states of a campaign, whose counts are printed when the last one was survived.

    In the long form up to ``most`` of each cut, in the short form up to ``short`` in all, spread evenly.
    """
    tally = Tally()
    every = states(recording, most=most if size is Size.LONG else 6, sector=sector, tally=tally)
    checked = 0
    for state in spread(every, size, short):
        yield state
        checked += 1
    told(name, f"{checked:,} states survived, of {tally}")


def spread(every: Iterable[T], size: Size, short: int) -> Iterator[T]:
    """All in the long form, in the short form at most ``short`` of them, evenly."""
    if size is Size.LONG:
        yield from every
        return
    some = list(every)
    yield from some[:: -(-len(some) // short) or 1]


def told(campaign: str, counts: object) -> None:
    """Prints what a campaign that came to its end has covered; one that lost anything does not get here."""
    print(f"\n{campaign}: {counts}; losses: 0")
