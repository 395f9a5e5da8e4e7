"""Which content is the newest: three-way cases worked out by hand, and laws that any history must keep."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handhold.archive.standing import Line, Order, Span, order
from handhold.restore.newest import Course, Descent, Event, Here, judge, until_now

HERE = "A"


def line(device: str) -> Line:
    """``A`` is device A; ``A2`` another place on it."""
    return Line(device[0], "card", f"Tinplate{device[1:]}")


def courses(history: str) -> dict[Line, list[Event]]:
    """``"A:c B:c* A:- B:d"``: what one snapshot after the other found; ``*``: a restore put it there."""
    found: dict[Line, list[Event]] = {}
    for sequence, word in enumerate(history.split(), start=1):
        device, _, content = word.partition(":")
        restored = content.endswith("*")
        content = content.rstrip("*")
        found.setdefault(line(device), []).append(
            Event(sequence, None if content == "-" else content, restored)
        )
    return found


def told(history: str, now: str) -> tuple[str, str]:
    """How A stands, with ``now`` on it, and the newest contents."""
    live = {line(HERE): None if now == "-" else now}
    verdict = judge(until_now(courses(history), live), HERE, line(HERE))
    return verdict.here.value, " ".join(sorted(verdict.newest))


#: What the archive saw; what stands on A; how A stands; what is newest.
CASES = [
    # Two devices with a last common content.
    ("neither changed", "A:c B:c*", "c", "same", "c"),
    ("only the other changed", "A:c B:c* B:d", "c", "older", "d"),
    ("only this one changed", "A:c B:c* A:d", "d", "newer", "d"),
    ("only this one changed, and no snapshot saw it", "A:c B:c*", "d", "newer", "d"),
    ("both changed", "A:c B:c* A:d B:e", "d", "fork", "d e"),
    ("both changed, and no snapshot saw it here", "A:c B:c* B:e", "d", "fork", "d e"),
    ("both changed, to the same content", "A:c B:c* A:d B:d", "d", "same", "d"),
    ("the other changed many times", "A:c B:c* B:d B:e B:f", "c", "older", "f"),
    ("to and fro, then only the other changed", "B:c A:c* B:d A:d* B:e", "d", "older", "e"),
    # Clocks play no part: only the order of snapshots counts, and only on one device or through a common one.
    ("this one's snapshot is later, the other changed", "A:c B:c* B:d A:c", "c", "older", "d"),
    ("the other's snapshots are all earlier", "B:c B:d A:c*", "c", "older", "d"),
    # Nothing in common.
    ("new on both", "A:d B:e", "d", "fork", "d e"),
    ("new on both, this one not in the archive", "B:e", "d", "fork", "d e"),
    ("new on both, and the same", "B:d", "d", "same", "d"),
    # Going back.
    ("the other restored an old one of this device", "A:a A:b B:x B:a*", "b", "newer", "b"),
    ("this one restored an old one of the other", "B:a B:b A:x A:a*", "a", "older", "b"),
    ("... and played on: both changed since", "B:a B:b A:x A:a* A:y", "y", "fork", "b y"),
    ("went back; the other has what was given up", "A:a A:b B:b* A:a*", "a", "fork", "a b"),
    ("went back by hand; the other has what was given up", "A:a A:b B:b*", "a", "fork", "a b"),
    ("went back; the other played on", "A:a A:b B:b* A:a* B:c", "a", "fork", "a c"),
    ("... and a third has only that", "A:a A:b B:b* A:a* B:c C:c*", "a", "fork", "a c"),
    ("went back and played on; the other did not", "A:a A:b B:b* A:a* A:c", "c", "newer", "c"),
    ("went back and played on; so did the other", "A:a A:b B:b* A:a* A:c B:d", "c", "fork", "c d"),
    ("went back; the other took that and played on", "A:a A:b B:b* A:a* B:a* B:c", "a", "older", "c"),
    ("went back, and that was taken back", "A:a B:a* A:b A:a* A:b*", "b", "newer", "b"),
    ("the other went back; this one has what was given up", "B:a B:b A:b* B:a*", "b", "fork", "a b"),
    # The same content reached twice.
    ("reached twice on one device", "A:a A:b A:a B:a*", "a", "same", "a"),
    ("reached twice, and the other played on from it", "A:a A:b A:a B:a* B:c", "a", "older", "c"),
    ("reached on both from different ones", "A:a A:x B:b B:x", "x", "same", "x"),
    ("reached on both, then played on there", "A:a A:x B:b B:x B:y", "x", "older", "y"),
    # Owner's words.
    ("this one took the other's of a fork", "A:c B:c* A:d B:e A:e*", "e", "same", "e"),
    ("the other took this one's, and played on", "A:c B:c* A:d B:e B:d* B:f", "d", "older", "f"),
    ("a third still has the one that was not taken", "A:c B:c* A:d B:e C:d* A:e*", "e", "same", "e"),
    ("copied over by hand: no word of the owner's", "B:e A:d C:d* A:e", "e", "fork", "d e"),
    ("copied over by hand here, restored over there", "A:a A:c B:b A:b B:a*", "b", "fork", "a b"),
    ("copied by hand to and fro, each played on", "A:a B:a B:b A:b", "c", "newer", "c"),
    ("each took the other's; one played on", "A:a B:b A:b* B:a* B:c", "b", "fork", "b c"),
    ("each took the other's; a third played on", "A:a B:b A:b* B:a* C:a* C:c", "b", "fork", "b c"),
    ("an old one of the other's in place of a newer one", "B:a B:b A:b* A:a*", "a", "fork", "a b"),
    ("... and played on; the other did not", "B:a B:b A:b* A:a* A:c", "c", "newer", "c"),
    ("deleted, the same put back, played on", "A:c B:c* A:- A:c* A:d", "d", "newer", "d"),
    # Three devices.
    ("another between: this one has the first", "A:a C:a* C:b B:b* B:c", "a", "older", "c"),
    ("another between: this one has the last", "B:a C:a* C:b A:b* A:c", "c", "newer", "c"),
    ("another between changed too", "A:a C:a* C:b B:b* B:c C:d", "a", "fork", "c d"),
    ("two others in a fork, this one older than both", "A:a B:a* C:a* B:b C:c", "a", "fork", "b c"),
    ("the newest of three", "A:a B:a* C:a* B:b C:b* C:c", "a", "older", "c"),
    ("each says another is newer", "A:x A:y B:y* B:z C:z* C:x*", "y", "fork", "x y z"),
    # Removed.
    ("removed here, the other did not change", "A:c B:c*", "-", "removed", "c"),
    ("removed here, and a night saw it", "A:c B:c* A:-", "-", "removed", "c"),
    ("removed here, the other has an older one", "A:c B:c* A:d", "-", "removed", "c"),
    ("removed here, the other changed", "A:c B:c* A:- B:d", "-", "missing", "d"),
    ("removed here, the other never had it", "A:c B:d", "-", "missing", "d"),
    ("removed on the other: it counts no more", "A:c B:c* B:d B:-", "c", "newer", "c"),
    ("removed everywhere", "A:c A:- B:c B:-", "-", "removed", ""),
    ("removed here, then begun anew here", "A:c B:c* A:- A:n", "n", "fork", "c n"),
    ("... so that no snapshot saw it gone", "A:c B:c* A:n", "n", "newer", "n"),
    ("removed here, an old one put back, played on", "A:a A:c B:c* A:- A:a* A:n", "n", "fork", "c n"),
    ("removed there, then another came there", "A:c B:c* C:x C:n B:- B:n*", "c", "fork", "c n"),
    # Not here yet.
    ("never here", "B:c", "-", "missing", "c"),
    ("never here, a fork among others", "B:c C:c* B:d C:e", "-", "fork", "d e"),
    # Two places on one device are two sides.
    ("an old one lies in another place here", "A:c A2:c A:d", "d", "newer", "d"),
    ("another place here has another: no side of its own", "A:c A2:d B:c*", "c", "same", "c"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("history", "now", "here", "newest"), [c[1:] for c in CASES], ids=[c[0] for c in CASES]
)
def test_worked_cases(history: str, now: str, here: str, newest: str) -> None:
    assert told(history, now) == (here, newest)


def test_the_sides_of_a_fork() -> None:
    """Common c; here two nights changed it and this evening did, there one night."""
    known = until_now(courses("A:b A:c B:c* A:d A:e B:x"), {line("A"): "f"})
    verdict = judge(known, HERE, line("A"))
    assert (verdict.here, verdict.common) == (Here.FORK, "c")
    assert dict(verdict.evenings) == {"f": 3, "x": 1}


def test_sides_that_never_had_anything_in_common() -> None:
    verdict = judge(courses("A:a A:b B:x"), HERE, line("A"))
    assert (verdict.here, verdict.common, dict(verdict.evenings)) == (Here.FORK, None, {"b": 2, "x": 1})


words = st.lists(
    st.tuples(st.sampled_from("ABC"), st.sampled_from("abcde-"), st.sampled_from(["", "*"])), max_size=12
).map(lambda each: " ".join(f"{device}:{content}{mark}" for device, content, mark in each))


def spans(known: dict[Line, list[Event]]) -> dict[Line, dict[str, Span]]:
    """The same history as ``standing`` has it. A content stands until the next snapshot of its device."""
    found: dict[Line, dict[str, Span]] = {}
    for at, events in known.items():
        for event in events:
            if event.content is not None:
                stood = found.setdefault(at, {})
                first = stood.get(event.content, Span(event.sequence, 0)).first
                stood[event.content] = Span(first, event.sequence)
    return found


@given(words)
def test_never_the_other_way_round(history: str) -> None:
    """No two contents are each newer than the other, and what is newer did not just come back."""
    descent = Descent(courses(history))
    for x in "abcde":
        assert not descent.newer(x, x)
        for y in "abcde":
            assert not (descent.newer(x, y) and descent.newer(y, x))


@given(words)
def test_a_carry_and_a_restore_never_say_opposite_things(history: str) -> None:
    """Where some device saw both contents; a carry also knows what came out of what over others."""
    known = courses(history)
    descent, lines = Descent(known), spans(known)
    for x in "abcde":
        for y in "abcde":
            if descent.newer(x, y) and any(x in stood and y in stood for stood in lines.values()):
                assert order(lines, x, y) in (Order.OLDER, Order.FORK)


@given(words, st.sampled_from(["a", "b", "z", "-"]))
def test_every_device_is_told_the_same(history: str, now: str) -> None:
    """What is newest does not depend on the device that asks, once what stands there is known."""
    known = until_now(courses(history), {line(HERE): None if now == "-" else now})
    verdicts = [judge(known, device, line(device)) for device in "ABC"]
    assert len({frozenset(verdict.newest) for verdict in verdicts}) == 1
    forks = {verdict.here is Here.FORK for verdict in verdicts}
    assert len(forks) == 1


@given(words)
def test_something_that_stands_is_always_among_the_newest(history: str) -> None:
    known = courses(history)
    standing = {course[-1].content for course in known.values()} - {None}
    verdict = judge(known, HERE, line(HERE))
    assert set(verdict.newest) <= standing
    assert bool(verdict.newest) == bool(standing)


@given(words, st.integers(1, 12))
def test_nights_that_find_no_change_change_nothing(history: str, at: int) -> None:
    known = courses(history)
    repeated: dict[Line, Course] = {
        place: [event for one in course for event in (one, one._replace(sequence=one.sequence))]
        for place, course in known.items()
    }
    assert judge(known, HERE, line(HERE)) == judge(repeated, HERE, line(HERE))
