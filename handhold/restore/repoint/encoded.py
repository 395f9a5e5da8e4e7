"""Places that a settings file names in a form that is not rewritten: encoded, or a system's own address.

A path whose separators are written as ``%2F`` stands in some larger whole that has its own rules, and an
address such as ``content://`` is a key that one system gave out: no other path in its stead would be one. So
they are told, for the owner to choose the place anew, and stay as they are. Pure.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from urllib.parse import unquote

from handhold.restore.repoint.spelling import spelled
from handhold.restore.repoint.text import read_text
from handhold.restore.repoint.values import LINE, LONGEST, MOST, Value, split

_TOKEN = re.compile(r"[^\s\"'<>`=,;|(){}\[\]]+")
# Source: RFC 3986, section 2.1 (percent-encoding): "/", "\" and ":" as their octets
_ENCODED = re.compile("%(?:2[Ff]|5[Cc]|3[Aa])")
_OPAQUE = re.compile("content://[^/]", re.IGNORECASE)
_ABSOLUTE = re.compile(r"(?:(?<=://)|(?<![\w/.~%-]))(?:[A-Za-z]:)?[/\\](?![/\\])")
#: What is read already (paths as they are, addresses of files), and what is on no device.
_OTHER = re.compile(r"[/\\]|[A-Za-z]:[/\\]|file:|https?:", re.IGNORECASE)


def encoded_values(data: bytes, name: str) -> list[Value]:
    """The places that a file names so, in their order; an address that is no path has no ``names``."""
    file = read_text(data, name)
    if file is None:
        return []
    plain = spelled(file.text, file.dialect)
    if "%" not in plain.plain and "://" not in plain.plain:
        return []
    starts = [0, *(match.end() for match in LINE.finditer(file.text))]
    found: list[Value] = []
    for match in _TOKEN.finditer(plain.plain):
        text = match[0]
        if len(text) > LONGEST or _OTHER.match(text):
            continue
        names = _names(text) if _ENCODED.search(text) else ()
        if not names and not _OPAQUE.match(text):
            continue
        line = bisect_right(starts, plain.source(match.start(), match.start()).start)
        found.append(Value(line, text, names, encoded=True))
        if len(found) == MOST:
            break
    return found


def _names(text: str) -> tuple[str, ...]:
    """The names of the absolute path that is encoded in a text; none where it has none."""
    decoded = unquote(text)
    path = _ABSOLUTE.search(decoded)
    return split(decoded[path.start() :]) if path is not None else ()
