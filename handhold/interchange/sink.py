"""What an export is written into: a folder, a tar, a zip, a bag. One protocol for all."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import NamedTuple, Protocol

from handhold.model import Entry

#: The list of digests beside the files, in the form that ``sha256sum -c`` reads. No emulator's id has a dot.
SUMS = "SHA256SUMS.txt"
#: What the export does not hold, where there is such a thing.
MISSING = "NOT-IN-HERE.txt"


class Refused(Exception):
    """This file cannot be in this kind of export, or at this place; its text says why, as half a sentence."""


class About(NamedTuple):
    """What an export is of."""

    snapshot: str
    device: str
    taken: datetime
    tool: str


class Sink(Protocol):
    """Takes files one by one; what was not finished is not whole, and whoever reads it can tell."""

    def add(self, path: str, entry: Entry, content: Iterable[bytes]) -> None:
        """Writes a file; ``path`` in written form. Raises ``Refused`` and ``OSError``."""

    def note(self, name: str, text: str) -> None:
        """Writes a text beside the files."""

    def finish(self) -> None:
        """All is written."""


def sums_line(digest: str, name: bytes) -> bytes:
    r"""A line as ``sha256sum`` prints and reads it: a name that needs it is escaped, and the line says so.

    Source: GNU coreutils manual, section "md5sum invocation" (backslash, newline and carriage return)

    >>> sums_line("00ff", b"a.sav"), sums_line("00ff", b"a\\b.sav")
    (b'00ff  a.sav\n', b'\\00ff  a\\\\b.sav\n')
    """
    escaped = name.replace(b"\\", b"\\\\").replace(b"\n", b"\\n").replace(b"\r", b"\\r")
    mark = b"\\" if escaped != name else b""
    return mark + digest.encode() + b"  " + escaped + b"\n"
