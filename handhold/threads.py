"""Threads, begun only where there is room for them."""

from __future__ import annotations

import mmap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from concurrent.futures import ThreadPoolExecutor

#: Bytes that a thread takes as it begins: its stack (8 MiB is usual on Linux) and its first objects.
ROOM = 16 << 20


def room_for_threads(count: int) -> None:
    """Raises ``MemoryError`` where so many threads had better not be begun.

    One that gets no memory as it begins cannot say so, and who began it waits for it without end (seen in
    CPython 3.11, ``Thread.start``).
    """
    try:
        # Not from the heap: where one so large comes back to that, it keeps more of what is given back later.
        mmap.mmap(-1, count * ROOM, mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS).close()
    except OSError as error:
        raise MemoryError from error


def pool(count: int, name: str) -> ThreadPoolExecutor:
    """Threads that do what they are given. ``MemoryError`` where there is no room for them."""
    from concurrent.futures import ThreadPoolExecutor  # it takes a while to load, and few commands need it

    room_for_threads(count)
    return ThreadPoolExecutor(count, name)
