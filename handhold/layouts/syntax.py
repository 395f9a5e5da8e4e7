"""Reads the text of a path pattern into the ways in which its alternatives can be taken.

Raises ``Wrong`` for anything that is no sound relative path, or beyond the limits that keep a pattern from a
stranger from running away.
"""

from __future__ import annotations

import re
from enum import Enum
from itertools import pairwise

import msgspec

from handhold.documents.mistakes import Wrong

MOST_WILDCARDS = 8  # in one segment
MOST_DEEP = 4  # "**" in a pattern
MOST_SEGMENTS = 64
MOST_WAYS = 128  # alternatives, written out
MOST_NESTED = 4  # braces inside braces
# A capture that stands twice forces the search to go back, so less else is allowed beside it.
MOST_WILDCARDS_WITH_REPEAT = 2
MOST_DEEP_WITH_REPEAT = 1

_CAPTURE = re.compile(r"[a-z][a-z0-9_]{0,19}")


class Wild(Enum):
    """What stands for other characters, and is not remembered."""

    ANY = "*"
    ONE = "?"
    DEEP = "**"


class Capture(msgspec.Struct, frozen=True):
    """What stands for at least one character, and is remembered."""

    name: str


Token = str | Wild | Capture  # a str is one literal character
Way = tuple[Token, ...]


def ways_of(text: str) -> list[list[Way]]:
    """Every way in which the alternatives of a pattern can be taken, each as its segments."""
    known: dict[Way, tuple[int, bool]] = {}  # most segments are those of many ways
    return [_checked(text, way, known) for way in dict.fromkeys(_Parser(text).run(0))]


def repeats(segments: list[Way]) -> bool:
    """Whether a capture stands in it twice."""
    names = [token.name for segment in segments for token in segment if isinstance(token, Capture)]
    return len(set(names)) < len(names)


class _Parser:
    """Reads a pattern into the ways in which its alternatives can be taken."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0

    def run(self, depth: int) -> list[Way]:
        """Up to the end, or to the comma or brace that ends an alternative."""
        ways: list[Way] = [()]
        literal: list[Token] = []
        text = self.text
        while self.at < len(text):
            char = text[self.at]
            if depth and char in ",}":
                break
            if char == "{":
                ways = [(*way, *literal) for way in ways]
                literal = []
                choices = self.braces(depth + 1)
                if len(ways) * len(choices) > MOST_WAYS:
                    raise Wrong(f'too many alternatives in "{_short(text)}"', f"at most {MOST_WAYS} in all")
                ways = [(*way, *choice) for way in ways for choice in choices]
                continue
            literal.append(self.single(char))
        return [(*way, *literal) for way in ways]

    def single(self, char: str) -> Token:
        self.at += 1
        if char == "*":
            if self.text[self.at : self.at + 1] != "*":
                return Wild.ANY
            self.at += 1
            return Wild.DEEP
        if char == "?":
            return Wild.ONE
        if char == "}":
            raise Wrong(f'a "}}" without its "{{" in "{_short(self.text)}"', 'a pair of them, or "\\}"')
        if char == "\\":
            if self.at == len(self.text):
                raise Wrong(f'a "\\" at the end of "{_short(self.text)}"', "a character behind it")
            char = self.text[self.at]
            self.at += 1
            if char == "/":
                raise Wrong(f'"\\/" in "{_short(self.text)}"', 'a plain "/" between folders')
        return char

    def braces(self, depth: int) -> list[Way]:
        start = self.at
        if depth > MOST_NESTED:
            raise Wrong(
                f'braces too deep inside each other in "{_short(self.text)}"', f"at most {MOST_NESTED}"
            )
        choices: list[Way] = []
        alternatives = 0
        while True:
            self.at += 1  # past "{" or ","
            choices += self.run(depth)
            alternatives += 1
            if len(choices) > MOST_WAYS:
                raise Wrong(f'too many alternatives in "{_short(self.text)}"', f"at most {MOST_WAYS} in all")
            if self.at == len(self.text):
                raise Wrong(f'a "{{" without its "}}" in "{_short(self.text)}"', 'a pair of them, or "\\{"')
            if self.text[self.at] == "}":
                break
        self.at += 1
        if alternatives > 1:
            return choices
        name = self.text[start + 1 : self.at - 1]
        if not _CAPTURE.fullmatch(name):
            raise Wrong(
                f'the capture "{{{_short(name)}}}"',
                'a name of lower-case letters, digits and "_", such as {game} or {slot}, '
                "or alternatives with a comma between them",
            )
        return [(Capture(name),)]


def _short(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "..."


def _segments(way: Way) -> list[Way]:
    """What stands between the slashes."""
    segments = []
    start = 0
    for _ in range(way.count("/")):
        end = way.index("/", start)
        segments.append(way[start:end])
        start = end + 1
    return [*segments, way[start:]]


def _wildcards(segment: Way) -> tuple[int, bool]:
    """The number of wildcards in a segment, and whether two of them stand side by side."""
    wild = [token is Wild.ANY or isinstance(token, Capture) for token in segment]
    return sum(wild), any(a and b for a, b in pairwise(wild))


def _checked(text: str, way: Way, known: dict[Way, tuple[int, bool]]) -> list[Way]:
    """The segments of one way, if it is a sound relative path within the limits.

    ``known`` are the ``_wildcards`` of other ways' segments; those of this one are added.
    """
    shown = _short(text)
    segments = _segments(way)
    if len(segments) > MOST_SEGMENTS:
        raise Wrong(f'too many folders in "{shown}"', f"at most {MOST_SEGMENTS}")
    if not segments[0] and len(segments) > 1:
        raise Wrong(f'"{shown}" begins with "/"', "a path that begins inside the home")
    if not segments[-1] and len(segments) > 1:
        raise Wrong(
            f'"{shown}" ends with "/"', f'"{_short(text.rstrip("/"))}/**" for everything below that folder'
        )
    twice = text.count("{") > 1 and repeats(segments)  # a capture that stands twice has two braces
    most = MOST_WILDCARDS_WITH_REPEAT if twice else MOST_WILDCARDS
    deep = 0
    for segment in segments:
        if not segment:
            raise Wrong(f'an empty name in "{shown}"', 'a single "/" between folders')
        if segment in ((".",), (".", ".")):
            raise Wrong(f'"." or ".." in "{shown}"', "a path that stays inside the home")
        if Wild.DEEP in segment:
            deep += 1
            if len(segment) > 1:
                raise Wrong(f'"**" beside something else in "{shown}"', '"**" alone between slashes')
            continue
        wild = known.get(segment)
        if wild is None:
            wild = known[segment] = _wildcards(segment)
        count, side_by_side = wild
        if count > most:
            raise Wrong(
                f'too many wildcards in one name in "{shown}"',
                f"at most {most}" + (" where a capture stands twice" if twice else ""),
            )
        if side_by_side:
            raise Wrong(
                f'two wildcards side by side in "{shown}"', "something between them that says where one ends"
            )
    most = MOST_DEEP_WITH_REPEAT if twice else MOST_DEEP
    if deep > most:
        raise Wrong(
            f'too many "**" in "{shown}"',
            f"at most {most}" + (" where a capture stands twice" if twice else ""),
        )
    return segments
