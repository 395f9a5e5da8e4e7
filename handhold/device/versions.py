"""Which version of an emulator wrote what lies in its homes, where its layout says how that can be told."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable

from handhold.layouts.layout import Layout
from handhold.names import native

#: No more of a file is read to find a version (bytes).
MOST = 64 << 10


def version_of(layout: Layout, homes: Iterable[tuple[str, str]]) -> str | None:
    """The version that stands in the first of these homes that tells it; None where none does.

    ``homes`` are names (as sites have them) and absolute paths as the operating system writes them. A file
    that is a link, or lies behind one, is not read.
    """
    wanted = layout.version
    if wanted is None:
        return None
    for name, path in homes:
        if wanted.home is not None and name.partition("@")[0] != wanted.home:
            continue
        text = _text(path, native(wanted.path))
        version = wanted.within(text) if text is not None else None
        if version is not None:
            return version
    return None


def _text(home: str, path: str) -> str | None:
    place = os.path.join(os.path.realpath(home), path)
    if os.path.realpath(place) != place:
        return None
    try:
        handle = os.open(place, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            return None
        data = os.read(handle, MOST)
    except OSError:
        return None
    finally:
        os.close(handle)
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    return data.decode(encoding, "replace")
