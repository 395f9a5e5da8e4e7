"""Which blocks can still be had while some bundles are hurt."""

from __future__ import annotations

from collections.abc import Mapping

from handhold.archive.archive import Archive
from handhold.archive.blocks import unseal
from handhold.archive.bundle import Row
from handhold.archive.mending.bundles import Remains
from handhold.archive.mending.filling import Filling
from handhold.errors import NotNow, OwnerError


class Obtainable:
    """Which blocks can be had, beside those that lie only in hurt bundles."""

    def __init__(self, archive: Archive, broken: Mapping[str, Remains]) -> None:
        self._archive = archive
        self._broken = broken
        self.writer: Filling | None = None
        self._sound: dict[bytes, tuple[Remains, Row]] = {
            row.id: (left, row) for left in broken.values() for row in left.rows if row.offset in left.sound
        }

    def elsewhere(self, ident: bytes) -> bool:
        """Whether a bundle that is not hurt has the block."""
        return any(place.file not in self._broken for place in self._archive.index.places_in_whole(ident))

    def have(self, ident: bytes) -> bool:
        """Whether the block can be had, from a whole bundle or what is sound in a hurt one."""
        put = self.writer is not None and ident in self.writer.found
        return put or self.elsewhere(ident) or ident in self._sound

    def read(self, ident: bytes) -> bytes | None:
        """Its plain bytes; None if they cannot be read, or were only found in a dry run."""
        try:
            return self._archive.block(ident.hex())
        except NotNow:
            raise
        except OwnerError:
            pass
        if ident not in self._sound:
            return None
        left, row = self._sound[ident]
        try:
            return unseal(left.block(row))
        except ValueError:
            return None
