"""What two processes of one run tell each other through a pipe: plain values, one after the other."""

from __future__ import annotations

import marshal
import os
import struct
from collections.abc import Iterator
from typing import Any

_LENGTH = struct.Struct("<I")
#: So many bytes are taken at once.
_RUN = 1 << 16


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
        #: Whether nothing more will come, as ``come`` has seen.
        self.ended = False

    def next(self) -> Any:
        """The next value; waits for it. None behind the last. Goes on where it was stopped."""
        if not self._wait_for(_LENGTH.size):
            return None
        (length,) = _LENGTH.unpack_from(self._there)
        behind = _LENGTH.size + length
        return self._first(behind) if self._wait_for(behind) else None

    def come(self) -> Iterator[Any]:
        """The values that have come, where the pipe does not wait; ``ended`` behind the last one."""
        while not self.ended:
            try:
                more = os.read(self._pipe, _RUN)
            except BlockingIOError:
                return
            self.ended = not more
            self._there += more
            while len(self._there) >= _LENGTH.size:
                behind = _LENGTH.size + _LENGTH.unpack_from(self._there)[0]
                if len(self._there) < behind:
                    break
                yield self._first(behind)

    def _first(self, behind: int) -> Any:
        """The value that ends there, which is taken."""
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
