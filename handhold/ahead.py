"""Works out the values of an iterator in a thread of its own, some way ahead of whoever takes them."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterator
from typing import Generic, TypeVar

S = TypeVar("S")


class Ahead(Generic[S]):
    """The values of an iterator, in their order; an error of it is raised where its turn is.

    What was worked out and not yet done with weighs at most ``most``, or is one value. A value is done with
    when the next one is asked for. Needs ``with``, or ``close``, which ends the thread before its next value.

    >>> with Ahead(iter([3, 1, 2]), weigh=int, most=4) as values:
    ...     list(values)
    [3, 1, 2]
    """

    def __init__(self, values: Iterator[S], weigh: Callable[[S], int], most: int) -> None:
        self._values = values
        self._weigh = weigh
        self._most = most
        self._waiting: deque[tuple[S, int]] = deque()
        self._held = 0  # the weight of what waits, and of the value that was taken last
        self._taken = 0  # the weight of that one
        self._ended = self._closed = False
        self._error: BaseException | None = None
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._work, name="handhold-ahead", daemon=True)
        self._thread.start()

    def __enter__(self) -> Ahead[S]:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __iter__(self) -> Iterator[S]:
        return self

    def __next__(self) -> S:
        with self._changed:
            self._held -= self._taken
            self._taken = 0
            self._changed.notify()
            while not (self._waiting or self._ended):
                self._changed.wait()
            if self._waiting:
                value, self._taken = self._waiting.popleft()
                return value
        if self._error is not None:
            raise self._error
        raise StopIteration

    def close(self) -> None:
        """Ends the thread, and waits until it has let go of what it reads."""
        with self._changed:
            self._closed = True
            self._changed.notify()
        self._thread.join()

    def _work(self) -> None:
        try:
            for value in self._values:
                if not self._put(value, self._weigh(value)):
                    break
        except BaseException as error:  # whoever takes the values is told
            self._error = error
        finally:
            close = getattr(self._values, "close", None)
            if close is not None:
                close()
            with self._changed:
                self._ended = True
                self._changed.notify()

    def _put(self, value: S, weight: int) -> bool:
        """Whether the thread goes on."""
        with self._changed:
            while self._held and self._held + weight > self._most and not self._closed:
                self._changed.wait()
            self._waiting.append((value, weight))
            self._held += weight
            self._changed.notify()
            return not self._closed
