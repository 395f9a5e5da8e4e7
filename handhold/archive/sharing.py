"""Work in shares, of which a second process takes some: each takes the next one once it has time for it.

Two threads that unpack and digest many small blocks hand the interpreter to and fro; two processes do not.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from handhold.beside import close_all_but, end, started
from handhold.messages import Told, tell

#: Of so many shares each has a number that is one byte.
MOST = 256

#: Does shares, by their numbers, as they come; tells of each. Calls the other one often, which may raise.
Work = Callable[[Iterable[int], Callable[[], None]], Iterator[tuple[int, Any]]]


class CallerGone(Exception):
    """Nobody waits any more for what is being done."""


class Sharing:
    """Numbers from 0 up to ``count``, each of which is given to one of two processes.

    What ``work`` tells in the second one must be plain values. That one changes nothing, and has no file of
    the caller's open. Whatever becomes of it, ``left`` has what nobody told of. Without work, or where there
    can be no second process, all numbers are the caller's. Needs ``with``, which leaves no process behind.
    """

    def __init__(self, count: int, work: Work | None) -> None:
        self._open = set(range(count))
        self._pipes: tuple[int, int] | None = None  # of numbers, and of what is told
        self._process: int | None = None
        if work is not None and count <= MOST:
            self._begin(bytes(range(count)), work)

    @property
    def alone(self) -> bool:
        """Whether there is no second process."""
        return self._process is None

    def __enter__(self) -> Sharing:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pipes is not None:
            for pipe in self._pipes:
                os.close(pipe)
            self._pipes = None
        if self._process is not None:
            process, self._process = self._process, None
            end(process)

    def numbers(self) -> Iterator[int]:
        """The shares that the caller is to do, each as it is asked for."""
        return _numbers(self._pipes[0]) if self._pipes else iter(self.left())

    def done(self, number: int) -> None:
        """The caller has done a share."""
        self._open.remove(number)

    def told(self, wait: bool = False) -> Iterator[Any]:
        """What the second process has told of shares since; to be asked for often.

        Where the caller is to ``wait``, all that it will ever tell.
        """
        if self._pipes is None:
            return
        os.set_blocking(self._pipes[1], wait)
        for number, told in self._told.come():
            self._open.remove(number)
            yield told

    def left(self) -> list[int]:
        """The shares that nobody has told of."""
        return sorted(self._open)

    def _begin(self, numbers: bytes, work: Work) -> None:
        """Starts the second process, if it can be had."""
        pipes: list[int] = []
        try:
            pipes += os.pipe()
            # Who reads a byte has its share: the system gives each to one of both.
            os.write(pipes[1], numbers)
            pipes += os.pipe()
        except OSError:  # too many files
            for pipe in pipes:
                os.close(pipe)
            return
        asked, asking, told, telling = pipes
        os.close(asking)
        caller = os.getpid()
        self._process = started(lambda: _work(asked, telling, caller, work))
        os.close(telling)
        if self._process is None:
            os.close(asked)
            os.close(told)
        else:
            self._pipes, self._told = (asked, told), Told(told)


def _numbers(pipe: int) -> Iterator[int]:
    while number := os.read(pipe, 1):
        yield number[0]


def _work(numbers: int, telling: int, caller: int, work: Work) -> None:
    """What the second process does."""
    # Should the caller die, the lock of its archive must go with it; and it must be seen here that it has.
    close_all_but(numbers, telling)

    def go_on() -> None:
        if os.getppid() != caller:
            raise CallerGone

    for told in work(_numbers(numbers), go_on):
        tell(telling, told)
