"""The homes that hold a folder, and what they say about the files in it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

from handhold.device.claims import Candidate, decide, why_lost
from handhold.device.homes import Start
from handhold.model import Site

if TYPE_CHECKING:
    from handhold.layouts.layout import FolderRules, Verdict


class Active(NamedTuple):
    """A home that holds the folder at hand."""

    verdict: Callable[[str, str], Verdict | None]
    within: Callable[[str, str], FolderRules]  # the same, for all files of a folder
    home: str  # without any "@"
    site: Site
    prefix: str  # the folder's path in the home, with "/" behind it, or ""
    depth: int
    emulator: str


def begun(path: str, starts: list[Start]) -> list[Active]:
    """The homes that begin at this folder."""
    depth = path.count("/") if path != "/" else 0
    return [
        Active(s.layout.verdict, s.layout.in_folder, s.home, s.site, "", depth, s.layout.id) for s in starts
    ]


def asked(
    active: tuple[Active, ...], shown: str, lost: dict[tuple[str, str, str], int]
) -> tuple[Active, Verdict | None]:
    """Whose a file in several homes is; ``lost`` counts those that another emulator would have kept."""
    candidates: list[Candidate] = []
    for order, home in enumerate(active):
        verdict = home.verdict(home.home, home.prefix + shown)
        if verdict is not None:
            candidates.append(Candidate(home.depth, home.emulator, verdict, order))
    if not candidates:
        return active[-1], None
    if len(candidates) == 1:
        only = candidates[0]
        return active[only.order], only.verdict
    winner, losers = decide(candidates)
    for loser in losers:
        key = (winner.emulator, loser.emulator, why_lost(winner, loser))
        lost[key] = lost.get(key, 0) + 1
    return active[winner.order], winner.verdict


def named(active: tuple[Active, ...], shown: str) -> tuple[Active, Verdict] | None:
    """Whose something is that turned out to be no file, if any rule names it."""
    if not active:
        return None
    owner, verdict = asked(active, shown, {})
    return None if verdict is None else (owner, verdict)
