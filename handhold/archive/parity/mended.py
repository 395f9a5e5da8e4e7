"""A hurt file as it was, as far as its sectors can be read or computed."""

from __future__ import annotations

from handhold.archive.parity.code import can_code
from handhold.archive.parity.reading import Repair, lost_sectors, read_parity, repaired
from handhold.archive.parity.sectors import read_sectors
from handhold.archive.parity.shape import SECTOR
from handhold.archive.parity.sheet import parity_file
from handhold.archive.storage import Storage
from handhold.errors import NotNow, OwnerError


class Mended:
    """Reads one file of an archive with its repaired sectors in their places.

    What cannot be read and not be computed reads as zeros, so that whatever lies around it can still be had:
    nothing that is read here must be believed before it is checked.

    >>> view = Mended(storage, "bundles/…/….bundle")                    # doctest: +SKIP
    >>> view.read(view.file, 0, view.size)
    """

    def __init__(self, storage: Storage, file: str) -> None:
        self.file = file
        self._storage = storage
        self._there = _size(storage, file)
        #: Its size as parity tells, or as it lies there.
        self.size = self._there
        self.repair = Repair()
        #: Whether there is parity that tells anything.
        self.has_parity = False
        #: Whether parity could not be used because the library for it is missing.
        self.needs_library = False
        self._look()

    def read(self, name: str, offset: int, length: int) -> bytes:
        """Up to ``length`` bytes of the file, whose name is given as for a storage."""
        length = max(0, min(length, self.size - offset))
        if not length:
            return b""
        first, last = offset // SECTOR, (offset + length - 1) // SECTOR
        back = self.repair.back
        try:
            data = self._storage.read(name, offset, length)
        except NotNow:
            raise
        except (OwnerError, FileNotFoundError):
            data = b""
        if len(data) == length and not any(at in back for at in range(first, last + 1)):
            return data
        try:
            found = read_sectors(self._storage, name, first, last + 1 - first)
        except FileNotFoundError:
            found = [None] * (last + 1 - first)
        sectors = [back.get(first + at, sector or b"") for at, sector in enumerate(found)]
        run = b"".join(sector[:SECTOR].ljust(SECTOR, b"\0") for sector in sectors)
        return run[offset - first * SECTOR :][:length]

    def whole(self) -> bytes:
        """All of it; for files that fit into memory."""
        return self.read(self.file, 0, self.size)

    def _look(self) -> None:
        name = parity_file(self.file)
        try:
            parity = read_parity(self._storage, name, self._storage.size(name))
        except FileNotFoundError:
            return
        except NotNow:
            raise
        except OwnerError:
            return
        if parity is None or parity.protects != self.file:
            return
        self.has_parity = True
        self.size = parity.shape.size
        lost = lost_sectors(self._storage, parity)
        if lost and parity.whole is None and not can_code():
            self.needs_library = True
            self.repair = Repair(len(lost), lost)
        else:
            self.repair = repaired(self._storage, parity, lost)


def _size(storage: Storage, file: str) -> int:
    try:
        return storage.size(file)
    except NotNow:
        raise
    except (FileNotFoundError, OwnerError):
        return 0
