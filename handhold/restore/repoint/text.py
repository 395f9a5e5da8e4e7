"""Settings files as text: how they are encoded and spelled, so that what is not changed stays as it is."""

from __future__ import annotations

import codecs
import json
import re
from enum import Enum

import msgspec

#: Larger files are hardly settings that a person wrote (bytes); they are not looked into.
LARGEST = 1 << 20
#: A file that rewriting makes larger than this is left as it is (bytes).
LARGEST_REWRITTEN = 2 << 20


class Dialect(Enum):
    """How a text spells the characters of a path."""

    PLAIN = "plain"  # ini, cfg, conf, txt: as they are; a backslash may be doubled
    QUOTED = "quoted"  # yaml, toml: as they are, or escaped in double quotes
    JSON = "json"
    PROPERTIES = "properties"
    XML = "xml"


_BY_ENDING = {
    "json": Dialect.JSON,
    "xml": Dialect.XML,
    "properties": Dialect.PROPERTIES,
    "yaml": Dialect.QUOTED,
    "yml": Dialect.QUOTED,
    "toml": Dialect.QUOTED,
    "ini": Dialect.PLAIN,
    "cfg": Dialect.PLAIN,
    "conf": Dialect.PLAIN,
    "config": Dialect.PLAIN,
    "txt": Dialect.PLAIN,
}
#: Characters that no text holds: all control characters but tab, line ends, form feed.
_BINARY = re.compile("[\x00-\x08\x0b\x0e-\x1f\x7f]")
_LONE_RETURN = re.compile("\r(?!\n)")
_MARKS = (  # UTF-32 begins as UTF-16 does, and its texts hold NUL, so they are taken for binary
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


class TextFile(msgspec.Struct, frozen=True):
    """A file as text: ``mark + text.encode(encoding)`` are its very bytes."""

    text: str
    mark: bytes
    encoding: str
    dialect: Dialect

    def encode(self, text: str) -> bytes:
        """Another text in the same encoding. Raises ``UnicodeEncodeError`` where it cannot hold it."""
        return self.mark + text.encode(self.encoding)


def read_text(data: bytes, name: str) -> TextFile | None:
    """The file of that name as text; None if it is binary, too large, or not sure to be text.

    UTF-8 and UTF-16 by their byte order marks, else UTF-8, else Latin-1 where the name says that it is text
    (in it every byte is a character, so that nothing is lost).
    """
    if len(data) > LARGEST:
        return None
    ending = name.rpartition(".")[2].casefold() if "." in name else ""
    text = _decoded(data, known=ending in _BY_ENDING)
    if text is None:
        return None
    content, mark, encoding = text
    if _BINARY.search(content) or (ending not in _BY_ENDING and _LONE_RETURN.search(content)):
        return None
    return TextFile(content, mark, encoding, _dialect(content, ending))


def _decoded(data: bytes, known: bool) -> tuple[str, bytes, str] | None:
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            try:
                return data[len(mark) :].decode(encoding), mark, encoding
            except UnicodeDecodeError:
                return None if encoding != "utf-8" else (data.decode("latin-1"), b"", "latin-1")
    try:
        return data.decode("utf-8"), b"", "utf-8"
    except UnicodeDecodeError:
        return (data.decode("latin-1"), b"", "latin-1") if known else None


def _dialect(text: str, ending: str) -> Dialect:
    if ending in ("json", "xml", "properties", "yaml", "yml", "toml"):
        return _BY_ENDING[ending]
    first = text.lstrip()[:1]
    if first == "<":
        return Dialect.XML
    if first in ("{", "["):
        try:
            json.loads(text)
            return Dialect.JSON
        except (ValueError, RecursionError):
            pass  # a section of an ini file begins so too
    return Dialect.PLAIN
