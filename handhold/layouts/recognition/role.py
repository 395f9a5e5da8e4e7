"""Which folder on the way to a file plays the emulator's role, and what to call it."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Collection
from functools import lru_cache

from handhold.layouts.recognition.place import PACKAGE, is_id, meaning
from handhold.layouts.recognition.words import squeezed
from handhold.names import native

_NO_ID = re.compile("[^a-z0-9]+")
_LONGEST = 40
#: Folders that hold emulators, games or exports side by side.
_SHELVES = frozenset(("shelf", "games", "exports", "noise"))


@lru_cache(maxsize=64)  # it is asked for a folder several times in a row
def role(path: str) -> str:
    """The folder on the way to ``path`` that plays the emulator's role; both relative to the volume.

    A program's private folder; else the first folder with a name of its own behind the last shelf, and above
    all folders for parts; else what comes nearest, and in the end the volume itself.

    >>> role("Emulation/Tinplate/data/saves/slot1"), role("saves/Fieldfare"), role("data/saves"), role("")
    ('Emulation/Tinplate', 'saves/Fieldfare', '', '')
    """
    names = path.split("/") if path else []
    kinds = [_kind(name) for name in names]

    def upto(index: int) -> str:
        return "/".join(names[: index + 1])

    if "private" in kinds:
        return upto(kinds.index("private"))
    end = kinds.index("part") if "part" in kinds else len(kinds)
    own = [i for i in range(end) if kinds[i] == "name"]
    shelves = [i for i in range(end) if kinds[i] in ("shelf", "games")]
    last = shelves[-1] if shelves else -1
    if last > 0 and kinds[last] == "games" and kinds[last - 1] == "name":
        return upto(last - 1)  # the games lie inside the emulator's folder
    behind = [i for i in own if i > last]
    if behind:
        return upto(behind[0])
    if own:
        return upto(own[-1])
    below = [i for i in range(end, len(kinds)) if kinds[i] == "name"]
    if below and not shelves:
        return upto(below[0])
    return upto(last) if shelves else ""


@lru_cache(maxsize=8192)
def _kind(name: str) -> str:
    """What a folder is on the way: a name, a shelf, games, private storage, a part, or something between."""
    if PACKAGE.fullmatch(name):
        return "private"
    if is_id(name) or name.isdigit():
        return "between"
    means = meaning(name)
    if means is None:
        return "name"
    if means.means in ("games", "exports") and squeezed(name) != squeezed(means.word):
        return "name"  # "Quillwort export" is named after Quillwort
    if means.means == "games":
        return "games"
    if means.means in _SHELVES:
        return "shelf"
    return "between" if means.means == "plumbing" or means.weak else "part"


def emulator_id(role_path: str, taken: Collection[str]) -> str:
    """An emulator id from the folder's own name, not among ``taken``.

    >>> emulator_id("Emulation/Tin Plate", ()), emulator_id("Android/data/com.example.burrow", ())
    ('tin-plate', 'example-burrow')
    """
    name = role_path.rpartition("/")[2]
    if PACKAGE.fullmatch(name):
        name = name.partition(".")[2]
    try:
        plain = native(name).encode("utf-8", "replace").decode()
    except ValueError:
        plain = name
    letters = unicodedata.normalize("NFKD", plain).encode("ascii", "ignore").decode().lower()
    short = _NO_ID.sub("-", letters).strip("-")[:_LONGEST].strip("-")
    if not role_path:
        short = "loose"
    digest = hashlib.sha256(role_path.encode("utf-8", "replace")).hexdigest()
    found = short or f"folder-{digest[:6]}"
    size = 4
    while found in taken:
        found = f"{(short or 'folder')[: _LONGEST - 1 - size].strip('-')}-{digest[:size]}"
        size += 2
    return found
