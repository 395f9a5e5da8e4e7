"""Looks at a device's folders in a second process, while the lists of the last night are still read.

The look itself changes nothing, and everything that is told of it is what a look in this process would have
found at that moment. Whatever is out of the ordinary is left to be looked at, and told of, here.

The second process begins with the first folders of a walk. Where the walk would wait for it, the first one
looks at the last ones meanwhile, until both meet.
"""

from __future__ import annotations

import marshal
import os
import stat
import struct
import sys
from array import array
from collections.abc import Collection, Sequence
from operator import itemgetter
from typing import Any, TypeAlias

from handhold.beside import close_all_but, end, started
from handhold.columns import File, Files
from handhold.device.listing import Looked, joined
from handhold.device.temporary import is_temporary
from handhold.device.times import FARTHEST
from handhold.names import are_plain

_LENGTH = struct.Struct("<I")
#: So many bytes are taken at once.
_RUN = 1 << 20
#: No more bytes are told: a device of which little is kept can hold millions of other files.
_MOST = 64 << 20
#: What is known of a folder takes so many bytes by itself, about.
_FOLDER = 1 << 10
#: The folders in a folder, and its files; None for these where anything in it is out of the ordinary.
_Glimpse: TypeAlias = tuple[list[str], Files | None]


class LookAhead:
    """What lies in folders, found out beside the caller's own work, in the order in which a walk asks for it.

    ``roots`` are canonical paths; the folders that are ``left_out`` are not looked into. Needs ``with``,
    which leaves no process behind. Where there is no second core, nothing is found.
    """

    def __init__(self, roots: Sequence[str], left_out: Collection[str] = ()) -> None:
        self._left_out = left_out
        self._told: dict[str, bytes] = {}  # by the other one, and not asked for yet
        self._own: dict[str, _Glimpse] = {}  # the same of what was looked at here
        self._given: dict[str, list[str]] = {}  # what was asked for, and the folders in it; for a look behind
        self._begun = ""  # the folder that the other one looks into
        self._behind = [*roots]  # to be looked at here, the last one first
        self._room = _MOST  # bytes for what was given, and what was looked at here
        self._pipe = -1
        self._process: int | None = None
        # There a call of the system that programs are not allowed ends the program.
        # Source: Python documentation, sys.getandroidapilevel: it is there on Android only
        if hasattr(sys, "getandroidapilevel"):
            return
        # In memory there is room for all of it: neither of them ever waits for the other one.
        files: list[int] = []
        try:
            while len(files) < 2:
                files.append(os.memfd_create("handhold"))
            self._pipe, writing = os.pipe()
        except (AttributeError, OSError):
            for one in files:
                os.close(one)
            return
        told, own = self._from, self._to = _Records(files[0]), _Records(files[1])
        self._process = started(lambda: _look(roots, left_out, told, own, writing))
        os.close(writing)
        if self._process is None:
            self._close()

    def __enter__(self) -> LookAhead:
        return self

    def __exit__(self, *_: object) -> None:
        self._close()
        for each in (self._told, self._own, self._given):
            each.clear()
        if self._process is not None:
            process, self._process = self._process, None
            end(process)

    def folder(self, path: str) -> Looked | None:
        """What lies in a folder, by its canonical path; waits until that is known.

        None where the caller has to look by itself. Each folder is given once.
        """
        while (found := self._known(path)) is None:
            if self._pipe < 0:
                return None
            # Only once all that is there was taken: then what is written next wakes this up.
            if not (self._take() or self._look_behind() or os.read(self._pipe, 1 << 16)):
                self._take()
                self._close()
        folders, files = found
        if self._behind:
            self._given[path] = folders
            self._take_room(0)
        if files is None:
            return None
        return Looked(files, [(name, name) for name in folders])

    def _known(self, path: str) -> _Glimpse | None:
        own = self._own.pop(path, None)
        if own is not None:
            return own
        record = self._told.pop(path, None)
        if record is None:
            return None
        folders, files = marshal.loads(record)
        if files is None:
            return folders, None
        names, sizes, times = files
        return folders, Files(names, array("q", sizes), array("q", times))

    def _take(self) -> bool:
        """Takes the records that were written since; whether there were any."""
        before = self._from.at
        for path, record in self._from.take():
            if record is None:
                self._begun = path
            else:
                self._told[path] = record
                self._begun = ""
        return self._from.at > before

    def _look_behind(self) -> bool:
        """Looks at the last folder that nobody has looked at; whether there was one."""
        while self._behind:
            path = self._behind.pop()
            folders = self._given.get(path)
            if folders is None and path in self._told:
                folders, _ = marshal.loads(self._told[path])
            if path == self._begun or folders == []:
                self._look_no_more()  # those before it were told before
            elif folders is not None:
                self._behind += [joined(path, name) for name in folders]
            elif path not in self._left_out and path not in self._own:
                folders, files = self._own[path] = _glimpse(path)
                self._behind += [joined(path, name) for name in folders]
                self._take_room(0 if files is None else len(files.text) + 16 * len(files))
                if not self._say(path, folders):
                    self._look_no_more()
                return True
        return False

    def _take_room(self, files: int) -> None:
        """A folder, with files of so many bytes, is known."""
        self._room -= _FOLDER + files
        if self._room < 0:
            self._look_no_more()

    def _look_no_more(self) -> None:
        """Nothing more is looked at here."""
        self._behind.clear()
        self._given.clear()

    def _say(self, path: str, folders: list[str]) -> bool:
        """Tells the other one what was looked at; whether there was room for it."""
        try:
            self._to.add(path, folders)
        except OSError:
            return False
        return True

    def _close(self) -> None:
        if self._pipe >= 0:
            for one in (self._pipe, self._from.file, self._to.file):
                os.close(one)
            self._pipe = -1


class _Records:
    """What one process tells the other: a path each, and what is said of it."""

    def __init__(self, file: int) -> None:
        self.file = file
        self.at = 0  # so many bytes were taken
        self._rest = b""  # the beginning of a record

    def add(self, path: str, what: Any) -> None:
        """Adds one."""
        record = marshal.dumps((path, what))
        data = memoryview(_LENGTH.pack(len(record)) + record)
        while data:
            data = data[os.write(self.file, data) :]

    def take(self) -> list[tuple[str, Any]]:
        """Those that were added since, as many as are taken at once."""
        taken: list[tuple[str, Any]] = []
        if os.fstat(self.file).st_size == self.at:
            return taken
        data = self._rest + os.pread(self.file, _RUN, self.at)
        self.at += len(data) - len(self._rest)
        at = 0
        while at + _LENGTH.size <= len(data):
            begin = at + _LENGTH.size
            (length,) = _LENGTH.unpack_from(data, at)
            if begin + length > len(data):
                break
            taken.append(marshal.loads(memoryview(data)[begin : begin + length]))
            at = begin + length
        self._rest = data[at:]
        return taken


def _look(roots: Sequence[str], left_out: Collection[str], to: _Records, other: _Records, pipe: int) -> None:
    """What the second process does: for each folder a record, and a mark into the pipe.

    A folder that the other one has looked at is passed over, but not those in it.
    """
    # Should the caller die, the lock of its archive must go with it.
    close_all_but(to.file, other.file, pipe)
    os.set_blocking(pipe, False)
    seen: set[str] = set()
    looked: dict[str, list[str]] = {}
    told = 0
    for root in roots:
        stack = [root]
        while stack:
            path = stack.pop()
            if path in left_out or path in seen:
                continue
            seen.add(path)
            looked.update(other.take())
            folders = looked.get(path)
            if folders is None:
                to.add(path, None)
                folders, files = _glimpse(path)
                columns = (
                    None if files is None else (files.text, files.sizes.tobytes(), files.times.tobytes())
                )
                record = marshal.dumps((folders, columns))
                told += len(record)
                if told > _MOST:
                    return
                to.add(path, record)
                try:
                    os.write(pipe, b".")
                except BlockingIOError:
                    pass  # it has enough marks to wake up by
            stack += [joined(path, name) for name in reversed(folders)]


def _glimpse(path: str) -> _Glimpse:
    folders: list[str] = []
    files: list[File] = []
    ordinary = True
    try:
        folder = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError:
        return [], None
    try:
        with os.scandir(folder) as entries:  # by its number: the system need not look up the way to each file
            for entry in entries:
                if entry.is_dir(follow_symlinks=False):
                    folders.append(entry.name)
                    continue
                status = entry.stat(follow_symlinks=False)
                ordinary &= stat.S_ISREG(status.st_mode) and status.st_nlink <= 1
                files.append((entry.name, status.st_size, status.st_mtime_ns))
    except OSError:
        ordinary = False
    finally:
        os.close(folder)
    folders.sort()
    if not ordinary or not are_plain(folders):
        return folders, None
    if not files:
        return folders, Files.of(())
    files.sort(key=itemgetter(0))  # to compare whole tuples takes four times as long
    names, sizes, times = zip(*files, strict=True)
    if not are_plain(names) or not -FARTHEST <= min(times) <= max(times) <= FARTHEST:
        return folders, None
    found = Files("\n".join(names), array("q", sizes), array("q", times))
    if "\n." in f"\n{found.text}" and any(map(is_temporary, names)):
        return folders, None
    return folders, found
