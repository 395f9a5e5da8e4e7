"""Which content of one save is the newest, from what stood where and in which order. Pure: no clock, no I/O.

It is a merge of several sides. Each place on each device has a *course*: the contents that stood there, one
after the other. A content that was first seen at a place came out of what stood there before: it was played
from it. So did one that a restore put in place of another, for its owner said so. One that was known
elsewhere and turns up without a restore was copied there by hand: *perhaps* it is newer than what it
replaced. So is one that came after nothing stood there: a save that was deleted and begun anew.

Y is newer than X if Y came out of X, over any number of steps and devices, and X not even perhaps out of Y.
So of two devices whose saves have a last common content, the one that alone changed since is newer, whatever
the clocks say. If both did it is a *fork*, and nobody but the owner can tell.

Where an old content stands again, or one that its owner chose over another, what came out of the contents
that were given up for it is no newer than it, unless it came out of it by another way as well. Once it is
played on, what comes out of it is newer than those too.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from enum import StrEnum
from typing import NamedTuple

import msgspec

from handhold.archive.standing import Line


class Event(NamedTuple):
    """From here on this content (a digest) stands at a place, or nothing if it is None."""

    sequence: float
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


class Verdict(msgspec.Struct, frozen=True):
    """What is newest of one save. ``newest`` holds one content, or those of a fork; none: it stands nowhere.

    ``common`` is the last content that the sides of a fork had in common, and ``evenings`` how often each
    side changed since, as far as snapshots saw: one for each snapshot that found another content.
    """

    here: Here
    newest: tuple[str, ...]
    common: str | None = None
    evenings: Mapping[str, int] = {}


def judge(courses: Mapping[Line, Course], device: str, place: Line) -> Verdict:
    """What is newest of one save, and how the device at hand stands to it, with what stands at ``place``.

    ``courses`` are of this save on every device, those of the device at hand until this moment.
    """
    standing = {courses[line][-1].content for line in sides(courses, device, place)}
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


def sides(courses: Mapping[Line, Course], device: str, place: Line) -> list[Line]:
    """The places whose contents are compared: one of each device.

    Of the device at hand it is ``place``, if something stands there. Of another one that has the save in
    several homes it is the one where it changed last: an old copy in another home is no side of its own.
    Where that cannot be told, each is.
    """
    devices: dict[str, list[Line]] = {}
    for line, course in courses.items():
        if course and course[-1].content is not None:
            devices.setdefault(line.device, []).append(line)
    found: list[Line] = []
    for name, lines in devices.items():
        if name == device and place in lines:
            found.append(place)
            continue
        last = max(courses[line][-1].sequence for line in lines)
        found += [line for line in lines if line.branch or courses[line][-1].sequence == last]
    return found


class Descent:
    """Which contents came out of which.

    >>> plover = Line("plover", "card", "Tinplate")
    >>> descent = Descent({plover: [Event(1, "one"), Event(2, "two")]})
    >>> descent.newer("one", "two"), descent.newer("two", "one")
    (True, False)
    """

    def __init__(self, courses: Mapping[Line, Course]) -> None:
        self._first: dict[str, float] = {}
        self._last: dict[str, float] = {}
        #: What a content came out of; the set has None, or the contents over which alone it did.
        self._parents: dict[str, dict[str, set[str | None]]] = {}
        self._children: dict[str, set[str]] = {}
        self._perhaps: dict[str, set[str]] = {}  # the same, and what each was copied over by hand
        self._gave_way: dict[
            str, set[str]
        ] = {}  # what somebody put this content in place of, where it stands
        self._before: dict[str, frozenset[str]] = {}
        sides = {line: _Side() for line in courses}
        events = [
            (e.sequence, at, line, e) for line, course in courses.items() for at, e in enumerate(course)
        ]
        for _, _, line, event in sorted(events, key=lambda item: item[:3]):
            self._follow(sides[line], event)
        for line, course in courses.items():
            now = course[-1].content if course else None
            if now is not None:
                first = next(at for at, event in enumerate(course) if event.content == now)
                between = {event.content for event in course[first:] if event.content is not None} - {now}
                self._gave_way.setdefault(now, set()).update(between | sides[line].given_up)

    def newer(self, x: str, y: str) -> bool:
        """Whether content ``y`` is newer than ``x``, as it stands now."""
        if x == y or x not in self.before(y) or y in _reached(x, self._perhaps):
            return False
        gave_way = self._gave_way.get(x, set())
        # Of contents of which each came out of the other nothing is told, nor over them.
        avoid = gave_way | ((self.before(x) & _reached(x, self._children)) - {x})
        return y not in avoid and x in self._out_of(y, avoid, gave_way)

    def before(self, content: str) -> frozenset[str]:
        """The contents that this one came out of, and itself."""
        found = self._before.get(content)
        if found is None:
            found = self._before[content] = _reached(content, self._parents)
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

    def _follow(self, side: _Side, event: Event) -> None:
        """What one event says; they come in the order of the archive."""
        content, last = event.content, side.last
        if content is None or content == last:
            side.gone = content is None
            return
        born = content not in self._first
        self._first.setdefault(content, event.sequence)
        self._last[content] = event.sequence
        if last is None:
            pass
        elif content in side.stood:
            side.perhaps |= {last}
            side.given_up = side.given_up | {last} if event.restored and not side.gone else set()
        else:
            self._perhaps.setdefault(content, set()).update({last}, side.perhaps, side.given_up)
            side.perhaps = set()
            side.given_up = self._came(side, content, last, born) if born or event.restored else set()
        side.stood.add(content)
        side.last, side.gone = content, False

    def _came(self, side: _Side, content: str, last: str, born: bool) -> set[str]:
        """Notes that a content came out of the last one, or took its place; what was given up for it."""
        if side.gone:
            return set()
        known = _reached(content, self._parents)
        for given_up in side.given_up - known:
            self._note(given_up, content, last)
        if last in known:  # a step forward, which is known already
            return set()
        self._note(last, content, None)
        return set() if born else side.given_up | {last}

    def _note(self, parent: str, content: str, over: str | None) -> None:
        self._parents.setdefault(content, {}).setdefault(parent, set()).add(over)
        self._children.setdefault(parent, set()).add(content)
        self._before.clear()

    def _out_of(self, content: str, avoid: Collection[str], gave_way: Collection[str]) -> set[str]:
        """What a content came out of other than over what is to be avoided."""
        found, todo = {content}, [content]
        while todo:
            for parent, over in self._parents.get(todo.pop(), {}).items():
                if parent not in found and parent not in avoid and any(one not in gave_way for one in over):
                    found.add(parent)
                    todo.append(parent)
        return found


class _Side(msgspec.Struct):
    """A place while its course is followed."""

    last: str | None = None
    gone: bool = False  # since then nothing stood there for a while
    stood: set[str] = set()
    given_up: set[str] = set()  # what its owner put the last one in place of
    perhaps: set[str] = set()  # what somebody may have put it in place of


def _reached(content: str, ways: Mapping[str, Iterable[str]]) -> frozenset[str]:
    found, todo = {content}, [content]
    while todo:
        for other in ways.get(todo.pop(), ()):
            if other not in found:
                found.add(other)
                todo.append(other)
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

    >>> sorted(together([{"plover", "lantern"}, {"lantern"}]))
    ['lantern']
    """
    return frozenset.intersection(*map(frozenset, newest))
