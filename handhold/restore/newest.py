"""Which content of one save is the newest, from what stood where and in which order. Pure: no clock, no I/O.

It is a merge of several sides. Each place on each device has a *course*: the contents that stood there, one
after the other. A content that was first seen at a place came out of what stood there before: it was played
from it. So did one that a restore put in place of another, for its owner said so. One that was known
elsewhere and turns up without a restore was copied there by hand: *perhaps* it is newer than what it
replaced. So is one that came after nothing stood there: a save that was deleted and begun anew.

Y is newer than X if Y came out of X, over any number of steps and devices, and X not even perhaps out of Y.
So of two devices whose saves have a last common content, the one that alone changed since is newer, whatever
the clocks say. If both did it is a *fork*, and nobody but the owner can tell.

Where an old content stands again, its owner went back to it (or copied it over by mistake): what came out of
the contents that it gave way to is no newer than it, unless it came out of it once more.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from handhold.archive.standing import Line


class Event(NamedTuple):
    """From here on this content (a digest) stands at a place, or nothing if it is None."""

    sequence: int
    content: str | None
    restored: bool = False  # a restore put it there


Course = Sequence[Event]


class Here(StrEnum):
    """How the device at hand stands to the newest; scripts rely on these words."""

    SAME = "same"  # it has the newest, as others do
    OLDER = "older"
    NEWER = "newer"  # it alone has the newest
    FORK = "fork"  # more than one is the newest; what is here stays
    MISSING = "missing"
    REMOVED = "removed"  # it stood here, was removed here, and nobody played on since


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is newest of one save. ``newest`` holds one content, or those of a fork; none: it stands nowhere.

    ``common`` is the last content that the sides of a fork had in common, and ``evenings`` how often each
    side changed since, as far as snapshots saw: one for each snapshot that found another content.
    """

    here: Here
    newest: tuple[str, ...]
    common: str | None = None
    evenings: Mapping[str, int] = field(default_factory=dict)


def judge(courses: Mapping[Line, Course], device: str, place: Line) -> Verdict:
    """What is newest of one save, and how the device at hand stands to it, with what stands at ``place``.

    ``courses`` are of this save on every device, those of the device at hand until this moment.
    """
    standing = {course[-1].content for course in courses.values()} - {None}
    contents = sorted(content for content in standing if content is not None)
    descent = Descent(courses)
    newest = _newest(contents, descent)
    stands = courses[place][-1].content if courses.get(place) else None
    if len(newest) > 1:
        common, evenings = descent.since_common(newest)
        return Verdict(Here.FORK, newest, common, evenings)
    if not newest:
        return Verdict(Here.REMOVED, ())
    if stands is not None:
        if stands != newest[0]:
            return Verdict(Here.OLDER, newest)
        elsewhere = any(line.device != device and c[-1].content == stands for line, c in courses.items())
        return Verdict(Here.SAME if elsewhere else Here.NEWER, newest)
    own = {e.content for line, course in courses.items() if line.device == device for e in course} - {None}
    if any(newest[0] in descent.before(content) for content in own if content is not None):
        return Verdict(Here.REMOVED, newest)
    return Verdict(Here.MISSING, newest)


class Descent:
    """Which contents came out of which.

    >>> pebble = Line("pebble", "card", "Tinplate")
    >>> descent = Descent({pebble: [Event(1, "one"), Event(2, "two")]})
    >>> descent.newer("one", "two"), descent.newer("two", "one")
    (True, False)
    """

    def __init__(self, courses: Mapping[Line, Course]) -> None:
        self._first: dict[str, int] = {}
        self._last: dict[str, int] = {}
        for course in courses.values():
            for event in course:
                if event.content is not None:
                    known = self._first.get(event.content, event.sequence)
                    self._first[event.content] = min(known, event.sequence)
                    self._last[event.content] = max(
                        self._last.get(event.content, event.sequence), event.sequence
                    )
        self._parents: dict[str, set[str]] = {}
        self._perhaps: dict[str, set[str]] = {}  # the same, and what each was copied over by hand
        self._gave_way: dict[str, set[str]] = {}  # to what stands now though it had stood there before
        self._before: dict[str, frozenset[str]] = {}
        for course in courses.values():
            self._follow(course)

    def newer(self, x: str, y: str) -> bool:
        """Whether content ``y`` is newer than ``x``, as it stands now."""
        if x == y or x not in self.before(y) or y in self._ancestors(x, self._perhaps):
            return False
        given_up = self._gave_way.get(x)
        return not given_up or given_up.isdisjoint(self._ancestors(y, self._parents, without=x))

    def before(self, content: str) -> frozenset[str]:
        """The contents that this one came out of, and itself."""
        found = self._before.get(content)
        if found is None:
            found = self._before[content] = self._ancestors(content, self._parents)
        return found

    def since_common(self, sides: Sequence[str]) -> tuple[str | None, dict[str, int]]:
        """The last content that the sides had in common, and how many came after it on each side alone."""
        shared = frozenset.intersection(*map(self.before, sides))
        common = max(shared, key=lambda content: (self._last[content], content), default=None)
        evenings = {}
        for side in sides:
            others = frozenset().union(*(self.before(other) for other in sides if other != side))
            evenings[side] = len(self.before(side) - others)
        return common, evenings

    def _follow(self, course: Course) -> None:
        stood: dict[str, int] = {}  # content -> the place of its first event in this course
        last: str | None = None
        given_up: set[str] = set()  # what made way when the owner went back to the last one
        perhaps: set[str] = set()  # the same, or what made way when it was copied back by hand
        gone = False
        for at, (sequence, content, restored) in enumerate(course):
            if content is None or content == last:
                gone |= content is None
                continue
            if last is not None and content in stood:
                perhaps = perhaps | {last}
                given_up = given_up | {last} if restored and not gone else set()
            elif last is not None:
                self._perhaps.setdefault(content, set()).update({last, *perhaps})
                if not gone and (restored or sequence == self._first[content]):
                    self._parents.setdefault(content, set()).update({last, *given_up})
                given_up, perhaps = set(), set()
            stood.setdefault(content, at)
            last, gone = content, False
        now = course[-1].content if course else None
        if now is not None:
            between = {event.content for event in course[stood[now] :]} - {None, now}
            self._gave_way.setdefault(now, set()).update(c for c in between if c is not None)

    def _ancestors(
        self, content: str, parents: Mapping[str, set[str]], without: str | None = None
    ) -> frozenset[str]:
        found = {content}
        queue = deque([content])
        while queue:
            for parent in parents.get(queue.popleft(), ()):
                if parent not in found and parent != without:
                    found.add(parent)
                    queue.append(parent)
        return frozenset(found)


def _newest(contents: Sequence[str], descent: Descent) -> tuple[str, ...]:
    """The one content that is newer than all others, or else all that nothing is surely newer than."""
    tips = [x for x in contents if not any(descent.newer(x, y) for y in contents)]
    doubtful = [x for x in contents if x not in tips and not all(descent.newer(x, tip) for tip in tips)]
    return tuple(tips + doubtful if len(tips) == 1 else tips)


def until_now(courses: Mapping[Line, Course], live: Mapping[Line, str | None]) -> dict[Line, Course]:
    """The courses with what stands on the device at hand at this moment, by line, as their last event."""
    now = 1 + max((course[-1].sequence for course in courses.values() if course), default=0)
    extended: dict[Line, Course] = {line: course for line, course in courses.items() if course}
    for line, content in live.items():
        course = extended.get(line, ())
        if (course[-1].content if course else None) != content:
            extended[line] = [*course, Event(now, content)]
    return extended


def together(newest: Iterable[Collection[str]]) -> frozenset[str]:
    """The devices that have the newest of every file. Each is given by the devices that have it.

    >>> sorted(together([{"pebble", "lantern"}, {"lantern"}]))
    ['lantern']
    """
    return frozenset.intersection(*map(frozenset, newest))
