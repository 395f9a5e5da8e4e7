"""Work in shares, of which other processes take some: each takes the next one once it has time for it.

Two threads that unpack and digest many small blocks hand the interpreter to and fro; two processes do not.
"""

from __future__ import annotations

import os
import resource
import select
import time
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from handhold.beside import close_all_but, end, started
from handhold.messages import Told, tell

#: Of so many shares each has a number that is one byte.
MOST = 256

#: Does shares, by their numbers, as they come; tells of each. Calls the other one often, with the bytes that
#: it has done since; that one may raise.
Work = Callable[[Iterable[int], Callable[[int], None]], Iterator[tuple[int, Any]]]
#: What is told instead of a share's number with bytes that were done, and how often at most, in seconds.
_DONE = -1
_EVERY = 0.25


class CallerGone(Exception):
    """Nobody waits any more for what is being done."""


class Sharing:
    """Numbers from 0 up to ``count``, each of which is given to one process: the caller's, or one of others.

    What ``work`` tells in the other ones, of which there are up to ``others``, must be plain values. They
    change nothing, and have no file of the caller's open. Whatever becomes of them, ``left`` has what nobody
    told of. Without work, or where there can be no other process, all numbers are the caller's. Needs
    ``with``, which leaves no process behind.
    """

    def __init__(self, count: int, work: Work | None, others: int) -> None:
        self._open = set(range(count))
        self._numbers: int | None = None  # a pipe
        self._told: dict[int, Told] = {}  # what comes, by the pipes that are not at their end
        self._processes: list[int] = []
        if work is not None and count <= MOST:
            self._begin(bytes(range(count)), work, others)

    @property
    def others(self) -> int:
        """How many other processes were started."""
        return len(self._processes)

    def __enter__(self) -> Sharing:
        return self

    def __exit__(self, *_: object) -> None:
        while self._told:
            os.close(self._told.popitem()[0])
        if self._numbers is not None:
            numbers, self._numbers = self._numbers, None
            os.close(numbers)
        while self._processes:
            end(self._processes.pop())

    def numbers(self) -> Iterator[int]:
        """The shares that the caller is to do, each as it is asked for."""
        return iter(self.left()) if self._numbers is None else _numbers(self._numbers)

    def done(self, number: int) -> None:
        """The caller has done a share."""
        self._open.remove(number)

    def told(self, wait: bool, step: Callable[[int], None]) -> Iterator[Any]:
        """What the other processes have told of shares since; to be asked for often.

        Where the caller is to ``wait``, all that they will ever tell. ``step`` gets some of the bytes that
        they have done before the shares to which these belong are told.
        """
        while self._told:
            poll = select.poll()
            for pipe in self._told:
                poll.register(pipe, select.POLLIN)
            ready = poll.poll(None if wait else 0)
            if not ready:
                return
            for pipe, _ in ready:
                told = self._told[pipe]
                for number, found in told.come():
                    if number == _DONE:
                        step(found)
                    else:
                        self._open.remove(number)
                        yield found
                if told.ended:
                    del self._told[pipe]
                    os.close(pipe)

    def left(self) -> list[int]:
        """The shares that nobody has told of."""
        return sorted(self._open)

    def _begin(self, numbers: bytes, work: Work, others: int) -> None:
        """Starts the other processes, as many as can be had."""
        try:
            asked, asking = os.pipe()
        except OSError:  # too many files
            return
        # Who reads a byte has its share: the system gives each to one of them.
        os.write(asking, numbers)
        os.close(asking)
        while self.others < others and self._begun(asked, work):
            pass
        if self._processes:
            self._numbers = asked
        else:
            os.close(asked)

    def _begun(self, asked: int, work: Work) -> bool:
        """Starts one; whether it could be had."""
        try:
            told, telling = os.pipe()
        except OSError:
            return False
        caller = os.getpid()
        process = started(lambda: _work(asked, telling, caller, work))
        os.close(telling)
        if process is None:
            os.close(told)
            return False
        self._processes.append(process)
        os.set_blocking(told, False)
        self._told[told] = Told(told)
        return True


def _numbers(pipe: int) -> Iterator[int]:
    while number := os.read(pipe, 1):
        yield number[0]


def _work(numbers: int, telling: int, caller: int, work: Work) -> None:
    """What another process does."""
    # Should the caller die, the lock of its archive must go with it; and it must be seen here that it has.
    close_all_but(numbers, telling)
    # It may be ended by a medium that goes away under what is mapped: that is no mistake to look into.
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))

    done, told_at = 0, time.monotonic()

    def go_on(count: int) -> None:
        nonlocal done, told_at
        if os.getppid() != caller:
            raise CallerGone
        done += count
        now = time.monotonic()
        if now - told_at >= _EVERY:
            tell(telling, (_DONE, done))
            done, told_at = 0, now

    for told in work(_numbers(numbers), go_on):
        tell(telling, told)
