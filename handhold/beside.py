"""Works something out in a second process, where threads would wait for each other.

Of work in steps of some microseconds two threads do no more than one: they hand the interpreter to and fro.
"""

from __future__ import annotations

import contextlib
import gc
import os
import signal
import sys
from collections.abc import Callable, Iterable, Set
from typing import NoReturn

#: So many bytes are handed over at a time, about.
_AT_ONCE = 2048


class Beside:
    """The marks that ``work`` gives, ``length`` bytes each, worked out beside the caller's own work.

    ``work`` changes nothing and writes nothing. Nobody waits for it: what it has not found, or not found yet,
    where it raised, ended early, or there is no second core, the caller finds out by itself. Needs ``with``,
    which leaves no process behind.
    """

    def __init__(self, work: Callable[[], Iterable[bytes]], length: int) -> None:
        self._length = length
        self._found: set[bytes] = set()
        self._rest = b""  # the beginning of a mark
        self._process: int | None = None
        self._pipe = -1
        reading, writing = os.pipe()
        self._process = started(lambda: _answer(reading, writing, work))
        os.close(writing)
        if self._process is None:
            os.close(reading)
            return
        os.set_blocking(reading, False)
        self._pipe = reading

    def __enter__(self) -> Beside:
        return self

    def __exit__(self, *_: object) -> None:
        self._close()
        if self._process is not None:
            process, self._process = self._process, None
            end(process)

    def found(self) -> Set[bytes]:
        """What was found until now. To be asked for often: work that nobody takes from stops."""
        while self._pipe >= 0:
            try:
                more = os.read(self._pipe, 1 << 16)
            except BlockingIOError:
                break
            if not more:
                self._close()
            data = self._rest + more
            whole = len(data) - len(data) % self._length
            self._found.update(data[at : at + self._length] for at in range(0, whole, self._length))
            self._rest = data[whole:]
        return self._found

    def _close(self) -> None:
        if self._pipe >= 0:
            pipe, self._pipe = self._pipe, -1
            os.close(pipe)


def _cores() -> int:
    """Those that this process may use; one where it must not be split in two."""
    return len(os.sched_getaffinity(0)) if sys.platform == "linux" else 1


def _nobody_waits() -> bool:
    """Whether processes that have ended are let go of at once, so that none of them can be waited for.

    It can be so from the start, by whoever started this one; and by then the number can be another's.
    Source: POSIX.1-2017, wait(2) and exec(2): SIGCHLD ignored, which a new program inherits
    """
    return signal.getsignal(signal.SIGCHLD) is not signal.SIG_DFL


def started(work: Callable[[], None]) -> int | None:
    """Has a second process do the work, and end; its number.

    None where there is no second core, no process can be had, or none be waited for. Of the caller's nothing
    must be changed, written or tidied up by the work.
    """
    if _cores() < 2 or _nobody_waits():
        return None
    # A Ctrl-C just then must not send the new process the caller's way out: it would tidy up, write records
    # and let go of the caller's locks.
    kept = signal.pthread_sigmask(signal.SIG_BLOCK, (signal.SIGINT,))
    try:
        process = os.fork()
        if not process:
            _do(work, kept)
    except OSError:  # no memory, or too many processes
        return None
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, kept)
    return process


def _do(work: Callable[[], None], mask: Iterable[int]) -> NoReturn:
    """What the new process does, and nothing else."""
    try:
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        gc.disable()  # what is looked at by the collector is copied
        work()
    finally:
        os._exit(0)


def close_all_but(*kept: int) -> None:
    """Closes all files but these and the standard streams: a process is to hold nothing of its caller's."""
    begin = 3
    for one in sorted(kept):
        os.closerange(begin, one)
        begin = one + 1
    os.closerange(begin, 1 << 16)


def end(process: int) -> None:
    """Ends a process that was started, wherever it is."""
    with contextlib.suppress(ProcessLookupError):
        os.kill(process, signal.SIGKILL)
    os.waitpid(process, 0)


def _answer(reading: int, pipe: int, work: Callable[[], Iterable[bytes]]) -> None:
    os.close(reading)  # else it would wait for ever for a caller that was ended
    waiting = bytearray()
    for mark in work():
        waiting += mark
        if len(waiting) >= _AT_ONCE:
            _hand_over(pipe, waiting)
    _hand_over(pipe, waiting)


def _hand_over(pipe: int, waiting: bytearray) -> None:
    while waiting:
        del waiting[: os.write(pipe, waiting)]
