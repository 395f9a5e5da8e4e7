"""What was seen in a folder, and what a layout should make of it."""

from __future__ import annotations

import unicodedata
from typing import NamedTuple

from handhold.layouts.layout import Verdict
from handhold.layouts.recognition.recognise import SURE, Looks
from handhold.model import Part
from handhold.names import native


class Sighting(NamedTuple):
    """A file in the folder that is drafted, and what recognition takes it for."""

    path: str  # relative to the folder, in written form
    size: int  # bytes
    looks: Looks


#: What must not be missed; parts are what a layout exists for.
KEPT = (Part.SAVES, Part.STATES)
#: What is left on the device.
LEFT = (Part.GAMES, Part.CACHE)


def wanted(looks: Looks) -> Part | None:
    """What a layout should make of a file; None where nothing is known well enough."""
    return looks.part if looks.confidence >= SURE else None


def kept_as(verdict: Verdict | None) -> Part | None:
    """The part that a layout has a file as; None if it leaves it out or does not speak of it."""
    return None if verdict is None or verdict.part is Part.CACHE else verdict.part


def fits(want: Part | None, given: Part | None) -> bool:
    """Whether ``given`` is right for a file that should be ``want``.

    A file of which nothing is known may be anything; games and caches may be unclaimed.
    """
    if want is None:
        return True
    if want in LEFT:
        return given is None or given is Part.GAMES
    return given is want


def plain(text: str) -> str | None:
    """Written form as path patterns look at it: the very characters, composed; None if it is no written form.

    >>> plain("cafe\\u0301"), plain("a\\\\\\\\b"), plain("cut \\\\x")
    ('café', 'a\\\\b', None)
    """
    try:
        return unicodedata.normalize("NFC", native(text))
    except ValueError:
        return None
