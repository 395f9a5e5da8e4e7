"""Looks over one folder without any layout: what is in it, and what recognition takes each file for."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Sequence
from typing import NamedTuple

from msgspec.structs import replace

from handhold.device.homes import LeftOut
from handhold.device.listing import Listed, Scan, joined, listed
from handhold.device.times import modified_of
from handhold.device.trouble import why_unreadable
from handhold.layouts.draft.sighting import Sighting
from handhold.layouts.recognition.recognise import HEAD, Seen, Surroundings, look_around, recognise
from handhold.names import written

#: After so many files the caller is told how far it has come.
_TELL_EVERY = 256


class Unread(NamedTuple):
    """A file or folder that could not be read."""

    path: str  # relative to the folder, in written form; "" is the folder itself
    why: str


class Glance(NamedTuple):
    """What was seen."""

    sightings: list[Sighting]
    unread: list[Unread]
    links: int  # links and other things that are no ordinary file, which were passed over
    place: str  # what the way to the folder says about it, as recognition names places


def glance(
    root: str,
    way: Sequence[str],
    leave_out: Sequence[str] = (),
    progress: Callable[[int], None] | None = None,
    *,
    scan: Scan = os.scandir,
) -> Glance:
    """Everything in one folder; links are not followed.

    ``root`` is where the volume begins, ``way`` the names from there down to the folder, as the operating
    system writes them; what stands above the folder counts as in a snapshot. ``root`` may be empty: then
    ``way`` holds the folder's path, of which only the last name counts, and the folder is taken for an
    emulator's, because the owner says so.
    """
    here, path = Surroundings.top(), root
    if root:
        for name in way:
            entries, _ = listed(scan, path)
            folders = [written(entry.name) for entry in entries if _is_folder(entry)]
            seen = [Seen(written(entry.name), 0, 0) for entry in entries if not _is_folder(entry)]
            here = look_around(here, seen, folders, lambda _: b"").into(written(name))
            path = joined(path, name)
    else:
        (path,) = way
        here = replace(here.into(written(os.path.basename(path))), emulation=True, noise=False)
    look = _Look(LeftOut(leave_out), progress, scan)
    look.run(path, here)
    return Glance(look.sightings, look.unread, look.links, here.place)


class _Look:
    def __init__(self, left_out: LeftOut, progress: Callable[[int], None] | None, scan: Scan) -> None:
        self.left_out = left_out
        self.progress = progress
        self.scan = scan
        self.sightings: list[Sighting] = []
        self.unread: list[Unread] = []
        self.links = 0
        self.told = 0

    def run(self, top: str, above: Surroundings) -> None:
        todo = [(top, "", above)]
        while todo:
            path, shown, here = todo.pop()
            if self.left_out.holds(path):
                continue
            entries, trouble = listed(self.scan, path)
            if trouble is not None:
                self.unread.append(Unread(shown, why_unreadable(trouble)))
            base = f"{shown}/" if shown else ""
            files: list[Seen] = []
            folders: dict[str, str] = {}  # written: as the system writes it
            natives: dict[str, str] = {}
            for entry in entries:
                name = written(entry.name)
                try:
                    status = entry.stat(follow_symlinks=False)
                except OSError as error:
                    self.unread.append(Unread(base + name, why_unreadable(error)))
                    continue
                if stat.S_ISDIR(status.st_mode):
                    folders[name] = entry.name
                elif stat.S_ISREG(status.st_mode):
                    natives[name] = entry.name
                    files.append(Seen(name, status.st_size, modified_of(status)))
                else:
                    self.links += 1

            def head(
                file: Seen, path: str = path, base: str = base, names: dict[str, str] = natives
            ) -> bytes:
                return self.head(joined(path, names[file.name]), base + file.name)

            names = list(folders)
            here = look_around(here, files, names, head)
            for file, looks in zip(files, recognise(here, files, names, head), strict=True):
                self.sightings.append(Sighting(base + file.name, file.size, looks))
            todo += [(joined(path, folders[n]), base + n, here.into(n)) for n in reversed(names)]
            if self.progress is not None and len(self.sightings) - self.told >= _TELL_EVERY:
                self.told = len(self.sightings)
                self.progress(self.told)

    def head(self, place: str, shown: str) -> bytes:
        """The first bytes of a file; nothing, with a note, if they cannot be read."""
        try:
            # Not to hang on a pipe that took the file's place.
            handle = os.open(place, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC)
            with open(handle, "rb", buffering=0) as stream:
                return stream.read(HEAD) if stat.S_ISREG(os.fstat(handle).st_mode) else b""
        except OSError as error:
            self.unread.append(Unread(shown, why_unreadable(error)))
            return b""


def _is_folder(entry: Listed) -> bool:
    try:
        return entry.is_dir(follow_symlinks=False)
    except OSError:
        return False
