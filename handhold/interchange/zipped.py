"""An export as a zip.

Names are in written form, so that each is text. The time stands twice: in the local time of the snapshot, as
zip has it, and in UTC for programs that read the extended timestamp.

Source: .ZIP File Format Specification (APPNOTE), sections 4.4.6, 4.4.17 and 4.5.3 (numbers from memory)
"""

from __future__ import annotations

import struct
import time
import zipfile
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta, tzinfo
from typing import IO

from handhold.interchange.folder import native_or_refused
from handhold.interchange.sink import SUMS, sums_line
from handhold.model import NS, Entry

#: The extended timestamp: a flag that a modification time is there, and the time in seconds in 32 bits.
# Source: Info-ZIP, appnote "extra fields", -Extended Timestamp Extra Field (0x5455)
_TIMESTAMP, _MODIFIED = 0x5455, 1
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_UNIX, _REGULAR = 3, 0o100644


class Zipped:
    """Writes a zip to ``stream``; ``zone`` gives the local time that stands beside each name."""

    def __init__(self, stream: IO[bytes], zone: tzinfo | None) -> None:
        self._zip = zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED)
        self._zone = zone
        self._sums: list[bytes] = []

    def add(self, path: str, entry: Entry, content: Iterable[bytes]) -> None:
        """Writes one file with its time. Raises ``Refused`` and ``OSError``."""
        native_or_refused(path)  # sound, or refused; the name in the zip is the written form
        info = zipfile.ZipInfo(path, dos_time(entry.modified, self._zone))
        info.compress_type = zipfile.ZIP_DEFLATED
        info.create_system = _UNIX
        info.external_attr = _REGULAR << 16
        info.file_size = entry.size  # known, so the library can tell whether it needs the 64-bit form
        seconds = entry.modified // NS
        if -(1 << 31) <= seconds < 1 << 31:
            info.extra = struct.pack("<HHBi", _TIMESTAMP, 5, _MODIFIED, seconds)
        with self._zip.open(info, "w", force_zip64=entry.size >= 0xF000_0000) as file:
            for run in content:
                file.write(run)
        self._sums.append(sums_line(entry.sha256, path.encode()))

    def note(self, name: str, text: str) -> None:
        """Writes a text beside the files."""
        self._put(name, text.encode())

    def finish(self) -> None:
        """Writes the list of digests and the directory."""
        self._put(SUMS, b"".join(self._sums))
        self._zip.close()

    def abandon(self) -> None:
        """Nothing more is written, and nothing is said of it: the storage takes nothing more."""
        self._zip.fp = None  # else the library writes a directory when it is thrown away

    def _put(self, name: str, data: bytes) -> None:
        info = zipfile.ZipInfo(name, dos_time(time.time_ns(), self._zone))
        info.compress_type = zipfile.ZIP_DEFLATED
        info.create_system = _UNIX
        info.external_attr = _REGULAR << 16
        self._zip.writestr(info, data)


def dos_time(nanoseconds: int, zone: tzinfo | None) -> tuple[int, int, int, int, int, int]:
    """Local time as zip can hold it: from 1980 to the end of 2107.

    >>> dos_time(0, UTC), dos_time(1_700_000_000 * NS, UTC)
    ((1980, 1, 1, 0, 0, 0), (2023, 11, 14, 22, 13, 20))
    """
    try:
        local = (_EPOCH + timedelta(seconds=nanoseconds // NS)).astimezone(zone or UTC)
    except OverflowError:
        return (1980, 1, 1, 0, 0, 0) if nanoseconds < 0 else (2107, 12, 31, 23, 59, 58)
    if local.year < 1980:
        return (1980, 1, 1, 0, 0, 0)
    if local.year > 2107:
        return (2107, 12, 31, 23, 59, 58)
    return (local.year, local.month, local.day, local.hour, local.minute, local.second)
