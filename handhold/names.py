"""The written form of file names: text that any manifest can hold, from which the very bytes come back.

A file name on a device is a run of bytes. Python hands it over as text in which bytes that are not valid
UTF-8 stand as lone surrogates (PEP 383); such text can be neither printed nor put into JSON. The written
form escapes them: ``\\xHH`` for a byte that is not part of valid UTF-8, ``\\\\`` for a backslash. Control
characters below 0x20 and 0x7f are escaped in the same way, so that a name is always one line. Nothing else
changes; names are never normalised. Inside handhold every name and path is in written form; only the
rooms that touch the file system turn it back.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

_ESCAPE = re.compile(r"\\(?:\\|x([0-9a-f]{2}))")
_NEEDS = re.compile("[\\\\\x00-\x1f\x7f\udc80-\udcff]")
_CONTROL = re.compile("[\x00-\x1f\x7f\ud800-\udfff]")
#: The longest path and the longest name that are believed, in bytes (POSIX PATH_MAX, and Linux's NAME_MAX).
PATH_MAX, NAME_MAX = 4096, 255


def written(name: str) -> str:
    """The written form of a name or path as the operating system gave it.

    >>> written("caf\\udce9.sav"), written("a\\\\b")
    ('caf\\\\xe9.sav', 'a\\\\\\\\b')
    """
    if name.isprintable() and "\\" not in name:  # a lone surrogate is not printable
        return name
    return _NEEDS.sub(_escaped, name)


def are_plain(names: Iterable[str]) -> bool:
    """Whether all names are their own written form, for all that a quick look tells.

    >>> are_plain(["a.sav", "b.sav"]), are_plain(["a.sav", "caf\\udce9.sav"])
    (True, False)
    """
    text = "".join(names)
    return text.isascii() and text.isprintable() and "\\" not in text


def _escaped(match: re.Match[str]) -> str:
    char = match[0]
    return "\\\\" if char == "\\" else f"\\x{ord(char) & 0xFF:02x}"


def native(text: str) -> str:
    """The name for the operating system, from its written form.

    Raises ``ValueError`` for text that no name is written as.
    """
    if "\\" not in text:
        return text

    def back(match: re.Match[str]) -> str:
        if match[1] is None:
            return "\\"
        byte = int(match[1], 16)
        return chr(byte if byte < 0x80 else 0xDC00 + byte)

    name = _ESCAPE.sub(back, text)
    raw = name.encode("utf-8", "surrogateescape")
    if written(raw.decode("utf-8", "surrogateescape")) != text:
        raise ValueError("not the written form of a name")
    return name


def one_line(text: str) -> str:
    """A text as one line, whoever wrote it: a blank for each character that breaks or steers lines.

    >>> one_line("whole.\\nAll is well")
    'whole. All is well'
    """
    return text if text.isprintable() else _CONTROL.sub(" ", text)


def is_one_line(text: str) -> bool:
    """Whether nothing in the text breaks or steers lines."""
    return text.isprintable() or _CONTROL.search(text) is None


def trouble_with(path: str) -> str | None:
    """Why a relative path in written form must not be believed, or None if it is sound.

    Sound is: relative, ``/`` between names, no empty name, no ``.`` or ``..``, no NUL, no overlong name.
    """
    if not path:
        return "is empty"
    if path[0] == "/":
        return "is absolute"
    if "\0" in path:
        return "holds a NUL"
    if _CONTROL.search(path):
        return "is not the written form of a path"
    try:
        raw = native(path).encode("utf-8", "surrogateescape")
    except (ValueError, UnicodeEncodeError):
        return "is not the written form of a path"
    if len(raw) > PATH_MAX:
        return "is too long"
    if b"\0" in raw:
        return "holds a NUL"
    for name in raw.split(b"/"):
        if name in (b"", b".", b".."):
            return "holds an empty name, '.' or '..'"
        if len(name) > NAME_MAX:
            return "holds a name that is too long"
    return None
