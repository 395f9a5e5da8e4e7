"""Values that are worked out in another thread, some way ahead."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

from handhold.ahead import Ahead


def test_an_error_is_raised_where_its_turn_is() -> None:
    def values() -> Iterator[int]:
        yield 1
        yield 2
        raise OSError("the third")

    taken = []
    with Ahead(values(), weigh=lambda _: 1, most=10) as ahead, pytest.raises(OSError, match="the third"):
        for value in ahead:
            taken.append(value)
    assert taken == [1, 2]


def test_what_waits_weighs_no_more_than_it_may() -> None:
    """Of values of 3 with room for 7, two are ahead at any time, and one is being worked out."""
    made: list[int] = []
    full = threading.Event()

    def values() -> Iterator[int]:
        for number in range(20):
            made.append(number)
            if len(made) == 3:
                full.set()
            yield number

    with Ahead(values(), weigh=lambda _: 3, most=7) as ahead:
        assert full.wait(10)
        for number, value in enumerate(ahead):
            assert value == number
            # The one that is in the caller's hands still counts: one more waits, one stands before the door.
            assert len(made) <= number + 3
    assert made == list(range(20))


def test_a_value_that_is_heavier_than_all_room_goes_alone() -> None:
    with Ahead(iter([5, 100, 5]), weigh=int, most=7) as ahead:
        assert list(ahead) == [5, 100, 5]


def test_closing_ends_the_thread_and_the_iterator() -> None:
    """Whoever stops half way leaves no thread that waits for room, and no open file."""
    closed: list[str] = []

    def values() -> Iterator[int]:
        try:
            yield from range(1000)
        finally:
            closed.append(threading.current_thread().name)

    before = threading.active_count()
    ahead = Ahead(values(), weigh=lambda _: 1, most=3)
    assert next(ahead) == 0
    ahead.close()
    assert threading.active_count() == before
    assert closed == ["handhold-ahead"]
    ahead.close()
