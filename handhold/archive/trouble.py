"""What the operating system's errors mean where an archive lies."""

from __future__ import annotations

import errno

from handhold.errors import Damaged, NotNow, OwnerError


def told(error: OSError, where: str, name: str = "") -> OwnerError:
    """The same in the owner's words. ``where`` is the archive, ``name`` the file in it that is concerned.

    >>> told(OSError(errno.ENOSPC, "No space left on device"), "/card/archive").what
    'There is no room left at /card/archive.'
    """
    place = f"{where}/{name}" if name else where
    number = error.errno
    if number in (errno.ENOSPC, errno.EDQUOT):
        return OwnerError(f"There is no room left at {where}.", "Make room there, or use a larger card.")
    if number in (errno.EROFS, errno.EACCES, errno.EPERM):
        return OwnerError(
            f"{place}: {error.strerror}.",
            "Look whether the card is locked, and to whom the folder belongs.",
        )
    if number == errno.ELOOP:
        return OwnerError(
            f"{place} is a link.", "In an archive no link is followed: put the file itself there."
        )
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOTCONN, errno.ESTALE):
        return NotNow(f"{place} is gone: {error.strerror}.", "Look whether the card is in, then try again.")
    if number == errno.EIO:
        return Damaged(
            f"{place} cannot be read or written: the medium reports an error.",
            "Copy the archive to another card soon; handhold verify says what is hurt.",
        )
    return OwnerError(f"{place}: {error.strerror or error}.", "Look at that place, then try again.")
