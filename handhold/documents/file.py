"""Reads the bytes of a file that an owner wrote; whatever it turns out to be, it is told and does no harm."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from handhold.documents.document import MOST_BYTES
from handhold.documents.mistakes import Mistake
from handhold.names import written


def read_file(file: Path, mistakes: list[Mistake], sort: str) -> bytes | None:
    """The file's bytes, one more than may be at the most; None, with a mistake, if it cannot be read."""
    name = shown(file)
    try:
        # Not to hang on a pipe; no other kind of file is opened.
        handle = os.open(file, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        with open(handle, "rb") as stream:
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                mistakes.append(Mistake(name, 1, 1, "something that is no plain file", f"a {sort} file"))
                return None
            return stream.read(MOST_BYTES + 1)
    except IsADirectoryError:
        mistakes.append(Mistake(name, 1, 1, "a folder", f"a {sort} file"))
    except OSError as error:
        mistakes.append(
            Mistake(name, 1, 1, f"a file that cannot be read ({reason(error)})", f"a {sort} file")
        )
    return None


def shown(file: Path) -> str:
    """A path as messages show it."""
    return written(str(file))


def reason(error: OSError) -> str:
    """Why the system refused, inside a sentence."""
    return (error.strerror or "unknown reason").lower()
