"""Reading a file sector by sector, from a medium that can fail at any of them."""

from __future__ import annotations

from collections.abc import Iterator

from handhold.archive.parity.shape import SECTOR
from handhold.archive.storage import Readable
from handhold.errors import NotNow, OwnerError

_RUN = 64  # sectors that are read at once where nothing is wrong


def read_sectors(storage: Readable, file: str, first: int, count: int) -> list[bytes | None]:
    """``count`` sectors of a file; None for each that cannot be read, and less where the file ends.

    Raises ``NotNow`` if the medium goes away, and ``FileNotFoundError``.
    """
    found: list[bytes | None] = []
    for begin in range(first, first + count, _RUN):
        length = min(_RUN, first + count - begin)
        run = _tried(storage, file, begin, length)
        if run is not None:
            found += [run[at * SECTOR : (at + 1) * SECTOR] for at in range(length)]
        else:
            found += [_tried(storage, file, begin + at, 1) for at in range(length)]
    return found


def each_sector(storage: Readable, file: str, count: int) -> Iterator[bytes | None]:
    """The same one after the other, without having all of them in memory."""
    for begin in range(0, count, _RUN):
        yield from read_sectors(storage, file, begin, min(_RUN, count - begin))


def _tried(storage: Readable, file: str, first: int, count: int) -> bytes | None:
    try:
        return storage.read(file, first * SECTOR, count * SECTOR)
    except NotNow:
        raise
    except OwnerError:
        return None
