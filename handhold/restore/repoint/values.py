"""The absolute paths that a settings file names, and which of them lie on another device. Pure."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from urllib.parse import unquote

import msgspec

from handhold.restore.repoint.rewriting import IN_ADDRESS, LEFT
from handhold.restore.repoint.spelling import spelled
from handhold.restore.repoint.text import read_text

_START = re.compile(LEFT + r"(?:[A-Za-z]:)?[/\\](?![/\\\s<>\"'])")
_SCHEME = re.compile(r"([\"'`]?)[A-Za-z][A-Za-z0-9+.-]{0,30}:[/\\]{2}\Z")
_END_OF_LINE = re.compile(r"[\"<>\r\n]")
_COMMENT = re.compile(r"[ \t]+[#;]")
_NEXT = re.compile(r"[ \t]*[,;:|][ \t]*(?=[/\\])|[ \t]+(?=[/\\])")
#: Where a line ends.
LINE = re.compile(r"\r\n|\r|\n")
_CLOSING = {")": "(", "]": "[", "}": "{"}
#: No longer path is believed, and no more of one file are told (characters; values).
LONGEST, MOST = 4096, 500


class Value(msgspec.Struct, frozen=True):
    """An absolute path as a file names it; ``names`` are those between the separators, the root first."""

    line: int
    text: str
    names: tuple[str, ...]
    encoded: bool = False  # in a form that is not rewritten

    def below(self, root: str) -> bool:
        """Whether it is that folder, or lies in it."""
        names = split(root)
        return self.names[: len(names)] == names


class Was(msgspec.Struct, frozen=True):
    """Where a home lay on the old device: its volume, and the names of the path there."""

    volume: str
    names: tuple[str, ...]


def split(path: str) -> tuple[str, ...]:
    """An absolute path's names; the root first, which is empty or a drive."""
    return tuple(re.split(r"[/\\]+", path.rstrip("/\\")))


def joined(names: Sequence[str]) -> str:
    """The path of these names."""
    return "/".join(names) or "/"


def values(data: bytes, name: str) -> list[Value]:
    """The absolute paths in a file, in their order; none where it is no text."""
    file = read_text(data, name)
    if file is None:
        return []
    plain = spelled(file.text, file.dialect)
    starts = [0, *(match.end() for match in LINE.finditer(file.text))]
    found = []
    for start, text in _found(plain.plain):
        line = bisect_right(starts, plain.source(start, start).start)
        address = IN_ADDRESS.search(plain.plain, max(0, start - 7), start)
        found.append(Value(line, text, split(unquote(text) if address else text)))
        if len(found) == MOST:
            break
    return found


def _found(plain: str) -> Iterator[tuple[int, str]]:
    at = 0
    while match := _START.search(plain, at):
        start = match.start()
        at = match.end()
        before = plain[start - 1] if start else ""
        if scheme := _SCHEME.search(plain, max(0, start - 40), start):
            before = scheme[1]
        stop = _end(plain, start, before)
        text = plain[start:stop]
        for cut in (_COMMENT, _NEXT):
            if found := cut.search(text, match.end() - start):
                text = text[: found.start()]
        text = text.rstrip(" \t,;:|")
        if text[-1:] in _CLOSING and text.count(text[-1]) > text.count(_CLOSING[text[-1]]):
            text = text[:-1].rstrip()
        at = max(at, start + len(text))
        yield start, text


def _end(plain: str, start: int, before: str) -> int:
    """Where a value ends: at the quote that it stands behind, or with its line."""
    if before in ("'", '"', "`"):
        end = min(
            (i for i in (plain.find(c, start, start + LONGEST) for c in f"{before}\r\n") if i >= 0),
            default=-1,
        )
        return end if end >= 0 else min(len(plain), start + LONGEST)
    found = _END_OF_LINE.search(plain, start, start + LONGEST)
    return found.start() if found else min(len(plain), start + LONGEST)


def roots_named(
    found: Iterable[Value], roots: Mapping[str, str], homes: Iterable[Was]
) -> dict[str, set[str]]:
    """The roots of the old device's volumes, as they were and as its files spell them.

    ``roots`` are those that its snapshot knows, by volume. A file can know them by another spelling: where a
    path leads on to where a home lay, what stands before that is its volume's root.
    """
    known = {volume: {root.rstrip("/\\")} for volume, root in roots.items()}
    tails = [(home.volume, tuple(name.casefold() for name in home.names)) for home in homes if home.names]
    for value in found:
        folded = tuple(name.casefold() for name in value.names)
        for volume, tail in tails:
            for at in range(2, len(folded) - len(tail) + 1):
                if folded[at : at + len(tail)] == tail:
                    known.setdefault(volume, set()).add(joined(value.names[:at]))
                    break
    return known
