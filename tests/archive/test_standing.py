"""Who is newer by what stood where: cases worked out by hand, and laws that any order must keep."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handhold.archive.archive import Archive
from handhold.archive.blocks import block_id
from handhold.archive.standing import BEGUN, ELSEWHERE, Line, Order, Span, last_on, order, standings
from handhold.model import Entry, HomeKind, Kind, Part, Site
from tests.archive.fixtures import EVENING, make

PLOVER, LANTERN = Line("plover", "card", "tinplate"), Line("lantern", "card", "tinplate")


def spans(*stood: tuple[str, int, int]) -> dict[str, Span]:
    """(content, when it first stood, when it last stood)"""
    return {content: Span(first, last) for content, first, last in stood}


@pytest.mark.parametrize(
    ("history", "x", "y", "expected"),
    [
        # One device, one after the other.
        ({PLOVER: spans(("x", 1, 1), ("y", 2, 2))}, "x", "y", Order.OLDER),
        ({PLOVER: spans(("x", 2, 2), ("y", 1, 1))}, "x", "y", Order.NEWER),
        ({PLOVER: spans(("x", 1, 7), ("y", 8, 9))}, "x", "y", Order.OLDER),
        ({PLOVER: spans(("x", 1, 1))}, "x", "x", Order.SAME),
        # Never seen.
        ({PLOVER: spans(("y", 1, 1))}, "x", "y", Order.UNKNOWN),
        ({}, "x", "y", Order.UNKNOWN),
        # Each on a device of its own: nothing says which came first.
        ({PLOVER: spans(("x", 1, 1)), LANTERN: spans(("y", 2, 2))}, "x", "y", Order.FORK),
        # Carried over and played on there: lantern had x, then y; plover only x, later than lantern's y.
        ({PLOVER: spans(("x", 1, 9)), LANTERN: spans(("x", 2, 2), ("y", 3, 3))}, "x", "y", Order.OLDER),
        # The two devices say opposite things.
        (
            {PLOVER: spans(("x", 1, 1), ("y", 2, 2)), LANTERN: spans(("x", 4, 4), ("y", 3, 3))},
            "x",
            "y",
            Order.FORK,
        ),
        # Both devices agree.
        (
            {PLOVER: spans(("x", 1, 1), ("y", 2, 2)), LANTERN: spans(("x", 3, 3), ("y", 4, 4))},
            "x",
            "y",
            Order.OLDER,
        ),
        # x, then y, and then x was put back: it is no newer for that.
        ({PLOVER: spans(("x", 1, 3), ("y", 2, 2))}, "x", "y", Order.FORK),
        ({PLOVER: spans(("x", 1, 3), ("y", 2, 2))}, "y", "x", Order.FORK),
        # x, y, x put back, and that taken back again: y is the newer one as before.
        ({PLOVER: spans(("x", 1, 3), ("y", 2, 4))}, "x", "y", Order.OLDER),
        # Two homes of one device are two lines: side by side they say nothing about each other.
        (
            {
                Line("plover", "card", "tinplate"): spans(("x", 5, 5)),
                Line("plover", "internal", "tinplate"): spans(("y", 6, 6)),
            },
            "x",
            "y",
            Order.FORK,
        ),
        # Standing in the same manifest twice is no order either.
        ({PLOVER: spans(("x", 5, 5), ("y", 5, 5))}, "x", "y", Order.FORK),
    ],
)
def test_worked_cases(history: dict[Line, dict[str, Span]], x: str, y: str, expected: Order) -> None:
    assert order(history, x, y) is expected


def test_last_on() -> None:
    history = {PLOVER: spans(("x", 1, 1), ("y", 2, 4)), LANTERN: spans(("x", 9, 9))}
    assert last_on(history, PLOVER) == ("y", 4)
    assert last_on(history, LANTERN) == ("x", 9)
    assert last_on(history, Line("plover", "card", "Other")) is None
    assert last_on({PLOVER: spans(("x", 4, 4), ("y", 4, 4))}, PLOVER) is None


histories = st.dictionaries(
    st.sampled_from([PLOVER, LANTERN, Line("plover", "internal", "tinplate")]),
    st.dictionaries(
        st.sampled_from("xyz"),
        st.tuples(st.integers(1, 9), st.integers(0, 9)).map(lambda t: Span(t[0], t[0] + t[1])),
        min_size=1,
    ),
)


@given(histories)
def test_order_is_the_same_from_both_sides(history: dict[Line, dict[str, Span]]) -> None:
    mirrored = {Order.OLDER: Order.NEWER, Order.NEWER: Order.OLDER, Order.FORK: Order.FORK}
    forth, back = order(history, "x", "y"), order(history, "y", "x")
    if Order.UNKNOWN not in (forth, back):
        assert back is mirrored[forth]


@given(histories, st.integers(10, 20))
def test_a_line_that_only_repeats_what_is_known_changes_nothing(
    history: dict[Line, dict[str, Span]], later: int
) -> None:
    more = {**history, Line("third", "card", "tinplate"): {"x": Span(later, later)}}
    if order(history, "x", "y") is not Order.UNKNOWN:
        assert order(more, "x", "y") is order(history, "x", "y")


def _write(
    archive: Archive,
    device: str,
    *saves: tuple[str, str, str],
    kind: Kind = Kind.NIGHT,
    note: str = "",
    volume: str = "card",
) -> None:
    """A manifest with these saves: (home, path, content)."""
    with archive.locked("test"), archive.writer() as writer:
        entries = []
        for home, path, content in saves:
            data = content.encode()
            digest = writer.put_plain(data)
            entries.append(Entry("tinplate", Part.SAVES, home, path, len(data), 0, digest))
        writer.finish(
            device=device,
            kind=kind,
            taken=EVENING,
            volumes=[],
            sites=[
                Site("tinplate", home, HomeKind.FOLDER, volume, "Tinplate") for home in {s[0] for s in saves}
            ],
            layouts={},
            entries=entries,
            gaps=[],
            note=note,
        )


def _sha(content: str) -> str:
    return block_id(content.encode()).hex()


A = ("tinplate", Part.SAVES, "a.sav")


def test_standings_from_manifests(tmp_path: Path) -> None:
    archive = make(tmp_path)
    _write(archive, "plover", ("main", "a.sav", "one"), ("main", "b.sav", "b"))
    _write(archive, "plover", ("main", "a.sav", "one"), ("main", "b.sav", "b"))  # a quiet night
    _write(archive, "lantern", ("main", "a.sav", "one"), kind=Kind.RESTORED)
    _write(archive, "plover", ("main", "a.sav", "two"), ("main", "b.sav", "b"))
    _write(archive, "plover", ("main", "a.sav", "unknown"), kind=Kind.SAFETY)
    _write(archive, "plover", ("main", "a.sav", "zero"), kind=Kind.RESTORED, note=BEGUN)
    _write(archive, "plover", ("main", "a.sav", "zero"), kind=Kind.RESTORED, volume=ELSEWHERE)
    past = standings(archive, {A})
    assert past.of(A) == {
        PLOVER: {_sha("one"): (1, 2), _sha("two"): (4, 4), _sha("unknown"): (5, 5)},
        LANTERN: {_sha("one"): (3, 3)},
    }
    assert past.of(("tinplate", Part.SAVES, "b.sav")) == {}  # not asked for
    assert past.unreadable == []


def test_each_page_is_decoded_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    archive = make(tmp_path)
    for _ in range(5):
        _write(archive, "plover", ("main", "a.sav", "one"))
    _write(archive, "lantern", ("main", "a.sav", "one"))
    asked = []
    real = archive.page

    def page(page_id: str) -> tuple[Entry, ...]:
        asked.append(page_id)
        return real(page_id)

    monkeypatch.setattr(archive, "page", page)
    assert standings(archive, {A}).of(A) == {PLOVER: {_sha("one"): (1, 5)}, LANTERN: {_sha("one"): (6, 6)}}
    assert len(asked) == 1


def test_what_is_hurt_is_named_and_the_rest_is_known(tmp_path: Path) -> None:
    archive = make(tmp_path)
    _write(archive, "plover", ("main", "a.sav", "one"))
    _write(archive, "plover", ("main", "a.sav", "two"))
    first, second = archive.snapshots()
    file = tmp_path / "archive" / second.file
    data = bytearray(file.read_bytes())
    data[-1] ^= 1
    file.write_bytes(data)
    past = standings(archive, {A})
    assert past.of(A) == {PLOVER: {_sha("one"): (first.sequence,) * 2}}
    assert past.unreadable == [second.name]


def test_a_home_is_told_by_where_it_lies_and_not_by_its_name(tmp_path: Path) -> None:
    """With the card out for a night, the home on the internal storage has the name that the card's had."""
    archive = make(tmp_path)
    for homes in ({"main": "card", "main@internal": "internal"}, {"main": "internal"}):
        with archive.locked("test"), archive.writer() as writer:
            digests = {volume: writer.put_plain(f"on {volume}".encode()) for volume in homes.values()}
            writer.finish(
                device="plover",
                kind=Kind.NIGHT,
                taken=EVENING,
                volumes=[],
                sites=[Site("tinplate", h, HomeKind.FOLDER, v, "Tinplate") for h, v in homes.items()],
                layouts={},
                entries=[
                    Entry("tinplate", Part.SAVES, home, "a.sav", len(f"on {volume}"), 0, digests[volume])
                    for home, volume in homes.items()
                ],
                gaps=[],
            )
    lines = standings(archive, {A}).of(A)
    assert lines == {
        Line("plover", "card", "tinplate"): {_sha("on card"): (1, 1)},
        Line("plover", "internal", "tinplate"): {_sha("on internal"): (1, 2)},
    }
    assert order(lines, _sha("on card"), _sha("on internal")) is Order.FORK
