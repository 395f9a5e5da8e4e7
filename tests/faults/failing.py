"""Lets calls of a run fail that touch its own folders, one by one or from one on, as a failing card does."""

from __future__ import annotations

import itertools
import os
import random
import re
import secrets
from collections.abc import Callable, Iterator, Mapping
from typing import NamedTuple

from tests.faults.watching import Call, Ran, calls, handled_paths, watched

#: The calls that can fail, by what they are for.
FAMILIES: Mapping[str, tuple[str, ...]] = {
    "open": ("open", "openat", "creat"),
    "read": ("read", "pread64"),
    "write": ("write", "pwrite64"),
    "flush": ("fsync", "fdatasync", "syncfs"),
    "rename": ("rename", "renameat", "renameat2", "link", "linkat"),
    "scandir": ("getdents64",),
    "stat": ("stat", "lstat", "fstat", "newfstatat", "statx", "statfs", "fstatfs"),
    "make": ("mkdir", "mkdirat"),
    "remove": ("unlink", "unlinkat", "rmdir"),
    "time": ("utimensat",),
}
NAMES = tuple(itertools.chain.from_iterable(FAMILIES.values()))
ERRORS = ("EIO", "ENOSPC", "EROFS", "EACCES", "ENODEV")


class Fault(NamedTuple):
    """These calls fail with this error: the n-th of each name, and after it as ``again`` says."""

    error: str
    numbers: Mapping[str, int]
    again: str = ""  # "+" for all after it as well, "+7" for every seventh


def family_of(name: str) -> str:
    """What a call is for."""
    return next(family for family, names in FAMILIES.items() if name in names)


def same_names(work: Callable[[], int]) -> Callable[[], int]:
    """The work, with temporary names that are the same in every run, so that a call can be found again."""

    def run() -> int:
        numbers = itertools.count(1)
        secrets.token_hex = lambda nbytes=None: f"{next(numbers):0{2 * (nbytes or 16)}x}"
        return work()

    return run


class Calls:
    """What a run asks of the system concerning its folders, when nothing fails."""

    def __init__(self, work: Callable[[], int], folders: Mapping[str, os.PathLike[str]]) -> None:
        ran = watched(same_names(work), "-e", f"trace={','.join(NAMES)}")
        assert ran.status in (0, 3), ran.text
        roots = [os.path.realpath(folder) for folder in folders.values()]
        own = re.compile("|".join(f"{re.escape(root)}(?:/.*)?" for root in roots), re.DOTALL)
        found = [
            (call, [path for path in handled_paths(call.text) if own.fullmatch(path)])
            for call in calls(ran.log)
        ]
        self.paths = sorted({path for _, paths in found for path in paths})
        counts: dict[tuple[int, str], int] = {}
        #: Each call, with its number among those of its name and thread.
        self.every: list[Call] = []
        for call, paths in found:
            if paths:
                number = counts[call.thread, call.name] = counts.get((call.thread, call.name), 0) + 1
                self.every.append(call._replace(number=number))
        self.main = self.every[0].thread

    def once(self, error: Callable[[int], str]) -> Iterator[tuple[Call, Fault]]:
        """A fault at each call; ``error`` is told how many were before."""
        for at, call in enumerate(self.every):
            yield call, Fault(error(at), {call.name: call.number})

    def lasting(self, error: Callable[[int], str]) -> Iterator[tuple[Call, Fault]]:
        """Every call fails from each call on: the card was pulled out, locked, or died."""
        numbers = dict.fromkeys(NAMES, 1)
        for at, call in enumerate(self.every):
            yield call, Fault(error(at), dict(numbers), "+")
            if call.thread == self.main:
                numbers[call.name] = call.number + 1

    def now_and_then(self, seed: int) -> Iterator[tuple[Call, Fault]]:
        """Some calls fail now and then, for ever; everything about it is drawn from the seed."""
        chance = random.Random(seed)
        while True:
            families = chance.sample(sorted(FAMILIES), chance.randint(1, 4))
            names = [name for family in families for name in FAMILIES[family]]
            numbers = {name: chance.randint(1, 20) for name in names}
            yield self.every[0], Fault(chance.choice(ERRORS), numbers, f"+{chance.randint(2, 30)}")

    def run(self, work: Callable[[], int], fault: Fault) -> Ran:
        """The work, with that fault."""
        options = [f"-P{path}" for path in self.paths]
        for name, number in fault.numbers.items():
            options += ["-e", f"inject={name}:error={fault.error}:when={number}{fault.again}"]
        return watched(same_names(work), "-e", f"trace={','.join(fault.numbers)}", *options)
