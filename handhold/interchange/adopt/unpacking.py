"""Unpacks an old backup that is a zip or a tar, believing nothing that it says.

Only ordinary files come out, each below the folder; links, devices and paths that lead elsewhere are told.
"""

from __future__ import annotations

import os
import shutil
import stat
import struct
import tarfile
import zipfile
import zlib
from collections.abc import Iterator
from datetime import datetime, tzinfo
from typing import IO, NamedTuple

from handhold import amounts
from handhold.errors import OwnerError, WrongInput
from handhold.model import NS, Gap, nanoseconds
from handhold.names import native, trouble_with, written

#: Endings by which a backup is taken for one that is packed.
ENDINGS = (".zip", ".tar", ".tar.gz", ".tgz", ".tar.bz2", ".tbz2", ".tar.xz", ".txz")
_RUN = 1 << 20
_MOST = 1_000_000  # members
_LATEST = 1 << 33  # seconds: the year 2242
#: The extended timestamp. Source: Info-ZIP, appnote "extra fields", -Extended Timestamp Extra Field (0x5455)
_TIMESTAMP = 0x5455


class _Member(NamedTuple):
    name: str  # as the operating system writes it
    size: int
    modified: int  # nanoseconds
    why: str | None  # it cannot come out
    stream: object


def packed(path: str) -> bool:
    """Whether a file of this name is taken for a packed backup."""
    return path.lower().endswith(ENDINGS)


def stem(name: str) -> str:
    """The name without the ending of a packed backup.

    >>> stem("plover 2021-05-03.tar.gz"), stem("Tinplate"), stem("old.ZIP")
    ('plover 2021-05-03', 'Tinplate', 'old')
    """
    fitting = [ending for ending in ENDINGS if name.lower().endswith(ending)]
    return name[: -len(max(fitting, key=len))] if fitting else name


def unpack(path: str, folder: str, volume: str, zone: tzinfo | None) -> list[Gap]:
    """Unpacks into an empty folder; gives a gap for each member that did not come out.

    ``zone`` is where a zip that tells local time only was made. Raises ``OwnerError`` where there is no room,
    and ``WrongInput`` for what is no zip and no tar that can be read at all.
    """
    gaps: list[Gap] = []
    try:
        if path.lower().endswith(".zip"):
            with zipfile.ZipFile(path) as pack:
                _put_all(_of_zip(pack, zone), folder, volume, path, gaps)
        else:
            with tarfile.open(path, errors="surrogateescape") as tar:
                _put_all(_of_tar(tar), folder, volume, path, gaps)
    except (zipfile.BadZipFile, tarfile.TarError, EOFError, zlib.error, NotImplementedError) as error:
        if not gaps and not os.listdir(folder):
            raise WrongInput(
                f"{path} cannot be unpacked: {_said(error)}.", "Look whether it is whole."
            ) from error
        gaps.append(Gap(volume, "", f"the rest of it cannot be unpacked: {_said(error)}"))
    return gaps


def _put_all(members: Iterator[_Member], folder: str, volume: str, path: str, gaps: list[Gap]) -> None:
    room = shutil.disk_usage(folder).free
    for count, member in enumerate(members, start=1):
        shown = written(member.name)
        why = member.why or (f"its name {trouble}" if (trouble := trouble_with(shown)) else None)
        room -= member.size
        if room < 0 or count > _MOST:
            raise OwnerError(
                f"There is no room at {folder} for what {path} unpacks to "
                f"({amounts.size(shutil.disk_usage(folder).free)} free).",
                "Make room, or let TMPDIR name a place that has it.",
            )
        if why is None:
            why = _put(member, os.path.join(folder, native(shown)))
        if why is not None:
            sound = trouble_with(shown) is None
            gaps.append(Gap(volume, shown if sound else "", why if sound else f"{shown}: {why}"))


def _put(member: _Member, place: str) -> str | None:
    """Writes one member; why it did not come out, if so."""
    try:
        os.makedirs(os.path.dirname(place), exist_ok=True)
        left = member.size
        with member.stream() as stream, open(place, "xb") as file:  # type: ignore[operator]
            while run := stream.read(min(_RUN, left + 1)):
                left -= len(run)
                if left < 0:
                    raise ValueError("it is larger than it says")
                file.write(run)
        if left:
            raise ValueError("it is smaller than it says")
        os.utime(place, ns=(member.modified, member.modified))
        return None
    except FileExistsError:
        return "two of that name are in it"
    except OSError as error:
        if isinstance(error, IsADirectoryError | NotADirectoryError):
            return "a file and a folder of one name are in it"
        raise OwnerError(
            f"Unpacking stopped: {(error.strerror or str(error)).lower()} ({place}).",
            "Make room, or let TMPDIR name a place that has it.",
        ) from error
    except (
        ValueError,
        RuntimeError,
        NotImplementedError,
        EOFError,
        zipfile.BadZipFile,
        zlib.error,
        tarfile.TarError,
    ) as error:
        try:
            os.unlink(place)
        except OSError:
            pass  # it was never begun
        return f"it does not come out: {_said(error)}"


def _of_zip(pack: zipfile.ZipFile, zone: tzinfo | None) -> Iterator[_Member]:
    for info in pack.infolist():
        if info.is_dir():
            continue
        kind = stat.S_IFMT(info.external_attr >> 16)
        why = None
        if kind and not stat.S_ISREG(kind):
            why = "it is a link or a device, and handhold follows none"
        elif info.flag_bits & 1:
            why = "it needs a password"
        yield _Member(
            _plain(info.filename),
            info.file_size,
            _time_of(info, zone),
            why,
            lambda info=info: pack.open(info),
        )


def _of_tar(tar: tarfile.TarFile) -> Iterator[_Member]:
    for info in tar:
        if info.isdir():
            continue
        why = None if info.isreg() else "it is a link or a device, and handhold follows none"

        def stream(info: tarfile.TarInfo = info) -> IO[bytes]:
            found = tar.extractfile(info)
            assert found is not None  # it is an ordinary file
            return found

        yield _Member(_plain(info.name), info.size, _tar_time(info.mtime), why, stream)


def _tar_time(seconds: float) -> int:
    """A time in nanoseconds; that of a clock which was never set for what is no time that a file can have.

    >>> _tar_time(1.5), _tar_time(float("inf")), _tar_time(float("nan")), _tar_time(2**62)
    (1500000000, 0, 0, 0)
    """
    return int(seconds * NS) if abs(seconds) < _LATEST else 0


def _plain(name: str) -> str:
    """The name without the ``./`` that some writers put before each (common practice, no source)."""
    while name.startswith("./"):
        name = name[2:]
    return name


def _time_of(info: zipfile.ZipInfo, zone: tzinfo | None) -> int:
    extra = info.extra
    while len(extra) >= 4:
        kind, length = struct.unpack_from("<HH", extra)
        if kind == _TIMESTAMP and length >= 5 and len(extra) >= 9 and extra[4] & 1:
            return int(struct.unpack_from("<i", extra, 5)[0]) * NS
        extra = extra[4 + length :]
    try:
        return nanoseconds(datetime(*info.date_time, tzinfo=zone))
    except (ValueError, OverflowError):
        return 0


def _said(error: Exception) -> str:
    return (str(error) or type(error).__name__).rstrip(".")
