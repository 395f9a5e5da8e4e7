"""What of a device could not be looked at: told as gaps, where something would have been kept."""

from __future__ import annotations

import stat
from typing import NamedTuple

from handhold.device.asking import Active, named
from handhold.device.claims import saves
from handhold.device.homes import ALLOW_READING, OWN_EXPORT, Homes, Start, barred_gap
from handhold.device.listing import Listed
from handhold.device.trouble import why_unreadable
from handhold.layouts.recognition.place import PACKAGE, Surroundings
from handhold.model import Gap, HomeKind, Site, Volume

#: Where a check of the file system puts what it found; only the system may look (common practice, no source).
_OF_THE_SYSTEM = "lost+found"


class Step(NamedTuple):
    """A folder that is still to be visited."""

    path: str  # canonical, as the operating system writes it
    volume: Volume
    shown: str  # relative to the volume, written form
    parent: int | None  # in the list of folders
    active: tuple[Active, ...]
    here: Surroundings | None = None  # what the way to it says; None where nothing is recognised
    into: str = ""  # its name, where ``here`` is what the way to the folder around it says


class Special(NamedTuple):
    """Something in a folder that is neither a file nor a folder."""

    shown: str
    entry: Listed
    mode: int


class Refused:
    """Tells what could not be looked at, as gaps of the walk."""

    def __init__(self, homes: Homes) -> None:
        self.homes = homes
        self.barred: set[Site] = set()  # the sites that are there and could not be listed

    def no_file_to_recognise(self, step: Step, here: Surroundings, odd: Special) -> None:
        """A link or the like outside all homes: told where a file would have been taken for a save."""
        if odd.entry.path in self.homes.followed:
            return
        why = _SPECIAL.get(stat.S_IFMT(odd.mode), "it is a link, and links are not followed")
        place = here.place
        if stat.S_ISLNK(odd.mode):
            try:
                if odd.entry.is_dir():
                    place = here.into(odd.shown).place
            except OSError:
                why = "it is a link that leads nowhere"
        if place in ("saves", "states"):
            path = f"{step.shown}/{odd.shown}" if step.shown else odd.shown
            advice = "Put the file or folder itself in its place if it should be kept."
            self.gap(Gap(step.volume.name, path, why, None, advice if stat.S_ISLNK(odd.mode) else None))

    def no_listing(
        self, step: Step, active: tuple[Active, ...], starts: list[Start], trouble: OSError
    ) -> None:
        """A folder could not be listed, or not to its end."""
        if starts:
            for start in starts:
                emulator, kind = start.layout.id, start.site.kind
                self.homes.blocked.setdefault(emulator, kind)
                self.barred.add(start.site)
                if kind is not HomeKind.PRIVATE or not self.homes.within_reach(emulator):
                    self.gap(barred_gap(step.volume.name, step.shown, emulator, kind, trouble))
            return
        if step.path in self.homes.told:
            return
        gone = isinstance(trouble, FileNotFoundError | NotADirectoryError)
        if not active and (gone or (step.shown == _OF_THE_SYSTEM and isinstance(trouble, PermissionError))):
            return
        # A rule that leaves out what lies in the folder leaves out the folder.
        owner = named(active, "x")
        if owner is not None and not saves(owner[1]):
            return
        self.gap(
            Gap(
                volume=step.volume.name,
                path=step.shown,
                why=f"the folder cannot be listed: {why_unreadable(trouble)}",
                emulator=active[-1].emulator if active else None,
                advice=None if active else OWN_EXPORT if _private(step.shown) else ALLOW_READING,
            )
        )

    def no_file(
        self, step: Step, path: str, active: tuple[Active, ...], shown: str, trouble: OSError
    ) -> None:
        """A name was listed, and nothing could be learned about what it names."""
        owner = named(active, shown)
        if owner is None and isinstance(trouble, FileNotFoundError):
            return
        if owner is not None and not saves(owner[1]):
            return
        emulator = owner[0].emulator if owner else None
        self.gap(Gap(volume=step.volume.name, path=path, why=why_unreadable(trouble), emulator=emulator))

    def no_ordinary_file(
        self, step: Step, path: str, active: tuple[Active, ...], shown: str, entry: Listed, mode: int
    ) -> None:
        """A link, a socket, a pipe or a device: told where a rule would have kept it, and never opened."""
        why, advice, emulator = _SPECIAL.get(stat.S_IFMT(mode), "it is not an ordinary file"), None, None
        owner = named(active, shown)
        if stat.S_ISLNK(mode):
            if entry.path in self.homes.followed:
                return
            owner = owner or named(active, f"{shown}/x")
            advice = "Put the file itself in its place if it should be kept."
            try:
                leads_to_folder = entry.is_dir()
                entry.stat()
                why = "it is a link, and links are not followed"
            except OSError:
                leads_to_folder = False
                why = "it is a link that leads nowhere"
            if leads_to_folder:
                why = "it is a link to a folder, and links are not followed"
                advice = "Put the folder itself in its place if it should be kept."
                emulator = active[-1].emulator
                if owner is not None and not saves(owner[1]):
                    return
        if owner is not None and saves(owner[1]):
            emulator = owner[0].emulator
        if emulator is not None:
            self.gap(Gap(volume=step.volume.name, path=path, why=why, emulator=emulator, advice=advice))

    def gap(self, gap: Gap) -> None:
        """Something that should have been kept could not be."""
        self.homes.gaps.append(gap)


def _private(shown: str) -> bool:
    """Whether a folder is a program's private storage, or holds that of all programs.

    Source: Android Developers, Data and file storage overview (app-specific storage, Android/data)
    """
    names = shown.split("/")
    return [name.casefold() for name in names[:2]] == ["android", "data"] or any(
        map(PACKAGE.fullmatch, names)
    )


_SPECIAL = {
    stat.S_IFSOCK: "it is a socket, not a file",
    stat.S_IFIFO: "it is a pipe, not a file",
    stat.S_IFBLK: "it is a device, not a file",
    stat.S_IFCHR: "it is a device, not a file",
}
