"""An export as a plain folder."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable

from handhold.errors import WrongInput
from handhold.interchange.sink import SUMS, Refused, sums_line
from handhold.model import Entry
from handhold.names import native, trouble_with

#: Errors that concern the storage and not one file: nothing more can be written.
_STORAGE = {errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EROFS, errno.ENODEV, errno.ENOTCONN, errno.ENXIO}

#: Errors with which file systems refuse a name in a folder that can be written: drivers are not of one mind
#: (seen: ``ENOENT`` on exFAT, ``EPERM`` on FAT, both through FUSE).
_NAMES = {errno.EINVAL, errno.ENAMETOOLONG, errno.EILSEQ, errno.ENOENT, errno.EPERM}


class Folder:
    """Writes files below ``root``, which is new or empty. The list of digests is written last."""

    def __init__(self, root: str) -> None:
        _begin(root)
        self.root = root
        self._sums: list[bytes] = []

    def add(self, path: str, entry: Entry, content: Iterable[bytes]) -> None:
        """Writes one file with its time. Raises ``Refused`` and ``OSError``."""
        name = native_or_refused(path)
        place = os.path.join(self.root, name)
        try:
            put(place, content)
            os.utime(place, ns=(entry.modified, entry.modified))
        except (OSError, OverflowError) as error:
            if isinstance(error, OSError) and error.errno in _STORAGE:
                raise
            raise Refused(_why(error)) from error
        self._sums.append(sums_line(entry.sha256, os.fsencode(name)))

    def note(self, name: str, text: str) -> None:
        """Writes a text beside the files."""
        put(os.path.join(self.root, name), [text.encode()])

    def finish(self) -> None:
        """Writes the list of digests, and waits until the storage has everything."""
        put(os.path.join(self.root, SUMS), self._sums)
        os.sync()


def native_or_refused(path: str) -> str:
    """The path for the operating system. Raises ``Refused`` for one that leads elsewhere."""
    if trouble := trouble_with(path):
        raise Refused(f"its path {trouble}")
    return native(path)


def put(place: str, content: Iterable[bytes]) -> None:
    """Writes a new file, under another name until it is whole. Raises ``OSError``, also if it is there."""
    folder = os.path.dirname(place)
    os.makedirs(folder, exist_ok=True)
    # On a card that does not tell case apart this also finds a file whose name differs only by case.
    if os.path.lexists(place):
        raise FileExistsError(errno.EEXIST, "another file of the export has this name here", place)
    partial = os.path.join(folder, "new-export.part")
    try:
        with open(partial, "xb") as file:
            for run in content:
                file.write(run)
        os.rename(partial, place)
    except BaseException:
        try:
            os.unlink(partial)
        except OSError:
            pass  # the storage is gone; what was wrong is told anyway
        raise


def _begin(root: str) -> None:
    try:
        os.makedirs(root, exist_ok=True)
        taken = os.listdir(root)
    except (FileExistsError, NotADirectoryError):
        raise WrongInput(f"{root} is there already and is no folder.", "Name a folder that is new.") from None
    if taken:
        raise WrongInput(
            f"The folder {root} is not empty.", "Name a folder that is new or empty; nothing is overwritten."
        )


def _why(error: OSError | OverflowError) -> str:
    if isinstance(error, OverflowError):
        return "its time cannot be written here"
    if error.errno in _NAMES:
        return "its name cannot be written on this storage"
    if error.errno == errno.EFBIG:
        return "it is too large for this storage"
    return (error.strerror or str(error)).lower()
