"""Whether a file holds nothing: a save that was emptied, or memory that was never written. Pure."""

from __future__ import annotations

import hashlib
from functools import lru_cache

from handhold.model import Entry

#: Larger saves are not compared with a blank one (bytes). Memory cards have 8 MiB (from memory, no source).
LARGEST_BLANK = 64 << 20


def blank(entry: Entry) -> str:
    """In which way a file holds nothing, told by its digest; empty text if it holds something."""
    if not entry.size:
        return "empty"
    if entry.size <= LARGEST_BLANK:
        for byte, what in ((0x00, "all zero"), (0xFF, "all 0xFF")):
            if entry.sha256 == _filled(byte, entry.size):
                return what
    return ""


@lru_cache(maxsize=1024)
def _filled(byte: int, size: int) -> str:
    digest = hashlib.sha256()
    run = bytes([byte]) * min(size, 1 << 20)
    for at in range(0, size, len(run)):
        digest.update(run[: size - at])
    return digest.hexdigest()
