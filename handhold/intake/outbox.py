"""Blocks that wait for their turn to be put into the archive."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from handhold.archive.blocks import Sealed
from handhold.archive.putting import Putting


class Outbox(Putting):
    """Hands sealed blocks to ``send``, each once; ``before`` tells which the archive has already.

    What was not known when it was asked for can be known by the time that it is put into the archive: whoever
    does that asks again.
    """

    def __init__(
        self, level: int, before: Callable[[bytes], bool], send: Callable[[list[Sealed]], object]
    ) -> None:
        self.level = level
        self._before = before
        self._send = send
        self._sent: set[bytes] = set()

    def known(self, ident: bytes) -> bool:
        return ident in self._sent or self._before(ident)

    def named(self, ident: bytes) -> bool:
        return self.known(ident)

    @property
    def moment(self) -> int:
        return 0

    def put_all(self, blocks: Iterable[Sealed], moment: int) -> None:
        fresh = {block.id: block for block in blocks if block.id not in self._sent}
        self._sent.update(fresh)
        self._send([*fresh.values()])

    def forget(self, most: int) -> None:
        """Where it has sent more blocks than these it forgets them, and may send them again."""
        if len(self._sent) > most:
            self._sent.clear()
