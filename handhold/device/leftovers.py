"""What nobody claims, summarised: the highest folders in which no layout names anything."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from handhold.device.claims import Unclaimed

#: So many files of one folder are named one by one; more are told as one.
MOST_SINGLE = 50

NO_HOME = "no layout has a home here"


@dataclass(slots=True)
class Folder:
    """One folder of a walk. Parents stand before their folders in the list of all."""

    parent: int | None  # None for the root of a volume
    volume: str
    path: str  # relative to the volume, written form
    home_of: str | None = None  # the emulator of the innermost home that it lies in
    known: bool = False  # a home begins here, or a file directly in it is claimed or skipped
    files: int = 0  # directly in it, that nobody claims
    bytes: int = 0
    newest: int | None = None
    single: list[tuple[str, int, int]] = field(default_factory=list)  # the first ones: name, size, modified


def unclaimed(folders: Sequence[Folder]) -> list[Unclaimed]:
    """The summary of a walk's folders, in their order; a volume's root is never summed up as one."""
    known = [folder.known or folder.parent is None for folder in folders]
    files = [folder.files for folder in folders]
    size = [folder.bytes for folder in folders]
    newest = [folder.newest for folder in folders]
    for index in range(len(folders) - 1, -1, -1):
        parent = folders[index].parent
        if parent is None:
            continue
        known[parent] |= known[index]
        files[parent] += files[index]
        size[parent] += size[index]
        newest[parent] = _later(newest[parent], newest[index])
    found: list[Unclaimed] = []
    for index, folder in enumerate(folders):
        parent = folder.parent
        if known[index]:
            found += _loose(folder)
        elif files[index] and parent is not None and known[parent]:
            found.append(
                Unclaimed(
                    folder.volume, folder.path, files[index], size[index], newest[index], None, _why(folder)
                )
            )
    return found


def _loose(folder: Folder) -> list[Unclaimed]:
    """The files directly in a folder that also holds something known."""
    if folder.files > MOST_SINGLE:
        why = f"{folder.files} files directly in it: {_why(folder)}"
        return [Unclaimed(folder.volume, folder.path, folder.files, folder.bytes, folder.newest, None, why)]
    start = f"{folder.path}/" if folder.path else ""
    return [
        Unclaimed(folder.volume, start + name, 1, size, modified, None, _why(folder))
        for name, size, modified in folder.single
    ]


def _why(folder: Folder) -> str:
    return f"no rule of {folder.home_of} names it" if folder.home_of else NO_HOME


def _later(one: int | None, other: int | None) -> int | None:
    if one is None or other is None:
        return other if one is None else one
    return max(one, other)
