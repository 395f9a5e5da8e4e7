"""The places at which the homes of the layouts were looked for, and what came of each."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from handhold.model import HomeKind


class Outcome(StrEnum):
    """What came of looking for a home at one place."""

    READ = "read"  # it is there and could be listed
    REFUSED = "refused"  # it is there, and the system does not let it be listed
    NOT_LISTED = "not listed"  # a folder on the way to it could not be listed, so nobody knows
    NOT_THERE = "not there"


class Way(NamedTuple):
    """One place of one home on one volume."""

    emulator: str
    home: str  # in the layout
    kind: HomeKind
    volume: str
    path: str  # relative to the volume; of a folder that is there, or else as the layout has it
    outcome: Outcome
