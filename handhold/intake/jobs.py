"""What is to be read of a device, and what came of it."""

from __future__ import annotations

import errno
from typing import Generic, NamedTuple, TypeVar

from handhold.device.trouble import why_unreadable

J = TypeVar("J")


class Job(NamedTuple, Generic[J]):
    """A file to read; ``about`` is the caller's own and comes back with the result."""

    place: str  # absolute path as the operating system writes it
    size: int  # bytes, as far as is known
    about: J
    open: bool = False  # a zip is cut at its members, and they are listed


class Content(NamedTuple):
    """What a file held when it was read."""

    sha256: str
    size: int
    modified: int  # nanoseconds
    recipe: str | None
    members: str | None = None  # the list of what lies in it
    odd: tuple[str, ...] = ()  # what is wrong with it as a zip, in words that fit behind a colon


class Unread(NamedTuple):
    """Why a file could not be read, in the owner's words."""

    why: str
    advice: str | None = None


MOVING = Unread(
    "it kept changing while it was read",
    "Close the emulator that writes it, then take the snapshot again.",
)


def unread(error: OSError) -> Unread:
    """An error of the operating system in words that help a player."""
    return Unread(why_unreadable(error), _ADVICE.get(error.errno or 0))


_ADVICE = {
    errno.EACCES: "Run handhold as a user who may read it.",
    errno.EPERM: "Run handhold as a user who may read it.",
    errno.EIO: "Copy what you can from that card and replace it.",
}
