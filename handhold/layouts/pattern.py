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
from collections.abc import Iterable
from functools import cached_property, lru_cache
from typing import NamedTuple

import msgspec

from handhold.documents.mistakes import Wrong
from handhold.layouts.syntax import Capture, Way, Wild, repeats, ways_of
from handhold.names import native, written

MOST_CHARACTERS = 1000
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")


class Pattern(msgspec.Struct, frozen=True, eq=False, dict=True):
    """A pattern that is known to be sound; two of the same text are equal. Made by ``compile_pattern``."""

    text: str
    _ways: tuple[list[Way], ...]

    def __eq__(self, other: object) -> bool:
        return self.text == other.text if isinstance(other, Pattern) else NotImplemented

    def __hash__(self) -> int:
        return hash(self.text)

    def __repr__(self) -> str:
        return f"Pattern({self.text!r})"

    def match(self, path: str) -> dict[str, str] | None:
        """What the captures hold, in written form, or None if the path does not fit.

        ``path`` is relative to the home and in written form.
        """
        return self.match_prepared(*prepared(path))

    def match_prepared(self, backwards: str, folded: str | None) -> dict[str, str] | None:
        """The same for a path that went through ``prepared``; many patterns can then look at one path."""
        if folded is not None and not (folded.startswith(self._head) and folded.endswith(self._tail)):
            return None
        expression, names = self._files
        found = expression.match(backwards)
        if found is None:
            return None
        return {
            name: written(piece[::-1])
            for name, piece in zip(names, found.groups(), strict=True)
            if piece is not None
        }

    def reaches(self, backwards: str) -> bool:
        """Whether a file right in this folder can fit, for all that its folder's path says.

        ``backwards`` is the folder's path as ``prepared`` gives it, and empty for the home itself.
        """
        return self._folders.match(backwards) is not None

    def narrowed(self, backwards: str) -> Narrowed | None:
        """The pattern for files right in this folder, None if none can fit; much faster than the whole one.

        ``backwards`` is as for ``reaches``. What is left are the ways that this folder fits, and of them the
        last name, unless a capture stands before it.
        """
        if not self.reaches(backwards):
            return None
        if self._plain_folders is None:
            return self._whole
        fitting = tuple(at for at, folder in enumerate(self._plain_folders) if folder.match(backwards))
        found = self._narrowed.get(fitting)
        if found is None and fitting:
            groups: list[str] = []
            names = "|".join(_last(self._ways[at], groups) for at in fitting)
            found = self._narrowed[fitting] = _narrowed(re.compile(f"(?:{names})", re.IGNORECASE), groups)
        return found

    # All of these only when they are first asked: most commands read every layout and match with none.

    @cached_property
    def _head(self) -> str:
        """Lower-case ASCII with which every fitting path begins."""
        return _common([_literal(_with_slashes(way)) for way in self._ways])

    @cached_property
    def _tail(self) -> str:
        """The same with which every one ends."""
        tail = _common([_literal(_with_slashes(way)[::-1]) for way in self._ways])[::-1]
        return tail.removeprefix("/")  # without the slash: the "**" before it can stand for no folder at all

    @cached_property
    def _files(self) -> tuple[re.Pattern[str], tuple[str, ...]]:
        """The expression, and the name of each of its groups."""
        groups: list[str] = []
        ways = "|".join(_expression(way, groups, "[^/]++/") for way in self._ways)
        return re.compile(rf"(?:{ways})\Z", re.IGNORECASE), tuple(groups)

    @cached_property
    def _folders(self) -> re.Pattern[str]:
        ways = dict.fromkeys("(?:[^/]++/)*" if repeats(way) else _folder(way) for way in self._ways)
        return re.compile(rf"(?:{'|'.join(ways)})\Z", re.IGNORECASE)

    @cached_property
    def _plain_folders(self) -> list[re.Pattern[str]] | None:
        """An expression for the folders of each way; None if a capture stands in one."""
        if any(isinstance(token, Capture) for way in self._ways for name in way[:-1] for token in name):
            return None
        return [re.compile(rf"(?:{_folder(way)})\Z", re.IGNORECASE) for way in self._ways]

    @cached_property
    def _narrowed(self) -> dict[tuple[int, ...], Narrowed]:
        return {}

    @cached_property
    def _whole(self) -> Narrowed:
        return _narrowed(*self._files)


class Narrowed(NamedTuple):
    """What of a pattern is left in one folder."""

    expression: re.Pattern[str]  # for the beginning of a path that went through ``prepared``
    games: tuple[int, ...]  # its groups that are the game, of which at most one is in a match

    def game(self, found: re.Match[str]) -> str | None:
        """What ``{game}`` holds, in written form."""
        for group in self.games:
            piece: str | None = found[group]
            if piece is not None:
                return written(piece[::-1])
        return None


def _narrowed(expression: re.Pattern[str], groups: Iterable[str]) -> Narrowed:
    return Narrowed(expression, tuple(number for number, name in enumerate(groups, 1) if name == "game"))


def _folder(way: list[Way]) -> str:
    """The folders in which a file can lie that fits a way without repeated captures, as ``_expression``."""
    return _expression(way if way[-1] == (Wild.DEEP,) else way[:-1], [], "")


def _last(way: list[Way], groups: list[str]) -> str:
    """The last name of such a way, which is any name for a "**"."""
    if way[-1] == (Wild.DEEP,):
        return "[^/]++/"
    keep = "(?:" if repeats(way[-1:]) else "(?>"
    seen: dict[str, int] = {}
    return _segment(way[-1][::-1], keep, seen, groups) + "/"


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
    return Pattern(text, tuple(ways_of(unicodedata.normalize("NFC", text))))


def _with_slashes(segments: list[Way]) -> Way:
    return tuple(token for segment in segments for token in ("/", *segment))[1:]


def _common(texts: list[str]) -> str:
    """With what all of them begin."""
    low, high = min(texts), max(texts)
    same = 0
    while same < len(low) and low[same] == high[same]:
        same += 1
    return low[:same]


def _literal(way: Way) -> str:
    """The plain ASCII with which a way begins, in lower case."""
    run: list[str] = []
    for token in way:
        if not isinstance(token, str) or not token.isascii() or token == "\\":
            break
        run.append(token.lower())
    return "".join(run)


def _expression(segments: list[Way], groups: list[str], end: str) -> str:
    """One way as a regular expression over the path written backwards with "/" behind every name.

    ``end`` is what a "**" at the end of the way needs at least. The names of groups are added to ``groups``.
    """
    keep = "(?:" if repeats(segments) else "(?>"
    seen: dict[str, int] = {}
    runs: list[str] = [""]  # the segments between the "**"
    for index, segment in enumerate(reversed(segments)):
        if segment != (Wild.DEEP,):
            runs[-1] += _segment(segment[::-1], keep, seen, groups) + "/"
        elif index == 0:
            runs = [end, ""]
        elif runs[-1] or len(runs) == 1:
            runs.append("")
    if len(runs) == 1:
        return runs[0]
    middle = "".join(f"{keep}(?:[^/]++/)*?{run})" for run in runs[1:-1])
    return f"{runs[0]}{middle}(?:[^/]++/)*{runs[-1]}"


def _segment(tokens: Way, keep: str, seen: dict[str, int], groups: list[str]) -> str:
    """One name, written backwards; ``keep`` opens a group that is not gone back into, where that is right."""
    out: list[str] = []
    pending = ""  # the last wildcard, with the fixed piece behind it still to come
    fixed = ""
    for token in tokens:
        if isinstance(token, Capture) and token.name in seen:
            fixed += rf"(?:\{seen[token.name]})"
        elif token is Wild.ANY or isinstance(token, Capture):
            out.append(f"{keep}{pending}{fixed})" if pending else fixed)
            fixed = ""
            if isinstance(token, Capture):
                groups.append(token.name)
                seen[token.name] = len(groups)
                pending = "([^/]+?)"
            else:
                pending = "[^/]*?"
        elif token is Wild.ONE:
            fixed += "[^/]"
        else:
            assert isinstance(token, str)
            fixed += re.escape(token)
    return "".join(out) + pending + fixed
