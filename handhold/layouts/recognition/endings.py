"""The endings of files, and what kind of file has them."""

from __future__ import annotations

import re
from functools import lru_cache

from handhold.layouts.recognition.signals import UNKNOWN, signals

#: An ending with a number behind: "st1", "state12".
NUMBERED = re.compile("([a-z]{1,12})[._-]?([0-9]{1,3})")
#: What a copy leaves behind an ending: "sav (1)", "sav - copy", "sav~".
_OF_A_COPY = re.compile(r"(?<=[a-z0-9])[ _(\[~-].*$")
#: Kinds of endings that a game can have.
PLAYED = frozenset(("game", "disc", "archive", "ambiguous", UNKNOWN))
#: Kinds of endings that say nothing.
OPEN = frozenset(("ambiguous", UNKNOWN))


@lru_cache(maxsize=8192)
def kind_of(ending: str) -> str:
    """The kind of an ending, in lower case and without its dot."""
    known = signals()
    kind = known.kinds.get(ending)
    if kind is not None:
        return kind
    original = _OF_A_COPY.sub("", ending)
    if original != ending:
        return kind_of(original)
    numbered = NUMBERED.fullmatch(ending)
    if numbered:
        if numbered[1] in known.numbered:
            return "state"
        if known.points["save"].get(numbered[1], 0) >= known.evidence["clear"]:
            return "save"
    return UNKNOWN


@lru_cache(maxsize=8192)
def points_of(ending: str, kind: str) -> int:
    """How much an ending says by itself for a save or a state."""
    known = signals()
    if kind not in known.points:
        return 0
    ending = _OF_A_COPY.sub("", ending)
    points = known.points[kind].get(ending)
    if points is None:
        numbered = NUMBERED.fullmatch(ending)
        base = numbered[1] if numbered else ""
        points = known.numbered.get(base, 0) if kind == "state" else known.points["save"].get(base, 0) - 5
    return points


def parted(name: str) -> tuple[str, str]:
    """A name without its ending, and the lower-case ending; one that begins with its only dot has none."""
    dot = name.rfind(".")
    return (name[:dot], name[dot + 1 :].lower()) if dot > 0 else (name, "")
