"""The nouns of handhold, as in README: parts, homes, volumes, entries, gaps.

Values only: frozen, typed, no I/O. Names and paths are in written form (see ``handhold.names``).
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from enum import StrEnum

import msgspec

#: Gives the time of day with the owner's offset; handed in, so that tests and the demo have their own.
Clock = Callable[[], datetime]

NS = 1_000_000_000
#: A clock that says less was never set: handhelds with an empty battery wake up in a year before this
#: (common practice, no source). The same in nanoseconds since 1970.
EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
EARLIEST_NS = 946_684_800 * NS


def nanoseconds(time: datetime) -> int:
    """An aware time as nanoseconds since 1970-01-01T00:00:00Z."""
    return int(time.timestamp()) * NS + time.microsecond * 1000


class Part(StrEnum):
    """What kind of data a file is."""

    SAVES = "saves"
    STATES = "states"
    CHEATS = "cheats"
    SETTINGS = "settings"
    CONTROLS = "controls"
    LIBRARY = "library"
    FIRMWARE = "firmware"
    TEXTURES = "textures"
    PICTURES = "pictures"
    GAMES = "games"
    CACHE = "cache"

    @property
    def kept(self) -> bool:
        """Whether a snapshot keeps it unless told otherwise."""
        return self not in (Part.GAMES, Part.CACHE)

    @property
    def carried(self) -> bool:
        """Whether a restore onto another device brings it along unless told otherwise.

        Button mappings belong to one handheld (common practice, no source).
        """
        return self not in (Part.CONTROLS, Part.GAMES, Part.CACHE)


class HomeKind(StrEnum):
    """How the data in a home is reached."""

    FOLDER = "folder"
    GAMES = "games"
    PRIVATE = "private"
    EXPORT = "export"


class Kind(StrEnum):
    """What a manifest records."""

    NIGHT = "night"  # a whole snapshot of a device
    SAFETY = "safety"  # what stood at the places that a restore was about to write
    RESTORED = "restored"  # what a restore wrote, and so stood on the device from then on
    ADOPTED = "adopted"  # an old backup that was taken in later; says nothing of what it does not hold


class Traits(msgspec.Struct, frozen=True):
    """What a file system can hold and how well it tells time."""

    filesystem: str
    step_ns: int = 1  # the smallest difference between two modification times
    local_time: bool = False  # times are kept without an offset: they move with the time zone
    folds_case: bool = False  # two names that differ only by case are one
    refused: str = ""  # characters that no name may have, besides "/" and NUL
    largest_file: int | None = None  # bytes
    cluster: int = 4096  # bytes; a file takes whole clusters

    @property
    def blur_ns(self) -> int:
        """By how much two times on this volume can differ without meaning anything.

        2 seconds, the step of FAT; 14 hours where local time is kept, the largest offset from UTC in use.
        """
        return 14 * 3600 * NS if self.local_time else 2 * NS


class Volume(msgspec.Struct, frozen=True):
    """One storage root of a device."""

    name: str
    path: str  # as the operating system writes it
    traits: Traits


class Device(msgspec.Struct, frozen=True):
    """One handheld, by the name that its owner gave it."""

    name: str
    volumes: tuple[Volume, ...]
    missing: tuple[Gap, ...] = ()  # one for each volume that it should have and that is not there

    def volume(self, name: str) -> Volume | None:
        """The volume of that name."""
        return next((v for v in self.volumes if v.name == name), None)


class Site(msgspec.Struct, frozen=True):
    """A home as it was found on a device: where it lies.

    ``home`` is the home's name in the layout; where one home was found at several places, all but the first
    have ``@`` and the volume (and a number, if need be) behind the name, so that nothing is left out.
    """

    emulator: str
    home: str
    kind: HomeKind
    volume: str
    path: str  # relative to the volume; "" is the volume's root


class Entry(msgspec.Struct, frozen=True, omit_defaults=True, gc=False):
    """One kept file in a snapshot.

    ``sha256`` is the digest of the whole file in hexadecimal, as ``sha256sum`` prints it. A file that is
    stored as one block is named by it; a file of several blocks has a ``recipe``, the id of the block that
    lists the ranges which make it up; an empty file has neither block nor recipe. ``members`` is the id of
    the list of what lies in it, if it is a zip.
    """

    emulator: str
    part: Part
    home: str
    path: str  # relative to the home
    size: int  # bytes
    modified: int  # nanoseconds since 1970-01-01T00:00:00Z, as the volume gave it
    sha256: str
    game: str | None = None
    recipe: str | None = None
    members: str | None = None

    @property
    def identity(self) -> Identity:
        """What makes it the same save across nights and devices."""
        return (self.emulator, self.part, self.path)

    @property
    def key(self) -> tuple[str, str, str]:
        """The order of entries in a manifest."""
        return (self.emulator, self.home, self.path)


#: (emulator, part, path in the home)
Identity = tuple[str, Part, str]


class Gap(msgspec.Struct, frozen=True, omit_defaults=True):
    """Something that should have been kept and could not be, with the reason in the owner's words."""

    volume: str
    path: str  # relative to the volume; "" is the volume's root
    why: str
    emulator: str | None = None
    advice: str | None = None
