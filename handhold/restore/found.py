"""Values that a plan is made from: where an entry goes, and what stands there."""

from __future__ import annotations

from enum import StrEnum

import msgspec

from handhold.archive.standing import ELSEWHERE
from handhold.model import Entry, Site, Traits


class What(StrEnum):
    """What stands at a place."""

    NOTHING = "nothing"
    FILE = "file"
    FOLDER = "folder"
    LINK = "link"
    OTHER = "other"  # a pipe, a socket, a device
    UNREADABLE = "unreadable"


class Target(msgspec.Struct, frozen=True):
    """Where one home of one emulator goes on the device at hand.

    ``base`` is the folder that is trusted; nothing below it is reached over a link. ``below`` is the way from
    it to the home (written form, ``""``: the base itself). ``site`` is how manifests record the home; its
    volume is ``ELSEWHERE`` where the home is no place of the device itself.
    """

    site: Site
    base: str  # absolute, as the operating system writes it
    below: str
    traits: Traits
    storage: str  # which free room it takes from: equal for homes on one file system
    read_only: bool = False
    filled: bool = False  # whether the base held anything when it was looked at
    own_layout: bool = True  # False: only the archive says that the home lies there
    note: str = ""  # what the owner should know of the place

    @property
    def here(self) -> bool:
        """Whether what is written there stands on the device from then on, as far as its history goes."""
        return self.site.volume != ELSEWHERE

    def way(self, path: str) -> str:
        """The way from the base to a path in the home, in written form."""
        return f"{self.below}/{path}" if self.below else path


class NoTarget(msgspec.Struct, frozen=True):
    """Why a home has no place on the device at hand, and what the owner can do: a step by hand."""

    why: str


class Found(msgspec.Struct, frozen=True):
    """What stands at a target. Times in nanoseconds UTC, size in bytes."""

    what: What = What.NOTHING
    size: int = 0
    modified: int = 0
    sha256: str = ""
    inode: int = 0
    changed: int = 0  # when anything about the file last changed, where its file system keeps that
    why: str = ""  # what is in the way, or why it cannot be read
    beside: tuple[tuple[str, str], ...] = ()  # name and sha256 of files that stand under a name for ``both``


NOTHING = Found()


class Wish(msgspec.Struct, frozen=True):
    """One entry that is to be put back, and all that is known about its place."""

    entry: Entry
    target: Target | NoTarget
    found: Found = NOTHING
    carried: bool = True  # False: it belongs to one handheld, and this is another
    blur_ns: int = 0  # by how much the entry's own time can differ without meaning anything
    held: bool = True  # False: the archive cannot give the entry's content
    made: bool = False  # no snapshot holds it as such: it is put into the archive before it is written
    copied: bool = False  # what stands there is a copy of the entry with other places in it
    copy: Entry | None = None  # what is written instead: the entry with other places in it


class Room(msgspec.Struct, frozen=True):
    """Room on one file system, for messages by ``name``. Bytes."""

    name: str
    free: int
