"""Files of folders that tests draft layouts from, with what recognition is to have them for."""

from __future__ import annotations

from handhold.layouts.catalogue import read_catalogue
from handhold.layouts.draft.draft import Proposal, Wanted, draft
from handhold.layouts.draft.likeness import Evidence
from handhold.layouts.draft.sighting import Sighting
from handhold.layouts.recognition.recognise import Looks
from handhold.model import Part

PATTERNS = read_catalogue([]).patterns


def seen(path: str, part: Part | None, game: str | None = None, confidence: int = 90) -> Sighting:
    """One file; ``path`` is in written form."""
    return Sighting(path, 8192, Looks(part, confidence, ("the test says so",), game))


def drafted(*sightings: Sighting, evidence: Evidence | None = None, id: str = "tinplate") -> Proposal:
    """The draft for these files."""
    named = Wanted(id, "Tinplate", "/mnt/card/Tinplate", ("card:Tinplate",))
    return draft(sightings, PATTERNS, evidence or Evidence(), named)


def paths(proposal: Proposal) -> list[tuple[Part | None, str]]:
    """Part and path of the rules of its own."""
    return [(rule.part, rule.path) for rule in (*proposal.keep, *proposal.skip)]
