"""What a thread needs before it is begun."""

from __future__ import annotations

import mmap

#: Bytes that a thread takes as it begins: its stack (8 MiB is usual on Linux) and its first objects.
ROOM = 16 << 20


def room_for_thread() -> None:
    """Raises ``MemoryError`` where a thread had better not be begun.

    One that gets no memory as it begins cannot say so, and who began it waits for it without end (seen in
    CPython 3.11, ``Thread.start``).
    """
    try:
        # Not from the heap: where one so large comes back to that, it keeps more of what is given back later.
        mmap.mmap(-1, ROOM, mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS).close()
    except OSError as error:
        raise MemoryError from error
