"""Unpacks members of a zip, never further than they say, and compares them with their checksum."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator

STORED, DEFLATED = 0, 8
#: Bytes that are unpacked at once.
_RUN = 1 << 20


class Hurt(ValueError):
    """Why a member does not come out as its zip says, in words that fit behind its name."""


def unpacked(runs: Iterable[bytes], method: int, size: int, crc: int) -> Iterator[bytes]:
    """The content of a member, from its stored bytes.

    Gives at most ``size`` bytes, whatever the stored bytes unpack to, and a run at a time. Raises ``Hurt``,
    also after the last run: believe nothing before the end.
    """
    if method not in (STORED, DEFLATED):
        raise Hurt(f"is packed in a way that handhold does not know (method {method})")
    found, left = 0, size
    for run in runs if method == STORED else _inflated(runs):
        left -= len(run)
        if left < 0:
            raise Hurt("holds more than it says")
        found = zlib.crc32(run, found)
        yield run
    if left:
        raise Hurt("holds less than it says")
    if found != crc:
        raise Hurt("does not fit its checksum: it was damaged before it was kept")


def _inflated(runs: Iterable[bytes]) -> Iterator[bytes]:
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    try:
        for run in runs:
            while run:
                if inflater.eof:
                    raise Hurt("has something behind its end")
                if plain := inflater.decompress(run, _RUN):
                    yield plain
                run = inflater.unconsumed_tail
                if inflater.unused_data:
                    raise Hurt("has something behind its end")
        while not inflater.eof:
            plain = inflater.decompress(b"", _RUN)
            if not plain:
                raise Hurt("breaks off")
            yield plain
    except zlib.error:
        raise Hurt("cannot be unpacked: it was damaged before it was kept") from None
