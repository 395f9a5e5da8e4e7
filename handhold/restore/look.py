"""Looks at what stands at the targets, without following a link below a home's base."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Callable, Iterable, Mapping

from msgspec.structs import replace

from handhold.device.times import modified_of
from handhold.device.trouble import why_unreadable
from handhold.model import Entry
from handhold.names import native, written
from handhold.restore.clock import Stamps, stamp
from handhold.restore.filenames import fold
from handhold.restore.folders import Folders, InTheWay
from handhold.restore.found import NOTHING, Found, Target, What

READ = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
_CHUNK = 1 << 20
_TRIES = 3


class Look:
    """What stands at the targets. Use it as ``with Look() as look``."""

    def __init__(self, read: Callable[[int], None] | None = None) -> None:
        self._read = read
        self._folders: dict[str, Folders] = {}
        self._missing: tuple[str, str] | None = None  # the folder that was last looked for, and is not there
        #: The folded names in each folder that was listed, by base and way.
        self.names: dict[tuple[str, str], frozenset[str]] = {}

    def __enter__(self) -> Look:
        return self

    def __exit__(self, *_: object) -> None:
        for folders in self._folders.values():
            folders.close()
        self._folders.clear()

    def found(self, target: Target, path: str) -> Found:
        """What stands at a path of a home; a file with its digest."""
        inner, _, name = target.way(path).rpartition("/")
        if (target.base, inner) == self._missing:
            return NOTHING
        try:
            try:
                folder = self._folder(target, inner)
            except FileNotFoundError:
                self._missing = target.base, inner
                raise
            return self._file(folder, native(name))
        except FileNotFoundError:
            return NOTHING
        except InTheWay as other:
            return Found(other.what, why=other.why)
        except (OSError, ValueError) as error:
            return Found(
                What.UNREADABLE, why=why_unreadable(error) if isinstance(error, OSError) else str(error)
            )

    def spelled(self, target: Target, path: str) -> str:
        """The path, as a file there has it whose name differs from it by case only."""
        inner, _, name = target.way(path).rpartition("/")
        try:
            folder = self._folder(target, inner)
            if fold(name) not in self._listed(target, inner, folder):
                return path
            names = [other for other in map(written, os.listdir(folder)) if fold(other) == fold(name)]
        except (InTheWay, OSError, ValueError):
            return path
        return path[: len(path) - len(name)] + names[0] if names and name not in names else path

    def beside(self, target: Target, path: str, candidates: Iterable[str], found: Found) -> Found:
        """The same, with what stands in that folder under one of the names for ``both``."""
        inner = target.way(path).rpartition("/")[0]
        try:
            folder = self._folder(target, inner)
            taken = self._listed(target, inner, folder)
        except (InTheWay, OSError):
            return found
        standing = []
        for name in candidates:
            if fold(name) not in taken:
                break
            try:
                standing.append((name, self._file(folder, native(name)).sha256))
            except OSError:
                standing.append((name, ""))
        return replace(found, beside=tuple(standing))

    def stamps(
        self, targets: Mapping[tuple[str, str], Target], entries: Iterable[Entry]
    ) -> dict[tuple[str, str], Stamps]:
        """The times of the saves and states that stand where these entries go, by home of the entry."""
        stamps: dict[tuple[str, str], list[tuple[int, str]]] = {}
        for entry in entries:
            key = (entry.emulator, entry.home)
            target = targets.get(key)
            if target is None or stamp(entry, 0) is None:
                continue
            inner, _, name = target.way(entry.path).rpartition("/")
            try:
                told = os.stat(native(name), dir_fd=self._folder(target, inner), follow_symlinks=False)
            except (OSError, ValueError, InTheWay):
                continue
            if stat.S_ISREG(told.st_mode) and (one := stamp(entry, modified_of(told))):
                stamps.setdefault(key, []).append(one)
        return {key: Stamps(times) for key, times in stamps.items()}

    def _folder(self, target: Target, way: str) -> int:
        folders = self._folders.get(target.base)
        if folders is None:
            folders = self._folders[target.base] = Folders(target.base)
        return folders.folder(way)

    def _listed(self, target: Target, way: str, folder: int) -> frozenset[str]:
        key = (target.base, way)
        if key not in self.names:
            self.names[key] = frozenset(fold(written(name)) for name in os.listdir(folder))
        return self.names[key]

    def _file(self, folder: int, name: str) -> Found:
        told = os.stat(name, dir_fd=folder, follow_symlinks=False)
        if not stat.S_ISREG(told.st_mode):
            return Found(_what(told.st_mode))
        for _ in range(_TRIES):
            sha256, before = digest_in(folder, name, self._read)
            after = os.stat(name, dir_fd=folder, follow_symlinks=False)
            if same_state(before, after):
                return Found(
                    What.FILE,
                    after.st_size,
                    modified_of(after),
                    sha256,
                    after.st_ino,
                    after.st_ctime_ns,
                )
        return Found(What.UNREADABLE, why="it is being written to at this moment; close the emulator")


def digest_in(
    folder: int, name: str, read: Callable[[int], None] | None = None
) -> tuple[str, os.stat_result]:
    """The SHA-256 of a plain file in an open folder, and its state before it was read.

    Raises ``OSError`` for what cannot be read or is no plain file.
    """
    handle = os.open(name, READ, dir_fd=folder)
    try:
        told = os.fstat(handle)
        if not stat.S_ISREG(told.st_mode):
            raise OSError(6, "not an ordinary file", name)
        digest = hashlib.sha256()
        while piece := os.read(handle, min(_CHUNK, max(told.st_size + 1, 4096))):
            digest.update(piece)
            if read:
                read(len(piece))
        return digest.hexdigest(), told
    finally:
        os.close(handle)


def same_state(one: os.stat_result, other: os.stat_result) -> bool:
    """Whether a file is as it was. Inodes do not count: some drivers of cards number files anew each time."""
    return (one.st_size, one.st_mtime_ns) == (other.st_size, other.st_mtime_ns)


def _what(mode: int) -> What:
    if stat.S_ISDIR(mode):
        return What.FOLDER
    return What.LINK if stat.S_ISLNK(mode) else What.OTHER
