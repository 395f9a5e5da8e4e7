"""Looking for a few entries in many pages, of which most speak of nothing that is looked for."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable
from functools import lru_cache
from itertools import compress

import msgspec

from handhold.archive.pages import KnownLines, check_order
from handhold.model import Entry, Part


def speaks_of(page: bytes, words: Iterable[str]) -> bool:
    """Whether any of the words can stand in a page, without decoding it; case does not matter.

    Words are small ASCII letters and what else JSON does not escape. A page with other letters (some of which
    are the same as ASCII ones in another case), with escapes, or that lists zips, can speak of anything.

    >>> speaks_of(b'{"path":"saves/Moss Garden.sav"}', ["moss g"]), speaks_of(b'{"path":"a"}', ["moss"])
    (True, False)
    """
    if _speaks_of_anything(page):
        return True
    lower = page.lower()
    return any(word.encode() in lower for word in words)


def _speaks_of_anything(page: bytes) -> bool:
    return not page.isascii() or b"\\" in page or b'"members"' in page


def lines_that_speak(page: bytes, words: Collection[str]) -> list[bytes] | None:
    """The lines of a page in which any of the words can stand (``speaks_of``), without decoding it.

    None where an entry may not be on a line of its own, so that the whole page has to be decoded.

    >>> lines_that_speak(b'{"path":"Moss.sav"}\\n{"path":"Salt.sav"}\\n', ["salt"])
    [b'{"path":"Salt.sav"}']
    """
    anything = _speaks_of_anything(page)
    begins = _begins(page, words)
    if not begins and not anything:
        return []
    if not _in_lines(page):
        return None
    found = [page[begin : page.index(b"\n", begin)] for begin in sorted(begins)]
    if not anything:
        return found
    told, ascii, members = set(found), page.isascii(), b'"members"' in page
    return [
        line
        for line in page.split(b"\n")[:-1]
        if line in told
        or not (ascii or line.isascii())
        or b"\\" in line
        or (members and b'"members"' in line)
    ]


def _begins(page: bytes, words: Iterable[str]) -> set[int]:
    """Where the lines begin in which one of the words stands, whatever its case."""
    begins: set[int] = set()
    words = [word for word in words if _caseless(word) in page]
    if not words:
        return begins
    lower = page.lower()
    for word in words:
        sought = word.encode()
        at = lower.find(sought)
        while at >= 0:
            begins.add(page.rfind(b"\n", 0, at) + 1)
            end = page.find(b"\n", at)
            at = lower.find(sought, end) if end >= 0 else -1
    return begins


@lru_cache(maxsize=256)
def _caseless(word: str) -> bytes:
    """The longest piece of a word without letters; to look for it is quicker than to fold a page's case.

    >>> _caseless("game 17"), _caseless("moss")
    (b' 17', b'')
    """
    return max(re.split("[A-Za-z]+", word), key=len).encode()


def _in_lines(page: bytes) -> bool:
    """Whether each line of a page, if it is JSON, holds whole objects only: none goes on in the next one.

    Inside of an object neither a line break in a text nor ``{`` behind ``}`` is JSON.
    """
    return page.startswith(b"{") and page.endswith(b"}\n") and page.count(b"}\n{") == page.count(b"\n") - 1


class Glance(msgspec.Struct, frozen=True, gc=False):
    """As much of an entry as decides whether it is looked for; nothing of it is checked."""

    emulator: str
    part: Part
    path: str
    game: str | None = None
    members: str | None = None


def glance(page: bytes) -> list[Glance]:
    """What a page speaks of, in a fifth of the time that it takes to believe it.

    Raises ``ValueError`` if it cannot be read.
    """
    try:
        return _glances.decode_lines(page)
    except (msgspec.MsgspecError, RecursionError) as error:
        raise ValueError(f"the page cannot be read ({error})") from error


_glances = msgspec.json.Decoder(Glance)


class Search:
    """Looks for the same in page after page: in a page, only at the lines that speak of it.

    From night to night most lines of a page stay; what a line was found to be is remembered. ``fits`` says
    of an entry, or of a glance at it, whether it is looked for; what fits has one of the ``words``, if there
    are any (see ``speaks_of``).
    """

    def __init__(
        self,
        known: KnownLines,
        fits: Callable[[Glance | Entry], bool],
        words: Collection[str] = (),
        most: int = 1 << 16,
        largest: int = 1024,
    ) -> None:
        self._known, self._fits, self._words = known, fits, words
        self._most, self._largest = most, largest  # lines that are remembered, and bytes of one
        self._others: set[bytes] = set()  # lines that speak of it and are not looked for

    def found(self, page: bytes) -> list[Entry]:
        """The entries of a page that fit, each checked. Raises ``ValueError`` if it cannot be read."""
        if not self._words:
            return [one for one in self._known.decode(page) if self._fits(one)]  # most do
        lines = lines_that_speak(page, self._words)
        if lines is None:
            return [one for one in self._known.decode(page) if self._fits(one)]
        wanted = [line for line in lines if line not in self._others]
        if not wanted:
            return []
        glances = glance(b"\n".join(wanted))
        if len(glances) != len(wanted):
            return [one for one in self._known.decode(page) if self._fits(one)]
        fitting = [self._fits(one) for one in glances]
        if len(self._others) > self._most:
            self._others.clear()
        self._others.update(
            line
            for line, fits in zip(wanted, fitting, strict=True)
            if not fits and len(line) <= self._largest
        )
        entries = self._known.entries(list(compress(wanted, fitting)))
        check_order(entries)
        return entries
