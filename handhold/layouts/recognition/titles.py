"""What the name of a file says: a part, or the game that it belongs to."""

from __future__ import annotations

import re
from functools import cache, lru_cache

from handhold.layouts.recognition.endings import kind_of, parted
from handhold.layouts.recognition.place import Surroundings
from handhold.layouts.recognition.signals import UNKNOWN, signals
from handhold.layouts.recognition.words import squeezed
from handhold.model import Part

_SLOT = re.compile(
    r"[ _.-]*[(\[]?(?:(?:slot|state|save|quick ?save|auto)[ _.-]*)?(?:[0-9]{1,2}|auto)[)\]]?$", re.I
)
#: Kinds of endings behind which the name can be a game's title.
_TITLED = frozenset(
    ("save", "state", "ambiguous", UNKNOWN, "picture", "wrapped", "archive", "config", "text")
)


@lru_cache(maxsize=32768)
def says(part: str, stem: str) -> str | None:
    """Whether a name speaks of a part: ``whole`` if it says nothing else, ``word``, or None."""
    vocabulary = signals().stems[part]
    means = vocabulary.meaning(stem)
    if means is None:
        return None
    return "whole" if means.word in vocabulary.whole and _is_all(means.word, stem) else "word"


def says_nothing_else(stem: str, *parts: str) -> bool:
    """Whether a name speaks of one of these parts and says nothing else (``says``: ``whole``).

    Most names are titles, of which one look at their letters shows that they are no such word.
    """
    run = squeezed(stem)
    known = _words_for(parts)
    if not (run in known or run + "s" in known or run.removesuffix("s") in known):
        return False
    return any(says(part, stem) == "whole" for part in parts)


@cache
def _words_for(parts: tuple[str, ...]) -> frozenset[str]:
    """The words that are a whole name and speak of one of these parts."""
    vocabularies = signals().stems
    return frozenset().union(*(vocabularies[part].whole for part in parts))


def _is_all(word: str, stem: str) -> bool:
    run = squeezed(stem)
    return run in (word, word + "s") or run + "s" == word


def game_of(here: Surroundings, name: str, part: Part) -> str | None:
    """The game that a save or a state belongs to, as far as names tell."""
    if here.tree and here.title:
        return here.title
    stem, ending = parted(name)
    kind = kind_of(ending)
    inner, inner_ending = parted(stem)
    if inner_ending and kind_of(inner_ending) in ("save", "state"):
        stem, ending = inner, inner_ending
    if part is Part.STATES and not ending[-1:].isdigit():
        stem = _SLOT.sub("", stem) or stem
    if not stem.strip("0123456789 _-") or says_nothing_else(stem, "saves", "cards", "states"):
        return here.title
    return stem if kind in _TITLED else None
