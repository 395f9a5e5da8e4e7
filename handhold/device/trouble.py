"""What the operating system's errors mean for a player."""

from __future__ import annotations

import errno

_WORDS = {
    errno.EACCES: "it may not be read (permission denied)",
    errno.EPERM: "it may not be read (not permitted)",
    errno.ENOENT: "it was there a moment ago and is gone",
    errno.ENOTDIR: "it was a folder a moment ago and is none now",
    errno.EISDIR: "it is a folder, not a file",
    errno.ELOOP: "it is a link, and links are not followed",
    errno.ENXIO: "it is not an ordinary file",
    errno.EIO: "the storage could not read it (input/output error); the card may be failing",
    errno.EUCLEAN: "the file system on the storage is hurt at this place",
    errno.ENAMETOOLONG: "its path is too long to be read",
    errno.ENODEV: "the storage is gone; the card may have been pulled out",
    errno.ENOTCONN: "the storage is gone; it may have been disconnected",
    errno.ESTALE: "it was replaced while it was looked at",
}


def why_unreadable(error: OSError) -> str:
    """Why something could not be read, as half a sentence for a ``Gap``.

    >>> why_unreadable(PermissionError(13, "Permission denied"))
    'it may not be read (permission denied)'
    """
    known = _WORDS.get(error.errno or 0)
    if known:
        return known
    return f"it could not be read ({(error.strerror or str(error) or 'unknown error').lower()})"
