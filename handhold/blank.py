"""Whether a file holds nothing: a save that was emptied, or memory that was never written. Pure."""

from __future__ import annotations

import hashlib
from functools import lru_cache

from handhold.model import Entry

#: Larger saves are not compared with a blank one (bytes). Memory cards have 8 MiB (from memory, no source).
LARGEST_BLANK = 64 << 20


def blank(entry: Entry) -> str:
    """In which way a file holds nothing, told by its digest; empty text if it holds something."""
    return blank_content(entry.size, entry.sha256)


def blank_content(size: int, sha256: str) -> str:
    """The same of a content, by its size in bytes and its digest."""
    if not size:
        return "empty"
    if size <= LARGEST_BLANK:
        for byte, what in ((0x00, "all zero"), (0xFF, "all 0xFF")):
            if sha256 == _filled(byte, size):
                return what
    return ""


@lru_cache(maxsize=1024)
def _filled(byte: int, size: int) -> str:
    digest = hashlib.sha256()
    run = bytes([byte]) * min(size, 1 << 20)
    for at in range(0, size, len(run)):
        digest.update(run[: size - at])
    return digest.hexdigest()
