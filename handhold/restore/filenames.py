"""Which names a file system can hold, and a free name beside a file that stays."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date
from functools import lru_cache

from handhold.model import Traits
from handhold.names import NAME_MAX, native, written

#: The longest name on FAT and exFAT, in units of UTF-16.
# Source: Microsoft exFAT file system specification, section 7.6.3 (NameLength)
UNITS_MAX = 255


def fold(name: str) -> str:
    """The name as a file system sees it that does not tell case: each character on its own, as its capital.

    >>> fold("Straße") == fold("strasse"), fold("Élan") == fold("élan")
    (False, True)
    """
    if name.isascii():
        return name.upper()
    return "".join(capital if len(capital := c.upper()) == 1 else c for c in name)


def refused(path: str, traits: Traits) -> str | None:
    """Why a volume cannot hold this path (written form), in words, or None if it can."""
    for name in path.split("/"):
        if why := _name_refused(name, traits):
            return why
    return None


@lru_cache(4096)  # the folders of many files are the same
def _name_refused(name: str, traits: Traits) -> str | None:
    try:
        raw = native(name)
    except ValueError:
        return f'"{name}" is no file name'
    if not traits.refused:
        return f'the name "{_cut(name)}" is too long' if len(_raw(name)) > NAME_MAX else None
    bad = sorted({c for c in raw if c in traits.refused})
    if bad:
        shown = " ".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in bad)
        return f'this card takes no {shown} in a name ("{name}")'
    if any(0xDC80 <= ord(c) <= 0xDCFF for c in raw):
        return f'this card takes only names that are proper text ("{name}")'
    if len(raw.encode("utf-16-le")) // 2 > UNITS_MAX:
        return f'the name "{_cut(name)}" is too long'
    # Trailing dots and spaces are dropped when a name is stored, so another file would be written.
    # Source: Microsoft, FAT: General Overview of On-Disk Format, version 1.03, long directory entries
    if traits.local_time and raw[-1] in ". ":
        return f'this card drops the dot or space at the end of "{name}"'
    return None


def beside(name: str, device: str, day: date, number: int = 1) -> str:
    """The name under which an archived file is put beside the one that stays.

    >>> beside("Moss Garden.sav", "plover", date(2026, 11, 24))
    'Moss Garden (from plover 2026-11-24).sav'
    """
    stem, dot, ending = name.rpartition(".")
    if not stem or len(ending) > 16:
        stem, dot, ending = name, "", ""
    mark = f" (from {device} {day.isoformat()}{f' {number}' if number > 1 else ''})"
    room = NAME_MAX - len(_raw(mark + dot + ending))
    kept = native(stem)
    while len(kept.encode("utf-8", "surrogateescape")) > room:
        kept = kept[:-1]
    return f"{written(kept)}{mark}{dot}{ending}"


def beside_names(name: str, device: str, day: date, most: int = 20) -> list[str]:
    """The names for it in the order in which they are tried."""
    return [beside(name, device, day, number) for number in range(1, most + 1)]


def free_beside(
    name: str, device: str, day: date, taken: Collection[str], holds: Collection[tuple[str, str]], sha256: str
) -> tuple[str | None, bool]:
    """A name beside ``name`` that nothing has, and whether the very content stands there already.

    ``taken`` are the folded names in that folder, ``holds`` the name and content of those that stand there
    under such a name. None if every name is taken.
    """
    contents = dict(holds)
    for candidate in beside_names(name, device, day):
        if contents.get(candidate) == sha256:
            return candidate, True
        if fold(candidate) not in taken and candidate not in contents:
            return candidate, False
    return None, False


def _raw(text: str) -> bytes:
    return native(text).encode("utf-8", "surrogateescape")


def _cut(name: str) -> str:
    return name if len(name) <= 40 else f"{name[:37]}…"
