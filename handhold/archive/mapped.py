"""What the system has of an archive's files in memory anyway, looked at there instead of copied.

A check of an archive that was just written, or just checked, spends more time on copies than on digests.
"""

from __future__ import annotations

import mmap
import os

from handhold.archive.storage import LocalStorage

#: One byte in so many is asked for. What is missing between two of them is fetched when it is looked at.
_STEP = 1 << 20
_CAN_TELL = hasattr(os, "RWF_NOWAIT")


class MappedStorage(LocalStorage):
    """A place of which one process looks at what is in memory.

    That process must be one whose end does no harm: where a file is cut off, or its medium goes away, after
    it was mapped, the system ends whoever looks at it.
    Source: POSIX.1-2017, mmap(2): SIGBUS
    """

    def at_hand(self, name: str, offset: int, length: int) -> memoryview | None:
        """The bytes of a file from ``offset``, while the view lives; None where they have to be read.

        They have to where they are not in memory, or the system does not tell. Never waits for the medium,
        unless what was in memory has just been dropped. Raises nothing: who reads is told what is wrong.
        """
        if not _CAN_TELL or length <= 0:
            return None
        begin = offset - offset % mmap.ALLOCATIONGRANULARITY
        try:
            with self._lock:  # so that the file stays open; nothing here waits
                file = self._reader(name).file
                if not _in_memory(file, offset, length):
                    return None
                size = offset + length - begin
                whole = mmap.mmap(file, size, prot=mmap.PROT_READ, offset=begin)
        except (OSError, ValueError):  # ValueError: it ends before that
            return None
        return memoryview(whole)[offset - begin :]


def _in_memory(file: int, offset: int, length: int) -> bool:
    """Whether a range of an open file seems to be in memory. ``OSError`` where that cannot be told.

    Source: preadv2(2): RWF_NOWAIT, EAGAIN for what is not available at once
    """
    byte = [bytearray(1)]
    last = offset + length - 1
    some = (*range(offset, last, _STEP), last)
    return all(os.preadv(file, byte, at, os.RWF_NOWAIT) == 1 for at in some)
