"""What two processes of one run tell each other through a pipe: plain values, one after the other."""

from __future__ import annotations

import marshal
import os
import struct
from typing import Any

_LENGTH = struct.Struct("<I")


def tell(pipe: int, value: Any) -> None:
    """Tells a value that ``marshal`` can write; waits where the pipe is full.

    ``BrokenPipeError`` if nobody listens.
    """
    body = marshal.dumps(value)
    left = memoryview(_LENGTH.pack(len(body)) + body)
    while left:
        left = left[os.write(pipe, left) :]


class Told:
    """What was told at the other end of a pipe."""

    def __init__(self, pipe: int) -> None:
        self._pipe = pipe
        self._there = bytearray()

    def next(self) -> Any:
        """The next value; waits for it. None behind the last. Goes on where it was stopped."""
        if not self._wait_for(_LENGTH.size):
            return None
        (length,) = _LENGTH.unpack_from(self._there)
        behind = _LENGTH.size + length
        if not self._wait_for(behind):
            return None
        body = bytes(self._there[_LENGTH.size : behind])
        del self._there[:behind]
        return marshal.loads(body)

    def _wait_for(self, length: int) -> bool:
        """Waits until so many bytes are there; whether they came."""
        while len(self._there) < length:
            more = os.read(self._pipe, length - len(self._there))
            if not more:
                return False
            self._there += more
        return True
