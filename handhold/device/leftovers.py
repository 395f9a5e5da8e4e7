"""What nobody claims, summarised: the highest folders in which no layout names anything."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import msgspec

from handhold.device.claims import Unclaimed
from handhold.model import Part

#: So many files of one folder are named one by one; more are told as one.
MOST_SINGLE = 50

NO_HOME = "no layout has a home here"


class Taken(NamedTuple):
    """What a file was taken for; ``unknown`` if it could be a save, but too little speaks for it."""

    part: Part | None
    why: str
    unknown: bool


NOT_LOOKED_AT = Taken(None, "", False)


class Single(NamedTuple):
    """A file directly in a folder."""

    name: str
    size: int
    modified: int
    taken: Taken


class Folder(msgspec.Struct):
    """One folder of a walk. Parents stand before their folders in the list of all."""

    parent: int | None  # None for the root of a volume
    volume: str
    path: str  # relative to the volume, written form
    home_of: str | None = None  # the emulator of the innermost home that it lies in
    known: bool = False  # a home begins here, or a file directly in it is claimed or skipped
    files: int = 0  # directly in it, that nobody claims
    bytes: int = 0
    newest: int | None = None
    single: list[Single] = []  # the first ones
    parts: dict[Part | None, int] = {}  # what they were taken for
    unknown: int | None = None  # the newest of those that could be saves

    def add(self, name: str, size: int, modified: int, taken: Taken = NOT_LOOKED_AT) -> None:
        """Notes a file directly in it that nobody claims."""
        self.files += 1
        self.bytes += size
        self.newest = _later(self.newest, modified)
        self.parts[taken.part] = self.parts.get(taken.part, 0) + 1
        if taken.unknown:
            self.unknown = _later(self.unknown, modified)
        if len(self.single) < MOST_SINGLE:
            self.single.append(Single(name, size, modified, taken))


def unclaimed(folders: Sequence[Folder]) -> list[Unclaimed]:
    """The summary of a walk's folders, in their order; a volume's root is never summed up as one."""
    known = [folder.known or folder.parent is None for folder in folders]
    files = [folder.files for folder in folders]
    size = [folder.bytes for folder in folders]
    newest = [folder.newest for folder in folders]
    unknown = [folder.unknown for folder in folders]
    parts = [folder.parts for folder in folders]
    for index in range(len(folders) - 1, -1, -1):
        parent = folders[index].parent
        if parent is None:
            continue
        known[parent] |= known[index]
        files[parent] += files[index]
        size[parent] += size[index]
        newest[parent] = _later(newest[parent], newest[index])
        unknown[parent] = _later(unknown[parent], unknown[index])
        if not known[parent]:  # else it is not summed up
            parts[parent] = _together(parts[parent], parts[index])
    found: list[Unclaimed] = []
    for index, folder in enumerate(folders):
        parent = folder.parent
        if known[index]:
            found += _loose(folder)
        elif files[index] and parent is not None and known[parent]:
            part, looks = _mostly(parts[index])
            found.append(
                Unclaimed(
                    folder.volume,
                    folder.path,
                    files[index],
                    size[index],
                    newest[index],
                    part,
                    _why(folder) + looks,
                    unknown[index],
                )
            )
    return found


def _loose(folder: Folder) -> list[Unclaimed]:
    """The files directly in a folder that also holds something known."""
    if folder.files > MOST_SINGLE:
        part, looks = _mostly(folder.parts)
        why = f"{folder.files} files directly in it: {_why(folder)}{looks}"
        return [
            Unclaimed(
                folder.volume,
                folder.path,
                folder.files,
                folder.bytes,
                folder.newest,
                part,
                why,
                folder.unknown,
            )
        ]
    start = f"{folder.path}/" if folder.path else ""
    return [
        Unclaimed(
            folder.volume,
            start + one.name,
            1,
            one.size,
            one.modified,
            one.taken.part,
            f"{_why(folder)}; {one.taken.why}" if one.taken.why else _why(folder),
            one.modified if one.taken.unknown else None,
        )
        for one in folder.single
    ]


def _mostly(parts: Mapping[Part | None, int]) -> tuple[Part | None, str]:
    """The part that most files were taken for, if most were taken for any; and that in words."""
    named = {part: count for part, count in parts.items() if part is not None}
    if not named:
        return None, ""
    most = max(named, key=lambda part: (named[part], part))
    said = ", ".join(f"{part.value} ({named[part]:,})" for part in Part if part in named)
    return (most if 2 * named[most] >= sum(parts.values()) else None), f"; in it: {said}"


def _together(one: dict[Part | None, int], other: dict[Part | None, int]) -> dict[Part | None, int]:
    if not one or not other:
        return one or other
    return {
        part: one.get(part, 0) + other.get(part, 0) for part in (*one, *(p for p in other if p not in one))
    }


def _why(folder: Folder) -> str:
    return f"no rule of {folder.home_of} names it" if folder.home_of else NO_HOME


def _later(one: int | None, other: int | None) -> int | None:
    if one is None or other is None:
        return other if one is None else one
    return max(one, other)
