"""Path patterns: which files of a home a rule means.

====================  ==========================================================================
``*``                 any characters of one name, or none
``?``                 exactly one character of a name
``**``                alone between slashes: any number of folders, or none; at the end: everything below
``{sav,srm}``         either of them; what stands between the commas can be a pattern too
``{game}``            at least one character of one name, and remembers it under that name
``\\*``               the next character as it is
====================  ==========================================================================

Everything else stands for itself, ``[`` too. Case does not matter and composed and decomposed letters are
the same (Unicode normalization form C).

>>> compile_pattern("saves/{game}.{sav,srm}").match("Saves/Lamp Oil.SAV")
{'game': 'Lamp Oil'}

A pattern can come from a stranger, so matching takes time proportional to the length of the path times the
length of the pattern: alternatives are written out (up to a limit), and what is left is matched from the end
of the path, taking the nearest place for each fixed piece and never going back to look for another. That is
enough: where a ``*`` or ``**`` follows, an earlier end of the piece before it can only help. From the end,
because a name's first capture is then the longest: ``{game}_{slot}.st`` finds ``My_Game`` and ``1`` in
``My_Game_1.st``.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, field
from enum import Enum
from functools import cached_property, lru_cache
from itertools import pairwise

from handhold.layouts.mistakes import Wrong
from handhold.names import native, written

MOST_CHARACTERS = 1000
MOST_WILDCARDS = 8  # in one segment
MOST_DEEP = 4  # "**" in a pattern
MOST_SEGMENTS = 64
MOST_WAYS = 128  # alternatives, written out
MOST_NESTED = 4  # braces inside braces
# A capture that stands twice forces the search to go back, so less else is allowed beside it.
MOST_WILDCARDS_WITH_REPEAT = 2
MOST_DEEP_WITH_REPEAT = 1

_CAPTURE = re.compile(r"[a-z][a-z0-9_]{0,19}")
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")


class _Wild(Enum):
    ANY = "*"
    ONE = "?"
    DEEP = "**"


@dataclass(frozen=True, slots=True)
class _Capture:
    name: str


_Token = str | _Wild | _Capture  # a str is one literal character
_Way = tuple[_Token, ...]


@dataclass(frozen=True)
class Pattern:
    """A pattern that is known to be sound; two of the same text are equal. Made by ``compile_pattern``."""

    text: str
    _expression: str = field(compare=False, repr=False)
    _groups: tuple[str, ...] = field(compare=False, repr=False)  # the name of each group of it
    _head: str = field(compare=False, repr=False)  # lower-case ASCII with which every fitting path begins
    _tail: str = field(compare=False, repr=False)  # and ends

    def match(self, path: str) -> dict[str, str] | None:
        """What the captures hold, in written form, or None if the path does not fit.

        ``path`` is relative to the home and in written form.
        """
        return self.match_prepared(*prepared(path))

    def match_prepared(self, backwards: str, folded: str | None) -> dict[str, str] | None:
        """The same for a path that went through ``prepared``; many patterns can then look at one path."""
        if folded is not None and not (folded.startswith(self._head) and folded.endswith(self._tail)):
            return None
        found = self._regex.match(backwards)
        if found is None:
            return None
        return {
            name: written(piece[::-1])
            for name, piece in zip(self._groups, found.groups(), strict=True)
            if piece is not None
        }

    @cached_property
    def _regex(self) -> re.Pattern[str]:
        # Only when it is first asked: most commands read every layout and match with none.
        return re.compile(self._expression, re.IGNORECASE)

    @property
    def captures(self) -> frozenset[str]:
        """The names of the captures."""
        return frozenset(self._groups)


def prepared(path: str) -> tuple[str, str | None]:
    """A path in written form as the patterns look at it: backwards, and folded where that is safe.

    Folded is None for a path with other than plain ASCII letters, whose cases are left to the matcher.
    """
    if path.isascii() and "\\" not in path:
        return path[::-1] + "/", path.lower()
    return unicodedata.normalize("NFC", native(path))[::-1] + "/", None


@lru_cache(maxsize=4096)
def compile_pattern(text: str) -> Pattern:
    """The pattern that is written so; raises ``Wrong`` with what is wrong about it."""
    if not text:
        raise Wrong("an empty path", 'a pattern such as "saves/**"')
    if len(text) > MOST_CHARACTERS:
        raise Wrong(f"a path pattern of {len(text)} characters", f"at most {MOST_CHARACTERS}")
    if _CONTROL.search(text):
        raise Wrong("a path with a control character", "printable characters")
    parser = _Parser(unicodedata.normalize("NFC", text))
    ways = parser.parse()
    pieces: list[str] = []
    groups: list[str] = []
    for way in dict.fromkeys(ways):
        pieces.append(_regex(_checked(text, way), groups))
    heads = [_literal(way) for way in ways]
    tails = [_literal(way[::-1]) for way in ways]
    return Pattern(
        text=text,
        _expression="(?:" + "|".join(pieces) + r")\Z",
        _groups=tuple(groups),
        _head=_common(heads),
        # Without the slash: the "**" before it can stand for no folder at all.
        _tail=_common(tails)[::-1].removeprefix("/"),
    )


class _Parser:
    """Reads a pattern into the ways in which its alternatives can be taken."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0

    def parse(self) -> list[_Way]:
        return self.run(0)

    def run(self, depth: int) -> list[_Way]:
        """Up to the end, or to the comma or brace that ends an alternative."""
        ways: list[_Way] = [()]
        literal: list[_Token] = []
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

    def single(self, char: str) -> _Token:
        self.at += 1
        if char == "*":
            if self.text[self.at : self.at + 1] != "*":
                return _Wild.ANY
            self.at += 1
            return _Wild.DEEP
        if char == "?":
            return _Wild.ONE
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

    def braces(self, depth: int) -> list[_Way]:
        start = self.at
        if depth > MOST_NESTED:
            raise Wrong(
                f'braces too deep inside each other in "{_short(self.text)}"', f"at most {MOST_NESTED}"
            )
        choices: list[_Way] = []
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
        return [(_Capture(name),)]


def _short(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "..."


def _common(texts: list[str]) -> str:
    """With what all of them begin."""
    low, high = min(texts), max(texts)
    same = 0
    while same < len(low) and low[same] == high[same]:
        same += 1
    return low[:same]


def _literal(way: _Way) -> str:
    """The plain ASCII with which a way begins, in lower case."""
    run: list[str] = []
    for token in way:
        if not isinstance(token, str) or not token.isascii() or token == "\\":
            break
        run.append(token.lower())
    return "".join(run)


def _checked(text: str, way: _Way) -> list[_Way]:
    """The segments of one way, if it is a sound relative path within the limits."""
    shown = _short(text)
    segments: list[list[_Token]] = [[]]
    for token in way:
        if token == "/":
            segments.append([])
        else:
            segments[-1].append(token)
    if len(segments) > MOST_SEGMENTS:
        raise Wrong(f'too many folders in "{shown}"', f"at most {MOST_SEGMENTS}")
    if not segments[0] and len(segments) > 1:
        raise Wrong(f'"{shown}" begins with "/"', "a path that begins inside the home")
    if not segments[-1] and len(segments) > 1:
        raise Wrong(
            f'"{shown}" ends with "/"', f'"{_short(text.rstrip("/"))}/**" for everything below that folder'
        )
    names = [token.name for token in way if isinstance(token, _Capture)]
    repeats = len(set(names)) < len(names)
    most = MOST_WILDCARDS_WITH_REPEAT if repeats else MOST_WILDCARDS
    deep = 0
    for segment in segments:
        if not segment:
            raise Wrong(f'an empty name in "{shown}"', 'a single "/" between folders')
        if segment in (["."], [".", "."]):
            raise Wrong(f'"." or ".." in "{shown}"', "a path that stays inside the home")
        if _Wild.DEEP in segment:
            deep += 1
            if len(segment) > 1:
                raise Wrong(f'"**" beside something else in "{shown}"', '"**" alone between slashes')
            continue
        wild = [token is _Wild.ANY or isinstance(token, _Capture) for token in segment]
        if sum(wild) > most:
            raise Wrong(
                f'too many wildcards in one name in "{shown}"',
                f"at most {most}" + (" where a capture stands twice" if repeats else ""),
            )
        if any(a and b for a, b in pairwise(wild)):
            raise Wrong(
                f'two wildcards side by side in "{shown}"', "something between them that says where one ends"
            )
    most = MOST_DEEP_WITH_REPEAT if repeats else MOST_DEEP
    if deep > most:
        raise Wrong(
            f'too many "**" in "{shown}"',
            f"at most {most}" + (" where a capture stands twice" if repeats else ""),
        )
    return [tuple(segment) for segment in segments]


def _regex(segments: list[_Way], groups: list[str]) -> str:
    """One way as a regular expression over the path written backwards with "/" behind every name."""
    names = [token.name for segment in segments for token in segment if isinstance(token, _Capture)]
    keep = "(?:" if len(set(names)) < len(names) else "(?>"
    seen: dict[str, int] = {}
    runs: list[str] = [""]  # the segments between the "**"
    for index, segment in enumerate(reversed(segments)):
        if segment != (_Wild.DEEP,):
            runs[-1] += _segment(segment[::-1], keep, seen, groups) + "/"
        elif index == 0:
            runs = ["[^/]++/", ""]  # at the end: something must lie below
        elif runs[-1] or len(runs) == 1:
            runs.append("")
    if len(runs) == 1:
        return runs[0]
    middle = "".join(f"{keep}(?:[^/]++/)*?{run})" for run in runs[1:-1])
    return f"{runs[0]}{middle}(?:[^/]++/)*{runs[-1]}"


def _segment(tokens: _Way, keep: str, seen: dict[str, int], groups: list[str]) -> str:
    """One name, written backwards; ``keep`` opens a group that is not gone back into, where that is right."""
    out: list[str] = []
    pending = ""  # the last wildcard, with the fixed piece behind it still to come
    fixed = ""
    for token in tokens:
        if isinstance(token, _Capture) and token.name in seen:
            fixed += rf"(?:\{seen[token.name]})"
        elif token is _Wild.ANY or isinstance(token, _Capture):
            out.append(f"{keep}{pending}{fixed})" if pending else fixed)
            fixed = ""
            if isinstance(token, _Capture):
                groups.append(token.name)
                seen[token.name] = len(groups)
                pending = "([^/]+?)"
            else:
                pending = "[^/]*?"
        elif token is _Wild.ONE:
            fixed += "[^/]"
        else:
            assert isinstance(token, str)
            fixed += re.escape(token)
    return "".join(out) + pending + fixed
