"""What two modification times say about which file is newer, and when they say nothing. Pure.

Times lie (common practice, no source): a copy through a file manager or a cable often stamps every file with
the time of the copy, and a handheld whose battery ran empty wakes up in a wrong year. So a time counts only
if it can be a time of play:

- it lies between 2000 and one day from now (a day for clocks that are set a little wrong);
- it is not a **copy's time**. Nobody plays three games within one minute; a copy does. So a time on the
  handheld within a minute of which the saves and states of three or more games of the same home were changed
  is a copy's. In the snapshot it takes five, for a few files are also set up together without a copy.
  (A home with fewer games gives a copy no way to show.)
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from enum import StrEnum

from handhold.model import EARLIEST_NS, NS, Entry, Part

MINUTE_NS = 60 * NS
DAY_NS = 86_400 * NS
COPY_GAMES, COPY_GAMES_ARCHIVED = 3, 5


class Says(StrEnum):
    """What the times say about the file on the handheld."""

    LATER = "later"
    EARLIER = "earlier"
    CLOSE = "close"
    FUTURE = "future"
    ANCIENT = "ancient"
    COPIED = "copied"


class Stamps:
    """The times of the saves and states of one home, to tell a copy's time from a time of play."""

    def __init__(self, stamps: Iterable[tuple[int, str]] = ()) -> None:
        self._stamps = sorted(stamps)

    def copied(self, time: int, most: int = COPY_GAMES) -> bool:
        """Whether so many games were changed within a minute of this time.

        >>> Stamps([(0, "a"), (NS, "b"), (2 * NS, "c")]).copied(NS)
        True
        """
        games: set[str] = set()
        for at in range(bisect_left(self._stamps, (time - MINUTE_NS, "")), len(self._stamps)):
            stamp, game = self._stamps[at]
            if stamp > time + MINUTE_NS:
                break
            games.add(game)
            if len(games) >= most:
                return True
        return False


def stamp(entry: Entry, modified: int) -> tuple[int, str] | None:
    """What ``Stamps`` needs of a file: its time and its game. None for parts that are not played."""
    if entry.part not in (Part.SAVES, Part.STATES):
        return None
    if entry.game is not None:
        return modified, entry.game.casefold()
    name = entry.path.rpartition("/")[2].casefold()
    return modified, name.partition(".")[0] or name


def compare(found: int, entry: int, blur_ns: int, now: int, limit: int, copied: bool) -> tuple[Says, bool]:
    """What the time of the file on the handheld says beside the entry's, and whether the entry's is to blame.

    ``limit`` is the latest time that the entry's can be (nanoseconds): no file is younger than the snapshot
    that holds it, nor than any snapshot that was taken later. ``copied``: one of the two is a copy's time.
    """
    for time, latest, of_entry in ((found, now, False), (entry, min(now, limit), True)):
        if time > latest + DAY_NS:
            return Says.FUTURE, of_entry
        if time < EARLIEST_NS:
            return Says.ANCIENT, of_entry
    if abs(found - entry) <= blur_ns:
        return Says.CLOSE, False
    if copied:
        return Says.COPIED, False
    return (Says.LATER if found > entry else Says.EARLIER), False
