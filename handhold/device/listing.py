"""Lists folders, in one way for everybody here, so that a test can stand in for a failing card."""

from __future__ import annotations

import os
import stat
import unicodedata
from array import array
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from functools import lru_cache
from operator import attrgetter
from typing import Any, NamedTuple, Protocol

from handhold.columns import Files
from handhold.device.temporary import is_temporary
from handhold.device.times import FARTHEST, modified_of
from handhold.names import are_plain, written


class Listed(Protocol):
    """What ``os.scandir`` gives for each name in a folder."""

    @property
    def name(self) -> str:
        """The name, as the operating system writes it."""

    @property
    def path(self) -> str:
        """The folder's path and the name."""

    def is_dir(self, *, follow_symlinks: bool = True) -> bool:
        """Whether it is a folder."""

    def is_symlink(self) -> bool:
        """Whether it is a link."""

    def stat(self, *, follow_symlinks: bool = True) -> os.stat_result:
        """Its size, times and kind."""


Scan = Callable[[str], AbstractContextManager[Iterable[Any]]]  # of Listed


def listed(scan: Scan, path: str) -> tuple[list[Listed], OSError | None]:
    """The names in a folder, sorted; with what went wrong on the way, if anything did.

    A card that fails in the middle of a folder still gives the names that came before.
    """
    found: list[Listed] = []
    trouble: OSError | None = None
    try:
        with scan(path) as names:
            found.extend(names)  # keeps what came before an error
    except OSError as error:
        trouble = error
    found.sort(key=_name)
    return found, trouble


class Looked(NamedTuple):
    """What lies in a folder, after a look at each name."""

    files: Files  # the ordinary ones, with their times as ``modified_of`` gives them
    folders: Sequence[tuple[str, str]]  # each as the operating system writes it, and in written form
    others: Sequence[tuple[str, Listed, int]] = ()  # neither files nor folders, with their modes
    failed: Sequence[tuple[str, Listed, OSError]] = ()  # of which nothing could be learned
    statuses: Sequence[os.stat_result] = ()  # of the files; none where no file has another name

    def twins(self, at: int) -> tuple[int, int] | tuple[()]:
        """What all names of a file share (``Claim.twins``); nothing if it has but one."""
        if not self.statuses or (status := self.statuses[at]).st_nlink <= 1:
            return ()
        return status.st_dev, status.st_ino


def looked_at(entries: Sequence[Listed]) -> Looked:
    """Looks at each name of a folder once. What a restore that was cut off has left is passed over."""
    names: list[str] = []
    statuses: list[os.stat_result] = []
    folders: list[str] = []
    others: list[tuple[str, Listed, int]] = []
    failed: list[tuple[str, Listed, OSError]] = []
    for entry in entries:
        try:
            if entry.is_dir(follow_symlinks=False):
                folders.append(entry.name)
                continue
            status = entry.stat(follow_symlinks=False)
        except OSError as error:
            failed.append((written(entry.name), entry, error))
            continue
        if not stat.S_ISREG(status.st_mode):
            others.append((written(entry.name), entry, status.st_mode))
            continue
        name = entry.name
        if name[0] == "." and is_temporary(name):
            continue
        names.append(name)
        statuses.append(status)
    if not are_plain(names):
        names = list(map(written, names))
    # Column by column, for of many files nothing more should be made for each.
    times = [status.st_mtime_ns for status in statuses]
    if times and not -FARTHEST <= min(times) <= max(times) <= FARTHEST:
        times = list(map(modified_of, statuses))
    files = Files("\n".join(names), array("q", [status.st_size for status in statuses]), array("q", times))
    twins = any(status.st_nlink > 1 for status in statuses)
    shown = [(name, written(name)) for name in folders]
    return Looked(files, shown, others, failed, statuses if twins else ())


_name = attrgetter("name")


def joined(folder: str, name: str) -> str:
    """The path of a name in a folder; ``/`` is a folder too."""
    return f"{folder}{name}" if folder.endswith("/") else f"{folder}/{name}"


def below(root: str, path: str) -> str | None:
    """The path relative to the root, ``""`` for the root itself; None if it lies elsewhere.

    >>> below("/mnt/card", "/mnt/card/saves"), below("/mnt/card", "/mnt/cards"), below("/", "/mnt")
    ('saves', None, 'mnt')
    """
    if path == root:
        return ""
    start = root if root.endswith("/") else f"{root}/"
    return path[len(start) :] if path.startswith(start) else None


@lru_cache(maxsize=8192)
def folded(name: str) -> str:
    """A name so that two that a card holds for one are equal: without case, in normalization form C."""
    return name.lower() if name.isascii() else unicodedata.normalize("NFC", name).casefold()


def canonical(path: str, strict: bool = False) -> str:
    """The one absolute path of a place: without links, and in the case in which its folders list it.

    On a volume that knows no case ``/mnt/card/saves`` may be listed as ``Saves``; no number of a file can be
    relied on to tell that they are one, because some drivers number a file by each name that was asked for.
    ``strict`` raises ``OSError`` for a place that is not there.
    """
    real = os.path.realpath(path, strict=strict)
    result = "/"
    for name in real.split("/"):
        if not name:
            continue
        try:
            names = os.listdir(result)
        except OSError:
            names = []  # not allowed to know better
        if name not in names and os.path.lexists(joined(result, name)):
            wanted = folded(written(name))
            name = next((other for other in sorted(names) if folded(written(other)) == wanted), name)
        result = joined(result, name)
    return result
