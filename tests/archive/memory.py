"""A card held in memory that can be written to, and that has only so much room."""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass

from handhold.archive.storage import Pending
from handhold.errors import OwnerError
from tests.archive.damaged import Memory


@dataclass
class Card(Memory):
    """The room is in bytes; a file takes as many as it has."""

    room: int = 1 << 40

    def begin(self, folder: str) -> Pending:
        name = f"new-{secrets.token_hex(8)}.part"
        return _Pending(self, f"{folder}/{name}" if folder else name)

    def delete(self, name: str) -> None:
        self.files.pop(name, None)

    def free(self) -> int:
        return self.room - sum(map(len, self.files.values()))

    def make(self) -> None:
        """It is there."""

    def hold(self, purpose: str) -> AbstractContextManager[str]:
        return _held()


@contextmanager
def _held() -> Iterator[str]:
    yield ""


class _Pending:
    def __init__(self, card: Card, name: str) -> None:
        self._card, self._name, self._runs = card, name, [b""]
        card.files[name] = b""

    def write(self, data: bytes) -> None:
        if self._card.free() < len(data):
            raise OwnerError("There is no room left.")
        self._runs.append(data)
        self._card.files[self._name] = b"".join(self._runs)

    def read(self, offset: int, length: int) -> bytes:
        return self._card.files[self._name][offset : offset + length]

    def commit(self, name: str) -> None:
        self._card.files[name] = self._card.files.pop(self._name)

    def abandon(self) -> None:
        self._card.files.pop(self._name, None)
