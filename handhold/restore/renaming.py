"""Gives a finished temporary file its name, and never takes the name from a file that came meanwhile."""

from __future__ import annotations

import ctypes
import errno
import os
from collections.abc import Callable
from functools import cache

# Source: Linux man-pages, renameat2(2): RENAME_NOREPLACE
_NOREPLACE = 1
_CANNOT = frozenset({errno.ENOSYS, errno.EINVAL, errno.EPERM, errno.EOPNOTSUPP, errno.EMLINK, errno.EXDEV})


def name_new(folder: int, temporary: str, name: str) -> None:
    """Renames within an open folder, where nothing has that name yet.

    Raises ``FileExistsError`` if something has. Where a file system can neither rename so nor link, the name
    is looked at just before.
    """
    rename = _renameat2()
    if rename is not None:
        number = rename(folder, os.fsencode(temporary), os.fsencode(name))
        if number == 0:
            return
        if number not in _CANNOT:
            raise OSError(number, os.strerror(number), name)
    try:
        os.link(temporary, name, src_dir_fd=folder, dst_dir_fd=folder, follow_symlinks=False)
    except OSError as error:
        if error.errno not in _CANNOT:
            raise
    else:
        os.unlink(temporary, dir_fd=folder)
        return
    try:
        os.stat(name, dir_fd=folder, follow_symlinks=False)
    except FileNotFoundError:
        os.rename(temporary, name, src_dir_fd=folder, dst_dir_fd=folder)
        return
    raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), name)


def flush_all(handle: int) -> bool:
    """Flushes the whole file system on which an open file lies; False where the system cannot."""
    sync = _syncfs()
    return sync is not None and sync(handle) == 0


@cache
def _renameat2() -> Callable[[int, bytes, bytes], int] | None:
    """The system's own call, for which Python has no name; returns the error's number, 0 if there is none."""
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return None
    call.argtypes = [ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint]
    call.restype = ctypes.c_int

    def rename(folder: int, old: bytes, new: bytes) -> int:
        return 0 if call(folder, old, folder, new, _NOREPLACE) == 0 else ctypes.get_errno()

    return rename


@cache
def _syncfs() -> Callable[[int], int] | None:
    try:
        call = ctypes.CDLL(None, use_errno=True).syncfs
    except (OSError, AttributeError):
        return None
    call.argtypes = [ctypes.c_int]
    call.restype = ctypes.c_int

    def sync(handle: int) -> int:
        return int(call(handle))

    return sync
