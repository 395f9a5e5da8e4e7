"""Reads files that may be written to at the same moment: never half of an old one and half of a new one.

What can be promised: a file whose state (size, times, place) is the same before and after was not written to
meanwhile, unless it is so young that writing need not show (``YOUNG_NS``). Such a file is read twice. If both
readings agree, the file had just this content when the first ended: each piece of it stood there before and
after that moment. Only a piece that became another and the same again between two readings could deceive, and
a program that stores into a mapped file for longer than that on a file system that never stamps it (memory
file systems). Half of what a program is about to write is a state that the file really has.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from handhold.device.times import UNSHOWN_NS, modified_of

#: Waits between the attempts to read a small file, in seconds.
PAUSES = (0.02, 0.1, 0.4)
#: A file as young as this can be written to without its time telling: it lies beyond the step of FAT, the
#: coarsest, and by how much the kernel's stamps lag behind the clock (its tick, see ``volumes``).
# Source: Microsoft, FAT: General Overview of On-Disk Format, version 1.03 (time stamps of 2 seconds)
YOUNG_NS = UNSHOWN_NS

_FLAGS = os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK  # a pipe must not make us wait
_CHUNK = 1 << 20
#: So many bytes of a file the system is asked to fetch beforehand.
_BEFOREHAND = 8 << 20
#: A file in more pieces than this is read through.
_MOST_HOLES = 1 << 16


def announce(place: str, size: int) -> None:
    """Has the system fetch a file, or as much as is worth it, while others are worked at; without a promise.

    What is wrong with it shows when it is read.
    """
    with suppress(OSError):
        descriptor = os.open(place, _FLAGS)
        try:
            _fetch(descriptor, 0, min(size, _BEFOREHAND))
        finally:
            os.close(descriptor)


def is_at_hand(place: str) -> bool:
    """Whether the beginning of a file is in memory already; False where the system does not tell.

    Source: Linux manual, readv(2): preadv2 with RWF_NOWAIT does not wait for data that are not at hand
    """
    # There a call of the system that programs are not allowed ends the program.
    if not hasattr(os, "RWF_NOWAIT") or hasattr(sys, "getandroidapilevel"):
        return False
    try:
        descriptor = os.open(place, _FLAGS)
        try:
            os.preadv(descriptor, [bytearray(1)], 0, os.RWF_NOWAIT)
            return True
        finally:
            os.close(descriptor)
    except OSError:
        return False


def _fetch(descriptor: int, offset: int, size: int) -> None:
    if hasattr(os, "posix_fadvise"):
        os.posix_fadvise(descriptor, offset, size, os.POSIX_FADV_WILLNEED)


class Moving(Exception):
    """A file does not hold still: each time that it was read, it had changed meanwhile."""


class Grown(Exception):
    """A file is larger than it may be to be read as a whole."""


def read_whole(
    place: str, pause: Callable[[float], None] = time.sleep, most: int = sys.maxsize
) -> tuple[bytes, int]:
    """A small file's content and its modification time (nanoseconds); ``place`` as the system writes it.

    ``Grown`` if it has more than ``most`` bytes; nothing of it is read then.

    It is read again if it was changed, replaced, cut or grew while it was read; ``Moving`` if it never holds
    still. One so young that its time cannot show another write is read until two readings agree. ``OSError``
    if it cannot be read (or not to its end, though nothing changes it) or is no ordinary file; links are not
    followed.
    """
    previous: tuple[bytes, os.stat_result] | None = None
    short = True  # each time it held still and had fewer bytes than its size says
    for wait in (0.0, *PAUSES, PAUSES[-1]):
        if wait and previous is None:
            pause(wait)
        begun = time.time_ns()  # not when it was read: a write since then must have shown itself
        read = _once(place, most)
        if read is None or len(read[0]) < read[1].st_size:
            short = short and read is not None
            previous = None
            continue
        short = False
        data, status = read
        modified = modified_of(status)
        if not _young(modified, begun):
            return data, modified
        if previous is not None:
            if previous[0] == data and _same(previous[1], status):
                return data, modified
            pause(wait)
        previous = read
    if short:
        raise ends_early(place)
    raise Moving(place)


def ends_early(place: str) -> OSError:
    """The error of a file with fewer bytes than its size says, though nothing changes it: a hurt medium."""
    return OSError(errno.EIO, "it ends before its size", place)


def _once(place: str, most: int) -> tuple[bytes, os.stat_result] | None:
    """The content with the status before and after, or None if that was not the same, or it grew."""
    descriptor, before = _opened(place)
    try:
        size = before.st_size
        if size > most:
            raise Grown(place)
        data = os.read(descriptor, size + 1)  # one more shows that it grew
        while len(data) < size and (piece := os.read(descriptor, size + 1 - len(data))):
            data += piece
        # Of the same file, and of the path: a handle keeps its inode from being given to another file.
        if len(data) > size or not _in_place(place, before):
            return None
        return data, before
    finally:
        os.close(descriptor)


class StillFile:
    """A large file that is read in pieces; ``check`` at the end says whether it held still."""

    def __init__(self, place: str, descriptor: int, status: os.stat_result, begun: int) -> None:
        self._place = place
        self._descriptor = descriptor
        self._status = status
        self._position = 0
        # In a hole there is nothing to fetch, but it would be given memory.
        self._fetched = 0 if status.st_blocks * 512 >= status.st_size else status.st_size
        #: False if the file is so young that its time cannot show another write.
        self.settled = not _young(modified_of(status), begun)
        self._at_rest = self.settled and not _young(status.st_ctime_ns, begun)

    @property
    def size(self) -> int:
        """Bytes, when it was opened."""
        return self._status.st_size

    @property
    def modified(self) -> int:
        """Nanoseconds since 1970-01-01T00:00:00Z, when it was opened."""
        return modified_of(self._status)

    def read(self, size: int = -1) -> bytes:
        """The next bytes, at most ``size`` of them; ``b""`` at the end, which is never behind ``size``."""
        self._go_on()
        left = self.size - self._position
        wanted = left if size < 0 else min(size, left)
        pieces: list[bytes] = []
        while wanted > 0:
            piece = os.read(self._descriptor, min(wanted, 16 * _CHUNK))
            if not piece:
                break
            pieces.append(piece)
            wanted -= len(piece)
            self._position += len(piece)
        return pieces[0] if len(pieces) == 1 else b"".join(pieces)

    def readinto(self, room: memoryview, /) -> int:
        """Puts the next bytes into memory, as many as it has room for or fewer; how many. None is the end."""
        self._go_on()
        got = os.readv(self._descriptor, (room[: self.size - self._position],))
        self._position += got
        return got

    def _go_on(self) -> None:
        """Has the system fetch what comes next, while what is read now is worked at."""
        if self._position + _BEFOREHAND // 2 >= self._fetched < self.size:
            with suppress(OSError):
                _fetch(self._descriptor, self._fetched, _BEFOREHAND)
            self._fetched += _BEFOREHAND

    def seek(self, offset: int, /) -> None:
        """Has ``read`` go on from an offset."""
        self._position = os.lseek(self._descriptor, offset, os.SEEK_SET)

    def holes(self) -> list[tuple[int, int]]:
        """Runs (offset, length in bytes) for which the file system holds nothing: they read as zeros.

        It is not believed of a file that was written to a moment ago, for there have been file systems that
        took for a hole what was still on its way to the medium; nor where the file takes more room than what
        is no hole.
        """
        room = os.fstat(self._descriptor).st_blocks * 512
        if not self._at_rest or room >= self.size or not hasattr(os, "SEEK_DATA"):
            return []
        found: list[tuple[int, int]] = []
        held = at = 0
        try:
            while at < self.size and len(found) < _MOST_HOLES:
                begin = self._data_from(at)
                if begin > at:
                    found.append((at, begin - at))
                if begin == self.size:
                    break
                at = min(os.lseek(self._descriptor, begin, os.SEEK_HOLE), self.size)
                if at <= begin:
                    return []
                held += at - begin
            # A file system counts what it needs for its own lists as well.
            return found if room <= held + held // 64 + (64 << 10) else []
        except OSError:
            return []  # it does not tell
        finally:
            self.seek(self._position)

    def _data_from(self, offset: int) -> int:
        try:
            return min(os.lseek(self._descriptor, offset, os.SEEK_DATA), self.size)
        except OSError as error:
            if error.errno != errno.ENXIO:
                raise
            return self.size  # nothing but a hole

    def read_at(self, offset: int, size: int) -> bytes:
        """``size`` bytes from an offset on, fewer only at the end; does not move where ``read`` goes on."""
        pieces: list[bytes] = []
        while size > 0:
            piece = os.pread(self._descriptor, min(size, 16 * _CHUNK), offset)
            if not piece:
                break
            pieces.append(piece)
            offset += len(piece)
            size -= len(piece)
        return pieces[0] if len(pieces) == 1 else b"".join(pieces)

    def check(self, sha256: bytes | None = None) -> None:
        """Raises ``Moving`` if the file was changed, replaced, cut or grew since it was opened.

        One so young that its time cannot show it is read once more, and compared with the digest of what was
        read before, if that is given.
        """
        if sha256 is not None and not self.settled and self._digest() != sha256:
            raise Moving(self._place)
        after = os.fstat(self._descriptor)
        if not _same(after, self._status) or not _in_place(self._place, after):
            raise Moving(self._place)

    def _digest(self) -> bytes:
        digest, at = hashlib.sha256(), 0
        while piece := self.read_at(at, min(16 * _CHUNK, self.size - at)):
            digest.update(piece)
            at += len(piece)
        return digest.digest()


@contextmanager
def still_file(place: str) -> Iterator[StillFile]:
    """A large file for reading in pieces; ``OSError`` if it cannot be read or is no ordinary file.

    The caller reads, then calls ``check()``, and begins again if that raises ``Moving``.
    """
    begun = time.time_ns()
    descriptor, status = _opened(place)
    try:
        yield StillFile(place, descriptor, status, begun)
    finally:
        os.close(descriptor)


def _opened(place: str) -> tuple[int, os.stat_result]:
    descriptor = os.open(place, _FLAGS)
    status = os.fstat(descriptor)
    if stat.S_ISREG(status.st_mode):
        return descriptor, status
    os.close(descriptor)
    number = errno.EISDIR if stat.S_ISDIR(status.st_mode) else errno.ENXIO
    raise OSError(number, "not an ordinary file", place)


def _same(one: os.stat_result, other: os.stat_result) -> bool:
    """Whether a file was not written to in between, nor replaced by another."""
    return (
        one.st_size == other.st_size
        and one.st_mtime_ns == other.st_mtime_ns
        and one.st_ctime_ns == other.st_ctime_ns
        and one.st_ino == other.st_ino
        and one.st_dev == other.st_dev
    )


def _in_place(place: str, status: os.stat_result) -> bool:
    """Whether the path still names the file that was read."""
    try:
        return _same(os.stat(place, follow_symlinks=False), status)
    except FileNotFoundError:
        return False


def _young(modified: int, now: int) -> bool:
    return -YOUNG_NS <= now - modified <= YOUNG_NS
