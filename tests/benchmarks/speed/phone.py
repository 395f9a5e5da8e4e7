"""A small handheld: one core, a quarter of its time, and 512 MB of memory, by a control group of its own.

Source: the Linux kernel's documentation of control groups (version 1: sched-bwc and memory; version 2).
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_GROUPS = Path("/sys/fs/cgroup")
MEMORY = 512_000_000
PERIOD, QUOTA = 100_000, 25_000  # microseconds


@contextmanager
def free() -> Iterator[None]:
    """The machine as it is."""
    yield


@contextmanager
def confined() -> Iterator[None]:
    """This process and its children as on a small handheld; ``SystemExit`` where that is not allowed."""
    cores = os.sched_getaffinity(0)
    name = f"handhold-speed-{os.getpid()}"
    if (_GROUPS / "cgroup.controllers").exists():
        limits = {"": {"cpu.max": f"{QUOTA} {PERIOD}", "memory.max": str(MEMORY)}}
    else:
        limits = {
            "cpu": {"cpu.cfs_period_us": str(PERIOD), "cpu.cfs_quota_us": str(QUOTA)},
            "memory": {"memory.limit_in_bytes": str(MEMORY)},
        }
    made: list[Path] = []
    try:
        for controller, values in limits.items():
            group = _GROUPS / controller / name
            group.mkdir()
            made.append(group)
            for file, value in values.items():
                (group / file).write_text(value)
            (group / "cgroup.procs").write_text(str(os.getpid()))
    except OSError as error:
        _leave(made)
        raise SystemExit(f"No control group can be made here, which takes root: {error}") from error
    os.sched_setaffinity(0, {min(cores)})
    try:
        yield
    finally:
        os.sched_setaffinity(0, cores)
        _leave(made)


def _leave(groups: list[Path]) -> None:
    for group in groups:
        (group.parent / "cgroup.procs").write_text(str(os.getpid()))
        group.rmdir()
