"""A run that waits in the midst of its work, so that another one can be tried meanwhile."""

from __future__ import annotations

import io
import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from typing import Any

from handhold.cli.main import run
from tests.cli.world import Said
from tests.faults.evening import DEVICE, Evening


def typed(evening: Evening, *arguments: str) -> Said:
    """What a command answers."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        status = run(evening.program(*arguments)[3:])
    return Said(status, out.getvalue(), err.getvalue())


class NoStop(Exception):
    """The run came to its end before it made that call so often."""


@dataclass
class Paused:
    """A run that waits in the midst of its work."""

    process: int
    go: int

    def end(self) -> int:
        """Lets it go on; its exit status."""
        os.write(self.go, b"go")
        os.close(self.go)
        self.go = -1
        return self._waited()

    def kill(self) -> None:
        """``kill -9``."""
        os.kill(self.process, signal.SIGKILL)
        assert self._waited() == -signal.SIGKILL

    def _waited(self) -> int:
        status = os.waitstatus_to_exitcode(os.waitpid(self.process, 0)[1])
        self.process = 0
        return status


@contextmanager
def paused(
    evening: Evening,
    *arguments: str,
    at: str = "fsync",
    number: int = 2,
    locks: bool = True,
    device: str = DEVICE,
) -> Iterator[Paused]:
    """A run of a command in a process of its own, that stops before its n-th ``os.fsync`` (or ``at``)."""
    program = evening.program(*arguments, device=device)[3:]
    here, told = os.pipe()
    wait, go = os.pipe()
    child = os.fork()
    if child == 0:
        status = 70
        try:
            os.close(go)
            quiet = os.open(os.devnull, os.O_WRONLY)
            os.dup2(quiet, 1)
            os.dup2(quiet, 2)
            if not locks:
                _without_locks()
            _stop(at, number, lambda: (os.write(told, b"here"), os.read(wait, 2)))
            status = run(program)
        finally:
            os._exit(status)
    os.close(wait)
    os.close(told)
    one = Paused(child, go)
    try:
        if os.read(here, 4) != b"here":
            raise NoStop
        yield one
    finally:
        os.close(here)
        if one.process:
            os.kill(one.process, signal.SIGKILL)
            os.waitpid(one.process, 0)
        if one.go >= 0:
            os.close(one.go)


def _stop(at: str, number: int, wait: Callable[[], object]) -> None:
    real = getattr(os, at)
    left = [number]

    def stopping(*given: Any, **named: Any) -> Any:
        left[0] -= 1
        if left[0] == 0:
            wait()
        return real(*given, **named)

    setattr(os, at, stopping)


def _without_locks() -> None:
    """As on a share that does not pass locks on: everybody gets one."""
    import fcntl

    fcntl.flock = lambda fd, operation: None
