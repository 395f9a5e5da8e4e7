"""Runs commands, handhold's and a reference's by turns, and tells what they took."""

from __future__ import annotations

import os
import pkgutil
import shutil
import signal
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import NamedTuple

import handhold

#: How often the memory of running processes is looked at, in seconds.
_LOOK_EVERY = 0.01
HANDHOLD = (sys.executable, "-c", "from handhold.cli.entry import main; main()")


class Took(NamedTuple):
    """What one run took: seconds on the clock and of processors, and the most memory of its processes."""

    seconds: float
    processor: float
    peak: int  # bytes: the high-water marks of all processes of the run together


def run(
    command: Sequence[str] | str, *, at: Path, log: Path, accept: Sequence[int] = (0,), env: dict[str, str]
) -> Took:
    """Runs a command (text goes through the shell) in a folder; standard error goes to ``log``."""
    with log.open("wb") as errors:
        begun = time.perf_counter()
        process = subprocess.Popen(
            command,
            cwd=at,
            env=env,
            shell=isinstance(command, str),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=errors,
            start_new_session=True,
        )
        memory = _Memory(process.pid)
        _, status, used = os.wait4(process.pid, 0)
        seconds = time.perf_counter() - begun
        peak = memory.stop()
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in accept:
        raise SystemExit(f"{command} ended with {process.returncode}:\n{log.read_text(errors='replace')}")
    return Took(seconds, used.ru_utime + used.ru_stime, peak)


class _Memory:
    """Watches the high-water marks of a process and its children (proc(5): VmHWM) until it is stopped."""

    def __init__(self, leader: int) -> None:
        self._leader = leader
        self._marks: dict[int, int] = {}
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def stop(self) -> int:
        self._end.set()
        self._thread.join()
        return sum(self._marks.values())

    def _watch(self) -> None:
        while not self._end.wait(_LOOK_EVERY):
            self._look(self._leader)

    def _look(self, process: int) -> None:
        try:
            with open(f"/proc/{process}/status", "rb") as file:
                for line in file:
                    if line.startswith(b"VmHWM:"):
                        self._marks[process] = max(self._marks.get(process, 0), int(line.split()[1]) << 10)
                        break
            with open(f"/proc/{process}/task/{process}/children", "rb") as file:
                children = file.read().split()
        except (FileNotFoundError, ProcessLookupError):
            return  # it has ended meanwhile
        for child in children:
            self._look(int(child))


def drop_caches(names: bool = True) -> bool:
    """Empties the page cache, so that what follows is read from the disk; False where that is not allowed.

    ``names`` also has those of files and folders forgotten (proc_sys_vm(5): drop_caches).
    """
    os.sync()
    try:
        Path("/proc/sys/vm/drop_caches").write_text("3\n" if names else "1\n")
    except OSError:
        return False
    return True


class Side(NamedTuple):
    """One of the two that are compared: what is done before each run, outside the clock, and the run.

    ``reads`` is what it reads: where the page cache can be emptied, that alone is in it when a warm run
    begins, and the programs. A memory that others have filled makes any of them wait until room is found for
    what it reads and writes.
    """

    run: Callable[[], Took]
    before: Callable[[], object] = lambda: None
    reads: Sequence[Path] | None = None


class Pair(NamedTuple):
    """Runs of handhold and of the reference, by turns, so that whatever else runs meets both."""

    ours: list[Took]
    reference: list[Took]

    @property
    def ratio(self) -> float:
        """The medians' ratio."""
        return seconds(self.ours) / seconds(self.reference)

    @property
    def processor_ratio(self) -> float:
        """The same of the processor time, which a busy machine disturbs less."""
        ours, reference = (statistics.median(t.processor for t in side) for side in self)
        return ours / max(reference, 1e-3)

    @property
    def spread(self) -> tuple[float, float]:
        """The lowest and the highest ratio of a turn."""
        ratios = [a.seconds / b.seconds for a, b in zip(self.ours, self.reference, strict=True)]
        return min(ratios), max(ratios)

    @property
    def peak(self) -> int:
        """The most memory of ours, in bytes."""
        return max(one.peak for one in self.ours)


def seconds(side: Sequence[Took]) -> float:
    """The median."""
    return statistics.median(one.seconds for one in side)


def by_turns(rounds: int, ours: Side, reference: Side) -> Pair:
    """Runs both so many times."""
    runs = turns(rounds, (ours, reference))
    assert runs is not None
    return Pair(*runs)


def turns(
    rounds: int, sides: Sequence[Side], *, cold: bool = False, emptied: bool = False
) -> list[list[Took]] | None:
    """Runs each so many times; None if a cold start is wanted and the cache cannot be emptied.

    ``emptied``: also before a warm one it is, and holds what the side reads and the programs (see ``Side``).
    """
    runs: list[list[Took]] = [[] for _ in sides]
    for _ in range(rounds):
        for side, into in zip(sides, runs, strict=True):
            _begin(side)
            if emptied and not cold and side.reads is not None and drop_caches(names=False):
                for path in (*side.reads, *_programs()):
                    _read(path)
            if cold and not drop_caches():
                return None
            into.append(side.run())
    return runs


def alone(rounds: int, side: Side) -> list[Took]:
    """Runs one of them so many times."""
    runs = []
    for _ in range(rounds):
        _begin(side)
        runs.append(side.run())
    return runs


def _begin(side: Side) -> None:
    side.before()
    os.sync()  # else a run waits for what was written before it


@cache
def _programs() -> Sequence[Path]:
    """All that handhold's commands and the bare programs load, and the tools that they are compared with."""
    for module in pkgutil.walk_packages(handhold.__path__, "handhold."):
        if not module.name.endswith("__main__"):
            import_module(module.name)
    files = [
        file
        for module in list(sys.modules.values())
        for file in (getattr(module, "__file__", None), getattr(module, "__cached__", None))
    ]
    tools = map(shutil.which, ("bash", "sh", "cat", "find", "tar", "zstd"))
    return [Path(file) for file in (*files, *tools) if file is not None and Path(file).is_file()]


def _read(path: Path) -> None:
    """Reads a file, or all files of a folder, into the page cache."""
    room = bytearray(1 << 20)
    for file in filter(Path.is_file, path.rglob("*")) if path.is_dir() else (path,):
        with file.open("rb", buffering=0) as opened:
            while opened.readinto(room):
                pass


# A run that is stopped must not leave the command that it started behind.
signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
