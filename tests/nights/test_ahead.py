"""Tasks that threads work at, some way ahead of whoever takes what they bring."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from handhold.ahead import Ahead, Task

#: Nothing is made of what a task brings.
AS = int
THREADS = pytest.mark.parametrize("threads", [1, 2, 4])


def tasks(values: Iterator[int] | list[int], weight: int = 1) -> Iterator[Task[int]]:
    return (Task(lambda value=value: value, weight) for value in values)  # type: ignore[misc]


def fail(why: str) -> Callable[[], int]:
    def work() -> int:
        raise OSError(why)

    return work


@THREADS
def test_an_error_of_the_iterator_is_raised_where_its_turn_is(threads: int) -> None:
    def values() -> Iterator[Task[int]]:
        yield Task(lambda: 1, 1)
        yield Task(lambda: 2, 1)
        raise OSError("the third")

    taken = []
    with Ahead(values(), AS, most=10, threads=threads) as ahead, pytest.raises(OSError, match="the third"):
        for value in ahead:
            taken.append(value)
    assert taken == [1, 2]


class LateAhead(Ahead[int, int]):
    """Whose threads are held up whenever they have found room, as on a busy computer."""

    def _wait_for(self, weight: int) -> bool:
        found = super()._wait_for(weight)
        time.sleep(0.1)
        return found


@THREADS
def test_an_error_is_not_taken_for_the_end_by_who_asks_while_it_is_handed_on(threads: int) -> None:
    """Then a night whose reading failed would have been finished with what there was of it."""
    failing = threading.Event()

    def values() -> Iterator[Task[int]]:
        yield from tasks([])
        failing.set()
        raise OSError("the first")

    with LateAhead(values(), AS, most=10, threads=threads) as ahead:
        assert failing.wait(10)
        time.sleep(0.03)
        with pytest.raises(OSError, match="the first"):
            list(ahead)


@THREADS
def test_an_error_of_a_task_is_raised_where_its_turn_is(threads: int) -> None:
    """Even if it is there before the task in front of it is done."""

    def slow() -> int:
        time.sleep(0.05)
        return 1

    taken = []
    some = iter([Task(slow, 1), Task(fail("the second"), 1), Task(lambda: 3, 1)])
    with Ahead(some, AS, most=10, threads=threads) as ahead, pytest.raises(OSError, match="the second"):
        for value in ahead:
            taken.append(value)
    assert taken == [1]


@THREADS
def test_what_is_brought_comes_in_the_order_of_the_tasks(threads: int) -> None:
    """However long each takes."""

    def work(number: int) -> Callable[[], int]:
        def late() -> int:
            time.sleep(0.004 if number % 3 == 0 else 0)
            return number

        return late

    some = (Task(work(number), number % 5) for number in range(60))
    with Ahead(some, AS, most=7, threads=threads) as ahead:
        assert list(ahead) == list(range(60))


def test_two_threads_are_at_work_at_once_and_one_at_the_iterator() -> None:
    both = threading.Barrier(2, timeout=10)
    inside = threading.Lock()

    def work() -> int:
        both.wait()
        return 1

    def some() -> Iterator[Task[int]]:
        for _ in range(20):
            assert inside.acquire(blocking=False)
            time.sleep(0.001)
            inside.release()
            yield Task(work, 1)

    with Ahead(some(), AS, most=20, threads=2) as ahead:
        assert list(ahead) == [1] * 20


@THREADS
def test_what_waits_weighs_no_more_than_it_may(threads: int) -> None:
    """Of tasks of 3 with room for 7, two are begun at any time, and no other is asked for."""
    made: list[int] = []
    full = threading.Event()

    def values() -> Iterator[int]:
        for number in range(20):
            made.append(number)
            if len(made) == 2:
                full.set()
            yield number

    with Ahead(tasks(values(), 3), AS, most=7, threads=threads) as ahead:
        assert full.wait(10)
        for number, value in enumerate(ahead):
            assert value == number
            assert len(made) <= number + 2  # the one that is in the caller's hands still counts
    assert made == list(range(20))


@THREADS
def test_a_task_that_is_heavier_than_all_room_goes_alone(threads: int) -> None:
    at_work = []

    def work(number: int) -> Callable[[], int]:
        def note() -> int:
            at_work.append(number)
            return number

        return note

    some = (Task(work(number), number) for number in (5, 100, 5))
    with Ahead(some, AS, most=7, threads=threads) as ahead:
        for number in (5, 100, 5):
            assert next(ahead) == number
            time.sleep(0.02)
            assert at_work[-1] == number  # what is behind waits until this one is done with
        assert list(ahead) == []


@THREADS
def test_closing_ends_the_threads_and_the_iterator(threads: int) -> None:
    """Whoever stops half way leaves no thread that waits for room, and no open file."""
    closed: list[bool] = []

    def values() -> Iterator[int]:
        try:
            yield from range(1000)
        finally:
            closed.append(True)

    def some() -> Iterator[Task[int]]:
        numbers = values()
        try:
            yield from tasks(numbers)
        finally:
            numbers.close()  # type: ignore[attr-defined]

    before = threading.active_count()
    ahead = Ahead(some(), AS, most=3, threads=threads)
    assert next(ahead) == 0
    ahead.close()
    assert threading.active_count() == before
    assert closed == [True]
    ahead.close()


def test_closing_waits_for_a_task_that_is_being_done() -> None:
    """One that went on would read from a card that may be taken out, or ask an archive that is closed."""
    begun, ended = threading.Event(), []

    def work() -> int:
        begun.set()
        time.sleep(0.1)
        ended.append(True)
        return 1

    with pytest.raises(KeyboardInterrupt), Ahead(iter([Task(work, 1)]), AS, most=3, threads=2):
        assert begun.wait(10)
        raise KeyboardInterrupt
    assert ended == [True]


def test_without_a_task_nothing_comes_and_a_single_thread_is_begun(monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[str] = []
    start = threading.Thread.start

    def noted(self: threading.Thread) -> None:
        started.append(self.name)
        start(self)

    monkeypatch.setattr(threading.Thread, "start", noted)
    nothing: Iterator[Task[int]] = iter(())
    with Ahead(nothing, AS, most=3, threads=4) as ahead:
        assert list(ahead) == []
    assert started == ["handhold-ahead"]


def test_where_no_second_thread_is_to_be_had_one_does_all(monkeypatch: pytest.MonkeyPatch) -> None:
    """Python says "can't start new thread" where memory or the number of processes is short."""
    started: list[str] = []
    start = threading.Thread.start

    def once(self: threading.Thread) -> None:
        started.append(self.name)
        if len(started) > 1:
            raise RuntimeError("can't start new thread")
        start(self)

    monkeypatch.setattr(threading.Thread, "start", once)
    with Ahead(tasks(list(range(20))), AS, most=3, threads=4) as ahead:
        assert list(ahead) == list(range(20))
    assert len(started) == 2


@pytest.mark.parametrize("threads_to_be_had", [0, 1])
def test_a_thread_that_would_find_no_memory_is_not_begun(
    monkeypatch: pytest.MonkeyPatch, threads_to_be_had: int
) -> None:
    begun: list[str] = []
    start = threading.Thread.start

    def noted(self: threading.Thread) -> None:
        begun.append(self.name)
        start(self)

    def room(_: int) -> None:
        if len(begun) == threads_to_be_had:
            raise MemoryError

    monkeypatch.setattr(threading.Thread, "start", noted)
    monkeypatch.setattr("handhold.ahead.room_for_threads", room)
    if threads_to_be_had:
        with Ahead(tasks(list(range(20))), AS, most=3, threads=4) as ahead:
            assert list(ahead) == list(range(20))
    else:
        with pytest.raises(MemoryError):
            Ahead(tasks([1]), AS, most=3, threads=4)
    assert len(begun) == threads_to_be_had


def test_room_for_a_thread_is_its_stack_and_more() -> None:
    """Source: pthread_create(3): the default stack of a new thread is RLIMIT_STACK, 2 MB without one."""
    script = (
        "import resource, sys\n"
        "from pathlib import Path\n"
        "from handhold.threads import room_for_threads\n"
        "pages = int(Path('/proc/self/statm').read_text().split()[0])\n"
        "limit = pages * resource.getpagesize() + int(sys.argv[1]) * (1 << 20)\n"
        "resource.setrlimit(resource.RLIMIT_AS, (limit, limit))\n"
        "try: room_for_threads(int(sys.argv[2]))\n"
        "except MemoryError: print('none')\n"
    )
    for more, threads, said in ((9, 1, "none"), (64, 1, ""), (64, 5, "none")):
        done = subprocess.run(
            (sys.executable, "-c", script, str(more), str(threads)),
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stdout.strip() == said


def test_room_for_a_thread_is_not_used() -> None:
    """However often it is asked for: room that comes back to the heap is cleared, and stays in memory."""
    script = (
        "from pathlib import Path\n"
        "from handhold.threads import room_for_threads\n"
        "def peak():\n"
        "    status = Path('/proc/self/status').read_text().splitlines()\n"
        "    return next(int(line.split()[1]) for line in status if line.startswith('VmHWM'))\n"
        "before = peak()\n"
        "for _ in range(5): room_for_threads(1)\n"
        "print(peak() - before)\n"
    )
    done = subprocess.run((sys.executable, "-c", script), capture_output=True, text=True, check=True)
    assert int(done.stdout) < 2048  # KiB. Source: proc(5), VmHWM


def test_a_thread_that_has_no_memory_left_leaves_nobody_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    def nothing_left(*_: object) -> bool:
        raise MemoryError

    monkeypatch.setattr(Ahead, "_wait_for", nothing_left)
    with Ahead(tasks([1, 2]), AS, most=3, threads=1) as ahead, pytest.raises(MemoryError):
        next(ahead)


@THREADS
def test_of_each_is_made_what_is_given_one_after_the_other_and_in_order(threads: int) -> None:
    """In whatever order the threads are done with them."""
    inside = threading.Lock()
    seen: list[int] = []

    def work(number: int) -> Callable[[], int]:
        def late() -> int:
            time.sleep(0.003 if number % 3 == 0 else 0)
            return number

        return late

    def in_order(number: int) -> str:
        assert inside.acquire(blocking=False)
        seen.append(number)
        time.sleep(0.0005)
        inside.release()
        return f"<{number}>"

    some = (Task(work(number), 1) for number in range(60))
    with Ahead(some, in_order, most=7, threads=threads) as ahead:
        assert list(ahead) == [f"<{number}>" for number in range(60)]
    assert seen == list(range(60))


@THREADS
@pytest.mark.parametrize("where", ["work", "in order"])
def test_of_what_is_behind_an_error_nothing_is_made(threads: int, where: str) -> None:
    """What is done already as well: an archive that refused a block gets none that was to come after it."""
    made: list[int] = []

    def in_order(number: int) -> int:
        if where == "in order" and number == 3:
            raise OSError("the fourth")
        made.append(number)
        return number

    def work(number: int) -> Callable[[], int]:
        def late() -> int:
            if number == 3:
                time.sleep(0.02)
                if where == "work":
                    raise OSError("the fourth")
            return number

        return late

    taken = []
    some = (Task(work(number), 1) for number in range(20))
    with Ahead(some, in_order, most=20, threads=threads) as ahead:
        with pytest.raises(OSError, match="the fourth"):
            for number in ahead:
                taken.append(number)
        time.sleep(0.02)
    assert made == taken == [0, 1, 2]


def asked_in_time(ahead: Ahead[int, int]) -> list[object]:
    """What the next question brings: a value, or the kind of an error; nothing where none comes."""
    found: list[object] = []

    def ask() -> None:
        try:
            found.append(next(ahead, "the end"))
        except Exception as error:
            found.append(type(error))

    thread = threading.Thread(target=ask, daemon=True)
    thread.start()
    thread.join(5)
    return found


@THREADS
def test_whoever_asks_again_behind_an_error_does_not_wait_for_ever(threads: int) -> None:
    """As with a generator: it is over."""
    some = iter([Task(fail("the first"), 1), Task(lambda: 2, 1), Task(lambda: 3, 1)])
    with Ahead(some, AS, most=3, threads=threads) as ahead:
        assert asked_in_time(ahead) == [OSError]
        assert asked_in_time(ahead) == ["the end"]


@THREADS
def test_whoever_asks_after_closing_is_not_told_that_it_was_the_end(threads: int) -> None:
    ahead = Ahead(tasks([1, 2, 3, 4]), AS, most=1, threads=threads)
    assert next(ahead) == 1
    ahead.close()
    assert asked_in_time(ahead) == [RuntimeError]


@pytest.mark.parametrize("where", ["work", "in order"])
def test_a_forgotten_end_in_a_task_is_not_taken_for_the_end_of_all(where: str) -> None:
    """``next`` of nothing raises StopIteration: from ``__next__`` it would end the loop of whoever takes."""

    def forgotten(value: int = 0) -> int:
        return next(iter([value] * (value % 2)))

    work, in_order = (forgotten, AS) if where == "work" else (lambda: 2, forgotten)
    some = iter([Task(lambda: 1, 1), Task(work, 1), Task(lambda: 3, 1)])
    with (
        Ahead(some, in_order, most=5, threads=1) as ahead,
        pytest.raises(RuntimeError, match="StopIteration"),
    ):
        list(ahead)
