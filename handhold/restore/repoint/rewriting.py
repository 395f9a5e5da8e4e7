"""Puts other places in the stead of those that a settings file names, and changes nothing else in it.

A path is found only where it stands whole: ``/storage/card`` is not in ``/storage/cardinal``, nor in
``/mnt/storage/card``. Where nothing tells whether a name goes on behind a blank, it is taken to go on.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Mapping
from functools import lru_cache
from urllib.parse import quote, unquote

import msgspec

from handhold.errors import WrongInput
from handhold.restore.repoint.spelling import Spelled, spell, spelled
from handhold.restore.repoint.text import LARGEST_REWRITTEN, Dialect, TextFile, read_text

#: What a path may stand behind: nothing, a blank, a mark, or the beginning of an address without a host.
LEFT = r"""(?:(?<![^\s"'=:,;|(\[{>`])|(?<=:[/\\]{2}))"""
_RIGHT = (
    r"""(?=\Z|[/\\"'<>\])}\r\n`]"""
    r"""|[ \t]*[,;:|][ \t]*(?:\Z|[\r\n"'/\\])"""
    r"""|[ \t]+(?:\Z|[\r\n"'/\\#;]))"""
)
#: What stands before a path in the address of a file on the same machine.
IN_ADDRESS = re.compile(r"[Ff][Ii][Ll][Ee]:[/\\]{2}\Z")
_DRIVE = re.compile(r"(?<![A-Za-z0-9_])[A-Za-z]:\Z")
_DRIVE_PATH = re.compile(r"[A-Za-z]:[/\\]")
_SEPARATOR = re.compile(r"[/\\]")
_LINE = re.compile(r"\r\n|\r|\n")
_SHOWN, _AROUND = 160, 60
_UNWRITABLE = re.compile(r"[\\\x00-\x1f\x7f\ud800-\udfff]")


class Change(msgspec.Struct, frozen=True):
    """One line that changes; long lines are cut around what changes."""

    line: int
    old: str
    new: str


class Rewritten(msgspec.Struct, frozen=True):
    """A file with other places in it. ``left`` says of a place, by its line, why it was left as it was.

    ``named`` are the old places that it names.
    """

    data: bytes
    changes: tuple[Change, ...]
    left: tuple[tuple[int, str], ...] = ()
    named: frozenset[str] = frozenset()


def repoint_option(text: str) -> tuple[str, str]:
    """``OLD=NEW`` as two absolute paths without ``/`` at their ends; raises ``WrongInput``.

    >>> repoint_option("/media/card/=/storage/card")
    ('/media/card', '/storage/card')
    """
    for match in re.finditer("=", text):
        old, new = text[: match.start()], text[match.end() :]
        if _is_absolute(old) and _is_absolute(new):
            break
    else:
        raise WrongInput(
            f"--repoint {text} does not say one absolute path for another.",
            "Write it as --repoint /old/card=/new/card",
        )
    # An old path may be given with backslashes, as it stands in the file.
    old, new = re.sub(r"[/\\]+", "/", old).rstrip("/"), re.sub("/+", "/", new).rstrip("/")
    if not old or re.fullmatch("[A-Za-z]:", old):
        raise WrongInput(f"--repoint {text}: every absolute path begins so.", "Name a folder.")
    if not new or _UNWRITABLE.search(new) or _UNWRITABLE.search(old):
        raise WrongInput(f"--repoint {text}: that is no folder that could be written into settings.")
    if old == new:
        raise WrongInput(f"--repoint {text}: the old and the new path are the same.")
    return old, new


def repoint_options(texts: list[str]) -> dict[str, str]:
    """Several of these; raises ``WrongInput`` also where one old path gets two new ones."""
    pairs: dict[str, str] = {}
    for text in texts:
        old, new = repoint_option(text)
        if pairs.setdefault(old, new) != new:
            raise WrongInput(f"--repoint says both {pairs[old]} and {new} for {old}.")
    return pairs


def _is_absolute(path: str) -> bool:
    return path.startswith(("/", "\\")) or bool(_DRIVE_PATH.match(path))


def rewrite(data: bytes, name: str, places: Mapping[str, str]) -> Rewritten | None:
    """The file with the new places in the stead of the old; None if it is no text or names none. Pure.

    ``places`` are absolute paths, old to new; where one old lies in another, the longer one counts. What was
    put in is not looked at again.
    """
    file = read_text(data, name)
    if file is None or not places:
        return None
    plain = spelled(file.text, file.dialect)
    text = file.text
    left: list[tuple[int, str]] = []
    named: set[str] = set()
    # Where nothing but ASCII shows how the rest would be encoded, escapes are sure.
    escapes = file.dialect in (Dialect.JSON, Dialect.XML) and not file.mark
    ascii_only = file.encoding == "latin-1" or (escapes and text.isascii())
    pieces: list[str] = []
    lines = _Lines(text)
    done = grown = 0
    edits: list[tuple[int, int, str]] = []
    for match in _pattern(tuple(sorted(places, key=lambda old: (-len(old), old)))).finditer(plain.plain):
        start, end = match.span()
        if _is_on_a_drive(plain.plain, start):
            continue
        old = _SEPARATOR.sub("/", match[0])
        address = IN_ADDRESS.search(plain.plain, max(0, start - 7), start) is not None
        if address:
            old = unquote(old)
        if old not in places:
            continue  # a "%" of the path itself, which in an address says something else
        named.add(old)
        new: str | None
        if address:
            names = [quote(name, safe=":") for name in places[old].split("/")]
            new = _with_separators(names, match, plain, file)
        else:
            new = _spelled_anew(places[old], match, plain, file, ascii_only)
        where = plain.source(start, end)
        if new is None:
            left.append((lines.number(where.start), "this file has no sure way to write the new path"))
            continue
        pieces += [text[done : where.start], new]
        edits.append((where.start, where.stop, new))
        done = where.stop
        grown += len(new) - (where.stop - where.start)
    if not edits:
        return Rewritten(data, (), tuple(left), frozenset(named)) if left else None
    pieces.append(text[done:])
    if len(text) + grown > LARGEST_REWRITTEN:
        too_large = ((lines.number(edits[0][0]), "it would become far too large"),)
        return Rewritten(data, (), too_large, frozenset(named))
    return Rewritten(file.encode("".join(pieces)), lines.changed(edits), tuple(left), frozenset(named))


@lru_cache(maxsize=8)
def _pattern(places: tuple[str, ...]) -> re.Pattern[str]:
    spelt = ("[/\\\\]".join(re.escape(name) for name in old.split("/")) for old in places)
    encoded = ("/".join("".join(map(_in_address, name)) for name in old.split("/")) for old in places)
    return re.compile(
        f"(?:(?<=[Ff][Ii][Ll][Ee]://)(?:{'|'.join(encoded)})|{LEFT}(?:{'|'.join(spelt)})){_RIGHT}"
    )


def _in_address(char: str) -> str:
    """A character of a path as an address can have it: itself, or as the bytes of its UTF-8.

    Source: RFC 3986, section 2.1 (percent-encoding), and RFC 8089 (addresses of files)
    """
    octets = "".join(f"(?i:%{octet:02X})" for octet in char.encode("utf-8", "surrogatepass"))
    return f"(?:{re.escape(char)}|{octets})"


def _is_on_a_drive(plain: str, start: int) -> bool:
    """Whether a path that begins with a separator stands behind a drive's letter."""
    return plain[start] in "/\\" and _DRIVE.search(plain, max(0, start - 3), start) is not None


def _spelled_anew(
    new: str, match: re.Match[str], plain: Spelled, file: TextFile, ascii_only: bool
) -> str | None:
    """The new path with the separators of the old one, escaped as the file does; None if that is not sure."""
    names = [spell(name, file.dialect, ascii_only=ascii_only) for name in new.split("/")]
    if any(name is None for name in names):
        return None
    if " " in new and " " not in match[0] and file.dialect in (Dialect.PLAIN, Dialect.QUOTED):
        before = plain.plain[: match.start()].rstrip(" \t")[-1:]
        if before not in ("", "=", ":", '"', "'", "\n", "\r"):
            return None  # one of several things on its line, which a blank may part
    written = _with_separators([name or "" for name in names], match, plain, file)
    try:
        file.encode(written)
    except UnicodeEncodeError:
        return None
    return written


def _with_separators(names: list[str], match: re.Match[str], plain: Spelled, file: TextFile) -> str:
    """Names, as the file is to have them, with the separators of the old path between them."""
    places = (match.start() + found.start() for found in _SEPARATOR.finditer(match[0]))
    separators = [file.text[plain.source(at, at + 1)] for at in places]  # an absolute path has one or more
    return "".join(
        (separators[min(at, len(separators)) - 1] if at else "") + name for at, name in enumerate(names)
    )


class _Lines:
    """The lines of a text, by the place of a character in it."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._starts = [0, *(match.end() for match in _LINE.finditer(text))]

    def number(self, at: int) -> int:
        """The line in which a character stands, from 1."""
        return bisect_right(self._starts, at)

    def changed(self, edits: list[tuple[int, int, str]]) -> tuple[Change, ...]:
        """Each line with its edits, old and new."""
        by_line: dict[int, list[tuple[int, int, str]]] = {}
        for edit in edits:
            by_line.setdefault(self.number(edit[0]), []).append(edit)
        return tuple(self._change(line, some) for line, some in by_line.items())

    def _change(self, line: int, edits: list[tuple[int, int, str]]) -> Change:
        start = self._starts[line - 1]
        end = self._starts[line] if line < len(self._starts) else len(self._text)
        before, after = "", ""
        if end - start > _SHOWN:
            edits = edits[:1]
            cut, stop = max(start, edits[0][0] - _AROUND), min(end, edits[0][1] + _AROUND)
            before, after = "…" if cut > start else "", "…" if stop < end else ""
            start, end = cut, stop
        new: list[str] = []
        done = start
        for first, last, text in edits:
            new += [self._text[done:first], text]
            done = last
        new.append(self._text[done:end])
        old = self._text[start:end].strip()
        return Change(line, f"{before}{old}{after}", f"{before}{''.join(new).strip()}{after}")
