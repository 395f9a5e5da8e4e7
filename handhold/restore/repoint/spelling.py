"""Characters and how a text spells them: escapes of JSON, entities of XML, and the like."""

from __future__ import annotations

import json
import re

import msgspec

from handhold.restore.repoint.text import Dialect

# Source: RFC 8259, section 7 (strings of JSON)
_JSON = re.compile(r'\\(?:u([0-9A-Fa-f]{4})|([\\/"bfnrt]))')
# Source: The Java SE API specification, java.util.Properties.load (an open format of text files)
_PROPERTIES = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|([^u\r\n]))")
_PLAIN = re.compile(r"\\()([\\/])")
# Source: W3C Extensible Markup Language (XML) 1.0, section 4.1 and 4.6
_XML = re.compile(r"&(?:#(?:([0-9]{1,7})|x([0-9A-Fa-f]{1,6}))|(amp|lt|gt|quot|apos));")
_ENTITIES = {"amp": "&", "lt": "<", "gt": ">", "quot": '"', "apos": "'"}
_BACK = {"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&apos;"}
_ESCAPED = {"b": "\b", "f": "\f", "n": "\n", "r": "\r", "t": "\t"}
#: What a name must not hold where nothing says how it would be escaped.
_UNSAFE = re.compile(r"[\"'`;#<>|%$]|: |^ | $")


class Spelled(msgspec.Struct, frozen=True):
    """A text without its spelling. ``starts[i]`` is where ``plain[i]`` begins there; one more ends it."""

    plain: str
    starts: list[int] | range

    def source(self, start: int, end: int) -> slice:
        """Where a piece of the plain text lies in the text."""
        return slice(self.starts[start], self.starts[end])


def spelled(text: str, dialect: Dialect) -> Spelled:
    """The characters that a text stands for. What is no sound escape stands for itself."""
    escapes = {Dialect.XML: _XML, Dialect.PROPERTIES: _PROPERTIES, Dialect.PLAIN: _PLAIN}.get(dialect, _JSON)
    if ("&" if dialect is Dialect.XML else "\\") not in text:
        return Spelled(text, range(len(text) + 1))
    pieces: list[str] = []
    starts: list[int] = []
    done = 0
    for match in escapes.finditer(text):
        char = _char(match, dialect)
        if char is None:
            continue
        pieces += [text[done : match.start()], char]
        starts += [*range(done, match.start()), match.start()]
        done = match.end()
    pieces.append(text[done:])
    starts += range(done, len(text) + 1)
    return Spelled("".join(pieces), starts)


def _char(match: re.Match[str], dialect: Dialect) -> str | None:
    if dialect is Dialect.XML:
        if match[3]:
            return _ENTITIES[match[3]]
        number = int(match[1]) if match[1] else int(match[2], 16)
        return chr(number) if 0 < number < 0xD800 or 0xDFFF < number <= 0x10FFFF else None
    if match[1]:
        return chr(int(match[1], 16))
    return _ESCAPED.get(match[2], match[2])


def spell(name: str, dialect: Dialect, *, ascii_only: bool) -> str | None:
    """How a name is written in a text; None where it cannot be written safely.

    ``ascii_only``: the text should hold no other characters.
    """
    if dialect is Dialect.JSON:
        return json.dumps(name, ensure_ascii=ascii_only)[1:-1]
    if dialect is Dialect.XML:
        return "".join(
            _BACK.get(c) or (f"&#{ord(c)};" if ascii_only and not c.isascii() else c) for c in name
        )
    if dialect is Dialect.PROPERTIES:
        return json.dumps(name)[1:-1].replace('\\"', '"')
    return None if _UNSAFE.search(name) or (ascii_only and not name.isascii()) else name
