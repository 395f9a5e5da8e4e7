"""Files that make up one save together: they are carried together or not at all. Pure.

A save can be a folder of files, or a file and its companions of the same name (a clock, a second bank). Half
of it from one device and half from another is a save that nobody played (common practice, no source).
"""

from __future__ import annotations

import unicodedata

from handhold.model import Entry


def unit_of(entry: Entry) -> tuple[str, str]:
    """What tells a save from others: its emulator, and its folder or its path without the ending.

    >>> from handhold.model import Part
    >>> unit_of(Entry("tinplate", Part.SAVES, "main", "saves/Moss.sav", 1, 0, "00", "Moss"))
    ('tinplate', 'saves/moss')
    >>> unit_of(Entry("tinplate", Part.SAVES, "main", "data/MOSS01-0/icon.bin", 1, 0, "00", "MOSS01"))
    ('tinplate', 'data/moss01-0/')
    """
    folders, _, name = _folded(entry.path).rpartition("/")
    game = _folded(entry.game or "")
    names = folders.split("/") if folders else []
    for depth in range(len(names), 0, -1):
        if game and game in names[depth - 1]:
            return entry.emulator, "/".join(names[:depth]) + "/"
    stem = name.rpartition(".")[0] or name
    return entry.emulator, f"{folders}/{stem}" if folders else stem


def _folded(text: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())
