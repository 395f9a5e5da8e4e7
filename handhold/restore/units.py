"""Files that make up one save together: they are carried together or not at all. Pure.

A save can be a folder of files, or a file and its companions of the same name (a clock, a second bank). Half
of it from one device and half from another is a save that nobody played (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from handhold.archive.sameness import folded
from handhold.model import Entry, Identity

#: Emulator, and the folder (with ``/`` at its end) or the path without its ending.
Unit = tuple[str, str]

#: Endings of files that are a whole save each (common practice, no source).
_WHOLE = frozenset(
    {"sav", "srm", "save", "sram", "sra", "eep", "eeprom", "fla", "flash", "nv", "nvram"}
    | {"mcr", "mcd", "mc", "card", "rtc"}
)
#: What stands in the names of folders that hold the saves of many games (common practice, no source).
_OF_MANY = ("save", "sav", "sram", "memcard", "memorycard", "nvram", "battery", "backup")
#: A folder with more files than this is no single save (common practice, no source).
_MOST = 64


def unit_of(entry: Entry) -> Unit:
    """What tells a save from others: its emulator, and its folder or its path without the ending.

    >>> from handhold.model import Part
    >>> unit_of(Entry("tinplate", Part.SAVES, "main", "saves/Moss.sav", 1, 0, "00", "Moss"))
    ('tinplate', 'saves/moss')
    >>> unit_of(Entry("tinplate", Part.SAVES, "main", "saves/Moss.sav.rtc", 1, 0, "00", "Moss.sav"))
    ('tinplate', 'saves/moss')
    >>> unit_of(Entry("tinplate", Part.SAVES, "main", "data/MOSS01-0/icon.bin", 1, 0, "00", "MOSS01"))
    ('tinplate', 'data/moss01-0/')
    """
    folders, _, name = folded(entry.path).rpartition("/")
    game = folded(entry.game or "")
    names = folders.split("/") if folders else []
    for depth in range(len(names), 0, -1):
        if game and game in names[depth - 1]:
            return entry.emulator, "/".join(names[:depth]) + "/"
    stem = _stem(name)
    return entry.emulator, f"{folders}/{stem}" if folders else stem


def units_of(entries: Iterable[Entry]) -> dict[Identity, Unit]:
    """The save of each file. What lies beside it tells more than its name: a folder can be one save.

    >>> from handhold.model import Part
    >>> paths = ("saves/MOSS/DATA", "saves/MOSS/ICON")
    >>> set(units_of(Entry("tinplate", Part.SAVES, "main", p, 1, 0, "00") for p in paths).values())
    {('tinplate', 'saves/moss/')}
    """
    among = list(entries)
    units = {entry.identity: unit_of(entry) for entry in among}
    folders: dict[Unit, list[str]] = {}
    for entry in among:
        folder, _, name = folded(entry.path).rpartition("/")
        folders.setdefault((entry.emulator, folder), []).append(name)
    saves = {folder for folder, names in folders.items() if _is_save(folder[1], names)}
    saves |= {(emulator, path.rstrip("/")) for emulator, path in units.values() if path.endswith("/")}
    for entry in among:
        names = folded(entry.path).split("/")[:-1]
        for depth in range(1, len(names) + 1):
            if (entry.emulator, "/".join(names[:depth])) in saves:
                units[entry.identity] = entry.emulator, "/".join(names[:depth]) + "/"
                break
    return units


def _is_save(folder: str, names: Sequence[str]) -> bool:
    """Whether a folder with these files looks like a single save, and not like one of many games."""
    own = folder.rpartition("/")[2]
    letters = "".join(char for char in own if char.isalnum())
    if not 2 <= len(names) <= _MOST or not letters or any(word in letters for word in _OF_MANY):
        return False
    endings = {_ending(name) for name in names}
    stems = {_stem(name) for name in names}
    return not endings & _WHOLE and len(stems) == len(names) and (len(endings) > 1 or endings == {""})


def _ending(name: str) -> str:
    stem, dot, ending = name.rpartition(".")
    return ending if dot and stem else ""


def _stem(name: str) -> str:
    """The name without its ending, and without that of a save before it: ``Moss.sav.rtc`` is of ``Moss``."""
    stem = name.rpartition(".")[0] or name
    while _ending(stem) in _WHOLE:
        stem = stem.rpartition(".")[0]
    return stem
