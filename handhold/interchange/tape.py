"""An export as a pax tar, into a file or a pipe.

Source: POSIX.1-2017, pax, sections "pax Extended Header" and "ustar Interchange Format"
"""

from __future__ import annotations

import io
import os
import tarfile
from collections.abc import Iterable, Iterator
from typing import IO, TYPE_CHECKING

from handhold.interchange.folder import native_or_refused
from handhold.interchange.sink import SUMS, sums_line
from handhold.model import NS, Entry

if TYPE_CHECKING:
    from typing_extensions import Buffer


class Tape:
    """Writes a tar to ``stream``, never looking back, so that a pipe will do."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream
        self._sums: list[bytes] = []
        self._tar = tarfile.TarFile(
            fileobj=_Forward(stream),
            mode="w",
            format=tarfile.PAX_FORMAT,
            encoding="utf-8",
            errors="surrogateescape",
        )

    def add(self, path: str, entry: Entry, content: Iterable[bytes]) -> None:
        """Writes one file with its time, to the nanosecond. Raises ``Refused`` and ``OSError``."""
        name = native_or_refused(path)
        info = _info(name, entry.size)
        seconds, rest = divmod(entry.modified, NS)
        info.mtime = min(max(seconds, 0), 8**11 - 1)
        if rest or info.mtime != seconds:
            info.pax_headers = {"mtime": _decimal(entry.modified)}
        self._tar.addfile(info, _Stream(content))
        self._sums.append(sums_line(entry.sha256, os.fsencode(name)))

    def note(self, name: str, text: str) -> None:
        """Writes a text beside the files."""
        self._put(name, text.encode())

    def finish(self) -> None:
        """Writes the list of digests and the end."""
        self._put(SUMS, b"".join(self._sums))
        self._tar.close()
        self._stream.flush()

    def _put(self, name: str, data: bytes) -> None:
        self._tar.addfile(_info(name, len(data)), io.BytesIO(data))


def _info(name: str, size: int) -> tarfile.TarInfo:
    info = tarfile.TarInfo(name)
    info.size = size
    info.mode = 0o644
    return info


def _decimal(nanoseconds: int) -> str:
    """Seconds as pax wants them: a decimal number, with a sign where it is before 1970.

    Programs do not agree on fractions before 1970 (GNU tar reads -1.5 as -0.5), so there the second counts.

    >>> _decimal(1_700_000_000_123_456_789), _decimal(-1_500_000_000)
    ('1700000000.123456789', '-2')
    """
    seconds, rest = divmod(nanoseconds, NS)
    return str(seconds) if seconds < 0 else f"{seconds}.{rest:09d}".rstrip("0").rstrip(".")


class _Forward(io.RawIOBase):
    """A stream that is only ever written on, and knows how far: the tar library asks for that."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream
        self._at = 0

    def writable(self) -> bool:
        """Always."""
        return True

    def write(self, data: Buffer, /) -> int:
        """Writes all of it."""
        self._stream.write(data)
        length = memoryview(data).nbytes
        self._at += length
        return length

    def tell(self) -> int:
        """The bytes written so far."""
        return self._at


class _Stream(io.RawIOBase):
    """Runs of bytes as the file that the tar library reads from."""

    def __init__(self, runs: Iterable[bytes]) -> None:
        self._runs: Iterator[bytes] = iter(runs)
        self._rest = memoryview(b"")

    def readable(self) -> bool:
        """Always."""
        return True

    def read(self, size: int = -1, /) -> bytes:
        """Exactly as many bytes as asked for, as long as there are any."""
        pieces: list[bytes] = []
        while size:
            if not self._rest:
                self._rest = memoryview(next(self._runs, b""))
                if not self._rest:
                    break
            piece = self._rest if size < 0 else self._rest[:size]
            self._rest = self._rest[len(piece) :]
            size -= len(piece) if size > 0 else 0
            pieces.append(bytes(piece))
        return b"".join(pieces)
