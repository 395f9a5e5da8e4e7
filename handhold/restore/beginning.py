"""Has the files of batches begun under temporary names, ahead of whoever ends the batches.

In a second process where that pays and can be had, for two threads of many small files wait for each other;
in a thread elsewhere. Either begins one batch after the other, each once it is asked for.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Generator
from concurrent.futures import Future
from typing import NamedTuple, Protocol

from handhold.beside import end, started
from handhold.messages import Told, tell
from handhold.threads import pool

#: The places in a batch of what could not be begun, with the reason, and whether the archive is hurt.
Troubles = dict[int, tuple[str, bool]]


class Gone(Exception):
    """The second process has ended before its work was done."""


class Stopped(Exception):
    """Nobody waits any more for what is being begun."""


#: Is told each folder just before it is made: the base, and the way from it.
Making = Callable[[str, str], None]


class Hooks(NamedTuple):
    """What the work asks and tells while it is at it."""

    #: Raises ``Stopped`` once nobody waits for the work any more; to be called often.
    go_on: Callable[[], None]
    making: Making


#: Begins a batch at each step; gives what could not be begun of it.
Work = Callable[[Hooks], Generator[Troubles, None, None]]


class Beginning(Protocol):
    """Work that is done a batch at a time, ahead."""

    def ask(self) -> None:
        """Lets the next batch be begun."""

    def answer(self) -> Troubles:
        """What became of the batch that was asked for the longest ago; waits. Raises ``Gone``."""

    def close(self) -> None:
        """Ends it, wherever it is."""


class InThread:
    """Begins batches in a thread."""

    def __init__(self, work: Work, making: Making) -> None:
        self._closed = False
        self._steps = work(Hooks(self._go_on, making))
        self._thread = pool(1, "handhold-beginning")
        self._asked: deque[Future[Troubles]] = deque()

    def ask(self) -> None:
        self._asked.append(self._thread.submit(next, self._steps))

    def answer(self) -> Troubles:
        return self._asked.popleft().result()

    def close(self) -> None:
        self._closed = True
        self._thread.shutdown(cancel_futures=True)
        self._steps.close()

    def _go_on(self) -> None:
        if self._closed:
            raise Stopped


class InProcess:
    """Begins batches in a second process; raises ``Gone`` where none can be had."""

    def __init__(self, work: Work, making: Making) -> None:
        self._making = making
        asked, self._ask = os.pipe()
        self._answers, answering = os.pipe()
        self._told = Told(self._answers)
        try:
            process = started(lambda: self._begin(work, asked, answering))
        finally:
            os.close(asked)
            os.close(answering)
        self._process = process
        if process is None:
            self.close()
            raise Gone

    def ask(self) -> None:
        try:
            os.write(self._ask, b"\0")
        except BrokenPipeError:
            pass  # the answer tells it

    def answer(self) -> Troubles:
        while True:
            told = self._told.next()
            if told is None:
                raise Gone
            if isinstance(told, dict):
                return told
            self._making(*told)

    def close(self) -> None:
        if self._process is not None:
            process, self._process = self._process, None
            end(process)
            # What it has made until then is to be known.
            while (told := self._told.next()) is not None:
                if not isinstance(told, dict):
                    self._making(*told)
        for pipe in (self._ask, self._answers):
            os.close(pipe)

    def _begin(self, work: Work, asked: int, answering: int) -> None:
        """What the second process does."""
        # Else it would not see that nobody asks any more.
        os.close(self._ask)
        os.close(self._answers)
        caller = os.getppid()

        def go_on() -> None:
            if os.getppid() != caller:
                raise Stopped

        steps = work(Hooks(go_on, lambda base, way: tell(answering, (base, way))))
        while os.read(asked, 1):
            tell(answering, next(steps))
