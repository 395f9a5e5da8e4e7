"""Looks at a device's folders in a second process, while the lists of the last night are still read.

The look itself changes nothing, and everything that is told of it is what a look in this process would have
found at that moment. Whatever is out of the ordinary is left to be looked at, and told of, here.
"""

from __future__ import annotations

import marshal
import os
import stat
import struct
import sys
from array import array
from collections.abc import Collection, Sequence

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


class LookAhead:
    """What lies in folders, found out beside the caller's own work, in the order in which a walk asks for it.

    ``roots`` are canonical paths; the folders that are ``left_out`` are not looked into. Needs ``with``,
    which leaves no process behind. Where there is no second core, nothing is found.
    """

    def __init__(self, roots: Sequence[str], left_out: Collection[str] = ()) -> None:
        self._found: dict[str, bytes] = {}
        self._rest = b""  # the beginning of a record
        self._taken = 0
        self._memory = self._pipe = -1
        self._process: int | None = None
        # There a call of the system that programs are not allowed ends the program.
        # Source: Python documentation, sys.getandroidapilevel: it is there on Android only
        if hasattr(sys, "getandroidapilevel"):
            return
        try:
            # In memory there is room for all of it: the other one never waits for this one.
            memory = os.memfd_create("handhold")
        except (AttributeError, OSError):
            return
        reading, writing = os.pipe()
        self._process = started(lambda: _look(roots, left_out, memory, writing))
        os.close(writing)
        self._memory, self._pipe = memory, reading
        if self._process is None:
            self._close()

    def __enter__(self) -> LookAhead:
        return self

    def __exit__(self, *_: object) -> None:
        self._close()
        self._found.clear()
        if self._process is not None:
            process, self._process = self._process, None
            end(process)

    def folder(self, path: str) -> Looked | None:
        """What lies in a folder, by its canonical path; waits until that is known.

        None where the caller has to look by itself. Each folder is given once.
        """
        while (record := self._found.pop(path, None)) is None:
            if self._pipe < 0:
                return None
            # Only once all that is there was taken: then what is written next wakes this up.
            if not self._take() and not os.read(self._pipe, 1 << 16):
                self._take()
                self._close()
        folders, files = marshal.loads(record)
        if files is None:
            return None
        names, sizes, times = files
        return Looked(Files(names, array("q", sizes), array("q", times)), [(name, name) for name in folders])

    def _take(self) -> bool:
        """Takes the records that were written since; whether there were any."""
        data = self._rest + os.pread(self._memory, _RUN, self._taken)
        self._taken += len(data) - len(self._rest)
        at = 0
        while at + _LENGTH.size <= len(data):
            begin = at + _LENGTH.size
            (length,) = _LENGTH.unpack_from(data, at)
            if begin + length > len(data):
                break
            path, record = marshal.loads(memoryview(data)[begin : begin + length])
            self._found[path] = record
            at = begin + length
        more = len(data) > len(self._rest)
        self._rest = data[at:]
        return more

    def _close(self) -> None:
        if self._pipe >= 0:
            os.close(self._pipe)
            os.close(self._memory)
            self._pipe = self._memory = -1


def _look(roots: Sequence[str], left_out: Collection[str], memory: int, pipe: int) -> None:
    """What the second process does: for each folder a record into the memory, and a mark into the pipe."""
    # Should the caller die, the lock of its archive must go with it.
    close_all_but(memory, pipe)
    os.set_blocking(pipe, False)
    seen: set[str] = set()
    told = 0
    for root in roots:
        stack = [root]
        while stack:
            path = stack.pop()
            if path in left_out or path in seen:
                continue
            seen.add(path)
            folders, files = _glimpse(path)
            columns = None if files is None else (files.text, files.sizes.tobytes(), files.times.tobytes())
            record = marshal.dumps((path, marshal.dumps((folders, columns))))
            data = memoryview(_LENGTH.pack(len(record)) + record)
            told += len(data)
            if told > _MOST:
                return
            while data:
                data = data[os.write(memory, data) :]
            try:
                os.write(pipe, b".")
            except BlockingIOError:
                pass  # it has enough marks to wake up by
            stack += [joined(path, name) for name in reversed(folders)]


def _glimpse(path: str) -> tuple[list[str], Files | None]:
    """The folders in a folder, and its files; None for these where anything in it is out of the ordinary."""
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
    files.sort()
    names, _, times = zip(*files, strict=True)
    if (
        not are_plain(names)
        or any(map(is_temporary, filter(_begins_with_a_dot, names)))
        or not -FARTHEST <= min(times) <= max(times) <= FARTHEST
    ):
        return folders, None
    return folders, Files.of(files)


def _begins_with_a_dot(name: str) -> bool:
    return name[0] == "."
