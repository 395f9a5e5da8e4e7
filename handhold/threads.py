"""What a thread needs before it is begun."""

from __future__ import annotations

#: Bytes that a thread takes as it begins: its stack (8 MiB is usual on Linux) and its first objects.
ROOM = 16 << 20


def room_for_thread() -> None:
    """Raises ``MemoryError`` where a thread had better not be begun.

    One that gets no memory as it begins cannot say so, and who began it waits for it without end (seen in
    CPython 3.11, ``Thread.start``). Nothing of the room is touched.
    """
    bytes(ROOM)
