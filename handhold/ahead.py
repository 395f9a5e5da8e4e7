"""Works at tasks in threads, some way ahead of whoever takes what comes of them."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterator
from typing import Generic, NamedTuple, TypeVar

from handhold.threads import room_for_threads

T = TypeVar("T")
T_co = TypeVar("T_co", covariant=True)
S = TypeVar("S")


class Task(NamedTuple, Generic[T_co]):
    """Something to do for a thread, and what it takes of the room for all (``weight``)."""

    work: Callable[[], T_co]
    weight: int


class Ahead(Generic[T, S]):
    """What comes of the tasks of an iterator, in their order; an error is raised where its turn is.

    Each thread takes the next task off the iterator and does it. So what the iterator itself does is done by
    one thread at a time, by the one that goes on with it: nothing is handed from thread to thread before it
    is done. Then ``in_order`` makes of what each task brings what is given: of one at a time, in the order of
    the tasks, in whichever thread finds it done; of none behind an error. What was taken and is not done with
    weighs at most ``most``, or is one task. A task is done with when the next one is asked for. Needs
    ``with``, or ``close``, which ends the threads before their next task.

    >>> tasks = (Task(lambda n=n: n * n, weight=n) for n in (3, 1, 2))
    >>> with Ahead(tasks, str, most=4, threads=2) as squares:
    ...     list(squares)
    ['9', '1', '4']
    """

    def __init__(
        self, tasks: Iterator[Task[T]], in_order: Callable[[T], S], *, most: int, threads: int
    ) -> None:
        self._tasks = tasks
        self._in_order = in_order
        self._most = most
        self._taking = threading.Lock()  # whoever has it runs the iterator
        self._begun: deque[_Begun[T]] = deque()  # in the order of the tasks
        self._ordering = False  # whether a thread is at ``in_order``
        self._ready: deque[_Ready[S]] = deque()
        self._failed = False  # the last of them is an error
        self._held = 0  # the weight of what is begun or ready, and of what was taken last
        self._taken = 0  # the weight of that one
        self._likely = 0  # the weight of the task that was begun last
        self._ended = self._closed = False
        self._broken: BaseException | None = None  # why a thread could not do what is no task's own
        turn = threading.Lock()
        self._done = threading.Condition(turn)  # something may be ready, or all is through
        self._room = threading.Condition(turn)  # there may be room for another one
        self._most_threads = threads
        self._threads: list[threading.Thread] = []
        self._start()

    def __enter__(self) -> Ahead[T, S]:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __iter__(self) -> Iterator[S]:
        return self

    def __next__(self) -> S:
        with self._done:
            self._held -= self._taken
            self._taken = 0
            self._room.notify()
            while not (self._broken or self._ready or self._is_over() or self._closed):
                self._done.wait()
            if self._broken is not None:
                raise self._broken
            if not self._ready:
                if self._is_over():
                    raise StopIteration
                raise RuntimeError("what is read ahead was closed before its end")
            first = self._ready.popleft()
            self._taken = first.weight
        if isinstance(first.error, StopIteration):  # it would be taken for the end
            raise RuntimeError("a task raised StopIteration") from first.error
        if first.error is not None:
            raise first.error
        return first.given.pop()

    def _is_over(self) -> bool:
        """Whether no more is to come: behind an error that was taken as well."""
        return self._failed or self._through()

    def _through(self) -> bool:
        return self._ended and not self._begun and not self._ordering

    def close(self) -> None:
        """Ends the threads, and waits until they have let go of what they read."""
        with self._room:
            self._closed = True
            self._room.notify()
            self._done.notify_all()
        with self._taking:  # from here on no thread begins, neither a task nor another thread
            threads = self._threads
        for thread in threads:
            thread.join()
        close = getattr(self._tasks, "close", None)
        if close is not None:
            close()

    def _start(self) -> None:
        room_for_threads(1)
        thread = threading.Thread(target=self._run, name="handhold-ahead", daemon=True)
        self._threads.append(thread)
        try:
            thread.start()
        except BaseException:
            self._threads.remove(thread)
            raise

    def _run(self) -> None:
        try:
            self._work()
        except BaseException as error:  # no memory is left: nobody must wait for what does not come
            self._broken = error
            with self._done:
                self._done.notify()

    def _work(self) -> None:
        while (taken := self._take()) is not None:
            begun, work = taken
            if work is not None:
                try:
                    begun.brought.append(work())
                except BaseException as error:  # whoever takes what is brought is told
                    begun.error = error
            del taken, work  # what it was made of takes room
            self._hand_on(begun)
            del begun

    def _hand_on(self, begun: _Begun[T]) -> None:
        """Makes ready what is done and next in order, unless another thread is at that: it will see this."""
        with self._done:
            begun.done = True
            if self._ordering:
                return
            self._ordering = True
        while (first := self._next_done()) is not None:
            ready: _Ready[S] = _Ready(first.weight, [], first.error)
            if ready.error is None:
                try:
                    ready.given.append(self._in_order(first.brought.pop()))
                except BaseException as error:  # whoever takes what is given is told
                    ready = ready._replace(error=error)
            with self._done:
                self._failed = ready.error is not None
                self._ready.append(ready)
                self._done.notify()
            del first, ready  # whoever takes it is done with it first

    def _next_done(self) -> _Begun[T] | None:
        """What is done and next in order; None if nothing is, or nothing must be: then others may ask."""
        with self._done:
            if self._begun and self._begun[0].done and not self._failed and not self._closed:
                return self._begun.popleft()
            self._ordering = False
            if self._through():
                self._done.notify()
            return None

    def _take(self) -> tuple[_Begun[T], Callable[[], T] | None] | None:
        """The next task, as soon as there is room for it; None at the end. Its error is a task of its own."""
        with self._taking:
            # What a task is made of takes room before its weight is known: most likely as the last one did.
            if self._ended or not self._wait_for(self._likely):
                return None
            begun: _Begun[T]
            work: Callable[[], T] | None = None
            ended = False
            try:
                work, weight = next(self._tasks)
                begun = _Begun(weight)
            except StopIteration:
                with self._done:
                    self._ended = True
                    self._done.notify()
                return None
            except BaseException as error:
                begun = _Begun(0)
                begun.error = error
                ended = True
            self._likely = begun.weight
            if not self._wait_for(begun.weight):
                return None
            with self._done:
                self._ended = ended  # not before the error can be found: else all would seem to be through
                self._held += begun.weight
                self._begun.append(begun)
            # Where there is one task there may be another.
            if len(self._threads) < self._most_threads:
                try:
                    self._start()
                except (RuntimeError, MemoryError):  # as Python says it where the system gives no more
                    self._most_threads = len(self._threads)
            return begun, work

    def _wait_for(self, weight: int) -> bool:
        """Waits until there is so much room, or nothing is begun; whether nobody has closed meanwhile."""
        with self._room:
            while self._held and self._held + weight > self._most and not self._closed:
                self._room.wait()
            return not self._closed


class _Begun(Generic[T]):
    """A task that a thread has taken."""

    __slots__ = ("brought", "done", "error", "weight")

    def __init__(self, weight: int) -> None:
        self.weight = weight
        self.brought: list[T] = []  # what it has brought, if it did
        self.error: BaseException | None = None
        self.done = False


class _Ready(NamedTuple, Generic[S]):
    """What came of a task: one thing, or an error."""

    weight: int
    given: list[S]  # it is taken out of here, for a thread may still have this in its hands
    error: BaseException | None
