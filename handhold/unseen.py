"""What a night could not see, or was told not to look at: it says nothing of that. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import NamedTuple

from handhold.model import Gap, Part

#: A volume and a path on it.
Place = tuple[str, str]


class Unseen(NamedTuple):
    """Files that were not seen: those at or below these places, of these parts; None stands for all of them.

    ``recognised``: only those that no layout names.
    """

    places: frozenset[Place] | None
    parts: frozenset[Part] | None
    recognised: bool

    def holds(self, place: Place, part: Part, recognised: bool) -> bool:
        """Whether a file is one of these."""
        return (
            (recognised or not self.recognised)
            and (self.parts is None or part in self.parts)
            and (self.places is None or lies_in(place, self.places))
        )


def unseen(gaps: Iterable[Gap], left_out: Collection[Part], only_layouts: bool) -> list[Unseen]:
    """What a night did not see: what it has gaps for, the parts that it left out, what no layout names."""
    found = []
    if places := frozenset((gap.volume, gap.path) for gap in gaps):
        found.append(Unseen(places, None, False))
    if left_out:
        found.append(Unseen(None, frozenset(left_out), False))
    if only_layouts:
        found.append(Unseen(None, None, True))
    return found


def looked_at(spots: Iterable[Unseen], parts: Collection[Part], recognise: bool) -> list[Unseen]:
    """Of these, what a night looks at that keeps these parts; ``recognise``: also what no layout names."""
    found = []
    for spot in spots:
        wanted = frozenset(parts) if spot.parts is None else spot.parts & frozenset(parts)
        if wanted and (recognise or not spot.recognised):
            found.append(spot if spot.parts is None else spot._replace(parts=wanted))
    return found


def in_both(first: Sequence[Unseen], second: Sequence[Unseen]) -> list[Unseen]:
    """What neither of two nights saw."""
    found: dict[tuple[frozenset[Part] | None, bool], frozenset[Place] | None] = {}
    for one in first:
        for other in second:
            parts = _shared(one.parts, other.parts)
            places = _shared_places(one.places, other.places)
            if parts == frozenset() or places == frozenset():
                continue
            key = (parts, one.recognised or other.recognised)
            known = found.get(key, frozenset())
            found[key] = None if known is None or places is None else known | places
    return [Unseen(places, parts, recognised) for (parts, recognised), places in found.items()]


def _shared(one: frozenset[Part] | None, other: frozenset[Part] | None) -> frozenset[Part] | None:
    if one is None or other is None:
        return other if one is None else one
    return one & other


def _shared_places(one: frozenset[Place] | None, other: frozenset[Place] | None) -> frozenset[Place] | None:
    if one is None or other is None:
        return other if one is None else one
    return frozenset(p for p in one if lies_in(p, other)) | frozenset(p for p in other if lies_in(p, one))


def lies_in(place: Place, places: Collection[Place]) -> bool:
    """Whether a place is one of these, or lies below one.

    >>> lies_in(("card", "a/b"), {("card", "a")}), lies_in(("card", "ab"), {("card", "a")})
    (True, False)
    """
    volume, path = place
    if (volume, "") in places or place in places:
        return True
    return any((volume, path[:at]) in places for at, char in enumerate(path) if char == "/")
