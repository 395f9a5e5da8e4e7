"""Asks something of many items in a second process, where threads would wait for each other.

Of work in steps of some microseconds two threads do no more than one: they hand the interpreter to and fro.
"""

from __future__ import annotations

import contextlib
import gc
import os
import select
import signal
import sys
import time
from collections.abc import Callable, Sequence
from typing import Generic, TypeVar

S = TypeVar("S")

#: Fewer items are not worth a process.
_LEAST = 1000
#: So many answers are handed over at a time.
_AT_ONCE = 256
#: A process that says nothing for as many seconds, and four times as long as it exists, is given up.
_PATIENCE = 10.0


class Beside(Generic[S]):
    """Which of many items something holds of: asked of one after the other, beside the caller's own work.

    ``holds`` changes nothing and writes nothing. An answer that is not "yes" is none: where it raised, the
    process ended early, or there is no second core, the caller finds out by itself. Needs ``with``, which
    leaves no process behind.
    """

    def __init__(self, holds: Callable[[S], bool], items: Sequence[S]) -> None:
        self._answers = bytearray()
        self._begun = time.monotonic()
        self._process = self._pipe = -1
        self._asked = 0
        if len(items) < _LEAST or _cores() < 2:
            return
        reading, writing = os.pipe()
        try:
            self._process = os.fork()
        except OSError:  # no memory, or too many processes
            os.close(reading)
            os.close(writing)
            return
        if not self._process:
            _answer(writing, holds, items)
        os.close(writing)
        self._pipe = reading
        self._asked = len(items)

    def __len__(self) -> int:
        """How many items it is asked of; 0 where the caller has to find out everything by itself."""
        return self._asked

    def __enter__(self) -> Beside[S]:
        return self

    def __exit__(self, *_: object) -> None:
        self._give_up()
        if self._process > 0:
            process, self._process = self._process, -1
            with contextlib.suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)
            os.waitpid(process, 0)

    def __call__(self, number: int) -> bool:
        """Whether it surely holds of the item of this number, from 0; waits for the answer."""
        while number >= len(self._answers) and self._pipe >= 0:
            patience = _PATIENCE + 4 * (time.monotonic() - self._begun)
            there = select.select([self._pipe], [], [], patience)[0]
            more = os.read(self._pipe, 1 << 16) if there else b""
            self._answers += more
            if not more:
                self._give_up()
        return number < len(self._answers) and self._answers[number] == 1

    def _give_up(self) -> None:
        if self._pipe >= 0:
            pipe, self._pipe = self._pipe, -1
            os.close(pipe)


def _cores() -> int:
    """Those that this process may use; one where it must not be split in two."""
    return len(os.sched_getaffinity(0)) if sys.platform == "linux" else 1


def _answer(pipe: int, holds: Callable[[S], bool], items: Sequence[S]) -> None:
    """What the second process does, all its life."""
    try:
        gc.disable()  # what is looked at by the collector is copied
        for start in range(0, len(items), _AT_ONCE):
            os.write(pipe, bytes(_surely(holds, one) for one in items[start : start + _AT_ONCE]))
    finally:
        os._exit(0)  # nothing of the caller's must be written or tidied up here


def _surely(holds: Callable[[S], bool], item: S) -> bool:
    try:
        return holds(item)
    except Exception:
        return False  # the caller meets the same
