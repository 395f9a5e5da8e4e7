"""What the files of the example hold: invented bytes that behave like the real ones.

Everything here is a pure function of a key (which file it is) and an evening (how often it was played), so
the same scenario always gives the same bytes.
"""

from __future__ import annotations

import hashlib
import io
import struct
import zipfile
import zlib
from collections.abc import Sequence
from datetime import datetime

#: A memory card is written in blocks; the first one lists the others (common practice, no source).
CARD_BLOCK = 8192
_UNUSED = b"\xff"


def noise(key: str, size: int) -> bytes:
    """``size`` bytes that no compressor makes smaller, always the same for a key."""
    return hashlib.shake_256(key.encode()).digest(size)


def battery(key: str, size: int, evening: int) -> bytes:
    """A battery save: a quarter is in use, the rest was never written; each evening changes a few bytes."""
    used = max(1, size // 4)
    data = bytearray(noise(key, used) + _UNUSED * (size - used))
    for past in range(1, evening + 1):
        progress = noise(f"{key} evening {past}", 24)[:used]
        at = (past * 40) % max(1, used - len(progress))
        data[at : at + len(progress)] = progress
    return bytes(data)


def state(key: str, size: int, evening: int) -> bytes:
    """A picture of a running machine's memory: half of it is another one each evening."""
    still = size // 2
    return noise(key, still) + noise(f"{key} evening {evening}", size - still)


def memory_card(key: str, size: int, evening: int) -> bytes:
    """A memory card: each evening writes its list of blocks anew, and two of its blocks."""
    blocks = size // CARD_BLOCK
    card = [noise(f"{key} block {b}", CARD_BLOCK) if b % 3 else _UNUSED * CARD_BLOCK for b in range(blocks)]
    for past in range(evening + 1):
        card[0] = noise(f"{key} list {past}", CARD_BLOCK)
        for which in (1, 2) if past else ():
            card[(past * 7 + which * 31) % (blocks - 1) + 1] = noise(
                f"{key} block {which} evening {past}", CARD_BLOCK
            )
    return b"".join(card).ljust(size, _UNUSED)


def picture(key: str, evening: int) -> bytes:
    """A small picture in shades of grey.

    Source: W3C, Portable Network Graphics (PNG) Specification, sections 5 and 11: chunks, IHDR, IDAT, IEND.
    """
    width, height = 32, 24
    grey = noise(f"{key} evening {evening}", width * height)
    rows = b"".join(b"\0" + grey[y * width : (y + 1) * width] for y in range(height))

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(rows, 0))
        + chunk(b"IEND", b"")
    )


def zipped(members: Sequence[tuple[str, bytes]], stamped: datetime) -> bytes:
    """An export to one zip, written in one go: every member carries the time of the export."""
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members:
            member = zipfile.ZipInfo(name, stamped.timetuple()[:6])
            member.create_system = 3  # whatever system builds it, the same bytes
            member.external_attr = 0o644 << 16
            member.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(member, data)
    return whole.getvalue()
