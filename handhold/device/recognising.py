"""What no layout claims, looked at in the same pass: saves and states go to the emulator whose folder it is.

An emulator that no layout speaks of is *recognised*: it has its id and its title from the folder that plays
its role. Its id depends on that folder's own name and on the ids of the layouts only, and the name of its
home on the volume and the folder's path, whatever its case, so that both stay what they are from night to
night, whatever else comes onto the device. Folders of one name are one emulator, wherever they lie.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import NamedTuple

import msgspec
from msgspec.structs import replace

from handhold.device.listing import folded
from handhold.layouts.recognition.looks import HEAD, SURE, Looks, Seen
from handhold.layouts.recognition.place import PACKAGE, Surroundings
from handhold.layouts.recognition.role import emulator_id, role
from handhold.layouts.recognition.signals import signals
from handhold.model import HomeKind, Part, Site

KEPT = (Part.SAVES, Part.STATES)
#: The home of a recognised emulator, as ``site_of`` names it. No home of a layout is found under such a name.
_QUOTED = re.compile('"[^"]*"')
_HOME = re.compile(r"found@[^@]+@[0-9a-f]{8}")
LOOSE_TITLE = "Loose files"
#: Why a file was recognised that is as it was on the last night.
AS_THEN = "it was recognised before, and nothing has changed"


class Reason(NamedTuple):
    """Why files of an emulator were recognised, and how many of them for this reason."""

    part: Part
    why: str
    files: int


class Recognised(msgspec.Struct):
    """What recognition found of one emulator; ``title`` is None where a layout has one."""

    title: str | None = None
    reasons: dict[tuple[Part, str], int] = {}

    def listed(self) -> list[Reason]:
        """The reasons, those for the most files first."""
        rows = [Reason(part, why, files) for (part, why), files in self.reasons.items()]
        return sorted(rows, key=lambda row: (-row.files, row.part, row.why))


def is_found(home: str) -> bool:
    """Whether the home of this name is a recognised emulator's.

    >>> is_found("found@card@0123abcd"), is_found("found@card@2"), is_found("main")
    (True, False, False)
    """
    return _HOME.fullmatch(home) is not None


def title_of(role_path: str) -> str:
    """What a recognised emulator is called: as the folder that plays its role.

    >>> title_of("Emulation/Tinplate"), title_of("")
    ('Tinplate', 'Loose files')
    """
    return role_path.rpartition("/")[2] or LOOSE_TITLE


def role_of(folder: str) -> str:
    """The path of the folder that plays the role of the emulator whose a save in this folder is.

    What no folder has a name for lies in the first folder for a part, not in the root.
    """
    return role(folder) or folder.partition("/")[0]


def below_role(role_path: str, folder: str) -> str:
    """The path of a folder in the home that lies at ``role_path``; both are relative to the volume.

    >>> below_role("Tinplate", "Tinplate/saves/a"), below_role("", "saves"), below_role("saves", "saves")
    ('saves/a', 'saves', '')
    """
    return folder[len(role_path) :].lstrip("/") if role_path else folder


def site_of(volume: str, role_path: str, taken: Collection[str], twin: bool = False) -> Site:
    """The place of a recognised emulator. ``taken`` are the ids of the layouts. Pure.

    ``twin``: there is another folder of that path but for its case, which some volumes can hold.

    >>> site_of("card", "Emulation/Tinplate", ()).emulator
    'tinplate'
    """
    name = role_path.rpartition("/")[2]
    # By the folded name alone: not by what else is there tonight, nor by where the folder lies.
    emulator = emulator_id(folded(name), taken)
    here = surroundings_of(role_path)
    if PACKAGE.fullmatch(name):
        kind = HomeKind.PRIVATE
    else:
        kind = HomeKind.GAMES if here.place == "games" else HomeKind.FOLDER
    told = f"{role_path}\0twin" if twin else folded(role_path)
    digest = hashlib.sha256(told.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return Site(emulator, f"found@{volume}@{digest}", kind, volume, role_path)


class Undecided(NamedTuple):
    """A file that no layout names: which of the folder's files, and where it lies."""

    at: int
    place: str  # absolute, as the operating system writes it


class Sight(NamedTuple):
    """What one file was taken for; ``trouble`` is why it could not be opened, if that may have mattered."""

    looks: Looks
    trouble: OSError | None

    @property
    def kept(self) -> bool:
        """Whether a snapshot keeps it."""
        return self.looks.part in KEPT and self.looks.confidence >= SURE


class Recognition:
    """Looks at the folders of one walk."""

    def __init__(self, taken: Collection[str]) -> None:
        self._taken = frozenset(taken)
        self._sites: dict[tuple[str, str], Site] = {}
        self._by_folder: dict[tuple[str, str], Site] = {}
        self._caseless: dict[tuple[str, str], str] = {}
        self._tag = signals().tag_name
        self.found: dict[str, Recognised] = {}

    @property
    def sites(self) -> list[Site]:
        """The places of the recognised emulators that something was found of, by id."""
        return sorted(self._sites.values(), key=lambda site: (site.emulator, site.home))

    def around(
        self, here: Surroundings, files: Sequence[str], folders: Sequence[str], path: Callable[[str], str]
    ) -> Surroundings:
        """What a folder says about what lies in it. ``path`` gives the place of one of its files."""
        known = signals()
        return here.among(
            files, folders, lambda: self._head(path(known.tag_name)).startswith(known.tag_begins)
        )

    def look(
        self,
        here: Surroundings,
        files: Sequence[Seen],
        folders: Sequence[str],
        undecided: Sequence[Undecided],
    ) -> list[Sight]:
        """What the undecided files of a folder are. The others are seen as neighbours and never opened."""
        # It takes a while to load, and on most nights no file has to be looked at.
        from handhold.layouts.recognition.recognise import recognise

        places = {files[each.at].name: each.place for each in undecided}
        troubles: dict[str, OSError] = {}

        def head(file: Seen) -> bytes:
            place = places.get(file.name)
            if place is None:
                return b""
            try:
                return self._head(place, silent=False)
            except OSError as error:
                troubles[file.name] = error
                return b""

        looks = recognise(here, files, folders, head)
        sights = []
        for each in undecided:
            name = files[each.at].name
            told = looks[each.at]
            mattered = told.part is None or told.part in KEPT
            sights.append(Sight(told, troubles.get(name) if mattered else None))
        return sights

    def site(self, volume: str, folder: str) -> Site:
        """Whose a save in this folder is (relative to the volume), where it lies in no home of a layout."""
        site = self._by_folder.get((volume, folder))
        if site is None:
            path = role_of(folder)
            site = self._sites.get((volume, path))
            if site is None:
                twin = self._caseless.setdefault((volume, folded(path)), path) != path
                site = site_of(volume, path, self._taken, twin)
                if not role(folder):
                    site = replace(site, emulator=emulator_id("", self._taken))
                self._sites[volume, path] = site
            self._by_folder[volume, folder] = site
            known = self.found.setdefault(site.emulator, Recognised())
            known.title = known.title or title_of(role(folder))
        return site

    def note(self, emulator: str, name: str, looks: Looks) -> None:
        """Counts why a file was recognised. Reasons that name files named after it are one reason."""
        assert looks.part is not None
        reasons = self.found.setdefault(emulator, Recognised()).reasons
        why = "; ".join(looks.reasons)
        stem = name.partition(".")[0]
        if stem and stem in why:
            why = _QUOTED.sub(lambda quote: "a file" if stem in quote[0] else quote[0], why)
        key = (looks.part, why)
        reasons[key] = reasons.get(key, 0) + 1

    def note_again(self, emulator: str, parts: Mapping[Part, int]) -> None:
        """Counts files, by part, that stand for what they were recognised as on the last night."""
        reasons = self.found.setdefault(emulator, Recognised()).reasons
        for part, files in parts.items():
            reasons[part, AS_THEN] = reasons.get((part, AS_THEN), 0) + files

    def _head(self, place: str, *, silent: bool = True) -> bytes:
        """The first bytes of a plain file. A link is not followed, and a pipe does not make us wait."""
        try:
            handle = os.open(place, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC)
            try:
                return os.read(handle, HEAD) if stat.S_ISREG(os.fstat(handle).st_mode) else b""
            finally:
                os.close(handle)
        except OSError:
            if silent:
                return b""
            raise


def surroundings_of(shown: str) -> Surroundings:
    """What the way to a folder says, by the names on it alone; ``shown`` is relative to the volume."""
    here = Surroundings.top()
    for name in shown.split("/") if shown else ():
        here = here.into(name)
    return here
