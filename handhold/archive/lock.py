"""One writer at a time, and who it is.

The lock is the operating system's (``flock``), so it ends with the process that holds it, however that ends.
Who holds it stands in a note beside it; the note is only for the message and never decides anything.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
import stat
import time
from collections.abc import Iterator
from contextlib import contextmanager

from handhold.archive.trouble import told
from handhold.errors import NotNow, OwnerError

#: The files at the archive's root that the lock leaves there.
LOCK, NOTE = ".lock", ".lock-note"
#: What the system answers where another holds it; some file systems say that it may not be had.
_HELD = (errno.EAGAIN, errno.EWOULDBLOCK, errno.EACCES)
_WITHOUT_LOCKS = (errno.ENOSYS, errno.EOPNOTSUPP)
_TRIES, _PAUSE = 3, 0.05  # a note is written just after the lock is taken: wait that long for it, in seconds


@contextmanager
def hold(root: str, purpose: str) -> Iterator[str]:
    """Holds the archive in the folder ``root`` until the block ends.

    Gives who held it last and did not end as it should ("" if that one did): a run that died, or one on
    another machine, if the file system between does not pass locks on. Raises ``NotNow`` that says who holds
    it, and ``OwnerError`` if the folder cannot be written to.
    """
    note = os.path.join(root, NOTE)
    try:
        there = stat.S_ISDIR(os.stat(root).st_mode)
    except OSError as error:
        raise told(error, _shown(root)) from error
    if not there:
        raise NotNow(f"The archive {_shown(root)} is gone.", "Look whether the card is in.")
    try:
        lock = _taken(os.path.join(root, LOCK))
    except OSError as error:
        if error.errno in _WITHOUT_LOCKS:
            raise OwnerError(
                f"The archive {_shown(root)} lies on a file system without locks.",
                "Put it on a card or a disk of this machine.",
            ) from None
        if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
            raise OwnerError(
                f"The archive {_shown(root)} cannot be written to: {error.strerror or error}.",
                "Look whether the card is locked, and to whom the folder belongs.",
            ) from error
        raise told(error, _shown(root)) from error
    if lock is None:
        raise NotNow(
            f"The archive {_shown(root)} is in use: {_holder(note) or 'another run of handhold holds it'}.",
            "Wait until that has ended, then try again.",
        )
    try:
        left = _holder(note, tries=1)
        _leave(note, purpose)
        yield left
    finally:
        try:
            os.unlink(note)
        except OSError:
            pass  # an old note says nothing while nobody holds the lock
        fcntl.flock(lock, fcntl.LOCK_UN)
        os.close(lock)


def _taken(path: str) -> int | None:
    """The lock's file, opened and held; None while another holds it. Raises ``OSError``.

    Source: flock(2) of the Linux manual pages (the lock belongs to the open file and ends with it)
    """
    # Neither through a link nor waiting for a pipe. Nobody removes the file: two could then hold one each.
    flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    file = os.open(path, flags, 0o644)
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        if os.fstat(file).st_nlink:
            return file
    except OSError as error:
        if error.errno not in _HELD:
            os.close(file)
            raise
    os.close(file)  # held by another, or deleted in that moment
    return None


def _leave(note: str, purpose: str) -> None:
    import json

    since = time.strftime("%Y-%m-%d %H:%M:%S")
    text = json.dumps({"host": os.uname().nodename, "pid": os.getpid(), "since": since, "purpose": purpose})
    try:
        flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
        file = os.open(note, flags, 0o644)
        try:
            os.write(file, text.encode())
        finally:
            os.close(file)
    except OSError:
        pass  # a full card must not keep anybody from making room on it


def _holder(note: str, tries: int = _TRIES) -> str:
    """Who the note names, "" if nobody; it can come from a stranger, so only plain text of it is shown."""
    import json

    for left in reversed(range(tries)):
        try:
            file = os.open(note, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
            try:
                said = json.loads(os.read(file, 4096))
            finally:
                os.close(file)
            shown = {
                key: re.sub(r"[^ -~]", "?", str(said[key]))[:60]
                for key in ("host", "pid", "since", "purpose")
            }
            return f"{shown['purpose']} on {shown['host']}, process {shown['pid']}, since {shown['since']}"
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            if left:
                time.sleep(_PAUSE)
    return ""


def _shown(root: str) -> str:
    return root.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
