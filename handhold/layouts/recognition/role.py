"""Which folder on the way to a file plays the emulator's role, and what to call it."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Collection

from handhold.layouts.recognition.place import is_id, meaning
from handhold.names import native

_NO_ID = re.compile("[^a-z0-9]+")
_PACKAGE = re.compile(r"[a-z]{2,10}(\.[a-z0-9_]+){2,}", re.I)
_LONGEST = 40
#: Names that tell what lies in a folder, not whose it is.
_NO_NAME = frozenset(
    ("saves", "states", "cheats", "textures", "controls", "settings", "firmware", "pictures", "library")
) | {"cache", "games", "exports", "program", "noise", "shelf", "plumbing"}


def role(path: str) -> str:
    """The folder on the way to ``path`` that plays the emulator's role; both relative to the volume.

    >>> role("Emulation/Tinplate/data/saves/slot1"), role("saves/Fieldfare"), role("data/saves"), role("")
    ('Emulation/Tinplate', 'saves/Fieldfare', '', '')
    """
    names = path.split("/") if path else []
    shelf = 0
    for depth, name in enumerate(names, 1):
        means = meaning(name)
        if not is_id(name) and not name.isdigit() and (means is None or means.means not in _NO_NAME):
            return "/".join(names[:depth])
        if depth == shelf + 1 and means is not None and means.means in ("shelf", "games", "exports", "noise"):
            shelf = depth
    return "/".join(names[:shelf])


def emulator_id(role_path: str, taken: Collection[str]) -> str:
    """An emulator id from the folder's own name, not among ``taken``.

    >>> emulator_id("Emulation/Tin Plate", ()), emulator_id("Android/data/com.example.burrow", ())
    ('tin-plate', 'example-burrow')
    """
    name = role_path.rpartition("/")[2]
    if _PACKAGE.fullmatch(name):
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
