"""Names of files and folders as words that can be compared: without case, accents and separators."""

from __future__ import annotations

import re
import unicodedata

_HUMP = re.compile(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])|(?<=[A-Z])(?=[A-Z][a-z])")
_APART = re.compile(r"[\W\d_]+")
_LATIN_MARKS = re.compile("[\u0300-\u036f]")


def folded(text: str) -> str:
    """Text without case and without the accents of Latin letters.

    >>> folded("Spielstände"), folded("État"), folded("ｾｰﾌﾞ")
    ('spielstande', 'etat', 'セーブ')
    """
    if text.isascii():
        return text.lower()
    apart = unicodedata.normalize("NFKD", text)
    return unicodedata.normalize("NFC", _LATIN_MARKS.sub("", apart)).casefold()


def words(name: str) -> list[str]:
    """The words of a name, folded; digits and signs stand between words, and so do humps.

    >>> words("SaveStates_old-2"), words("Memory cards (PAL)")
    (['save', 'states', 'old'], ['memory', 'cards', 'pal'])
    """
    if not name.isupper():
        name = _HUMP.sub(" ", name)
    return [word for word in _APART.split(folded(name)) if word]


def squeezed(name: str) -> str:
    """The letters of a name in one run, folded.

    >>> squeezed("Save-States 2")
    'savestates'
    """
    return _APART.sub("", folded(name))
