"""Which file belongs to which emulator: the nouns of a walk, and the rule for files that several want."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from handhold.device.listing import joined
from handhold.model import Device, Gap, HomeKind, Part, Site
from handhold.names import native

if TYPE_CHECKING:
    from handhold.device.recognising import Recognised
    from handhold.device.ways import Way
    from handhold.layouts.layout import Verdict


class Claim(msgspec.Struct, frozen=True, gc=False):
    """A file that a layout names, or that was recognised, as it was found.

    There can be a million of them: nothing that can be derived is kept. It has as many fields as make it as
    large as an entry (with its header), to the 16 bytes in steps of which memory is given: each entry can lie
    where a claim lay that made way.
    """

    site: Site
    part: Part
    game: str | None
    path: str  # relative to the home, in written form
    size: int  # bytes
    modified: int  # nanoseconds since 1970-01-01T00:00:00Z
    folder: str  # absolute, as the operating system writes it; one text for all files in it
    twin_device: int | None = None  # st_dev and st_ino of a file that has other names as well
    twin_inode: int | None = None

    @property
    def twins(self) -> tuple[int, int] | None:
        """What all names of one file share; None if it has but one."""
        return (
            None
            if self.twin_device is None or self.twin_inode is None
            else (self.twin_device, self.twin_inode)
        )

    @property
    def place(self) -> str:
        """Its absolute path, as the operating system writes it."""
        return joined(self.folder, native(self.path.rpartition("/")[2]))

    @property
    def emulator(self) -> str:
        """The emulator that it belongs to."""
        return self.site.emulator

    @property
    def volume_path(self) -> str:
        """Where it lies on the site's volume, in written form."""
        return f"{self.site.path}/{self.path}" if self.site.path else self.path


class Conflict(NamedTuple):
    """Files of one folder that two emulators would keep; the winner has them."""

    volume: str
    path: str  # the folder, relative to the volume
    winner: str  # emulator ids
    loser: str
    why: str
    files: int


class Unclaimed(NamedTuple):
    """A file that no layout names, or a folder in which none is named."""

    volume: str
    path: str  # relative to the volume
    files: int
    bytes: int
    newest: int | None  # nanoseconds since 1970-01-01T00:00:00Z
    part: Part | None  # what most of it was taken for, if anything
    why: str
    unknown: int | None = None  # the newest of the files in it that could be saves and are not known to be


class Skipped(NamedTuple):
    """How much an emulator's layout leaves out."""

    files: int
    bytes: int


class Walk(msgspec.Struct, frozen=True):
    """What was found in one pass over a device."""

    device: Device
    sites: tuple[Site, ...]
    claims: list[Claim]  # of every part; games are here as an inventory, what is skipped is not
    gaps: list[Gap]
    conflicts: list[Conflict]
    unclaimed: list[Unclaimed]
    skipped: Mapping[str, Skipped]  # by emulator
    blocked: Mapping[str, HomeKind]  # emulators with a home that could not be listed, and of which kind it is
    barred: frozenset[Site]  # the sites that are there and could not be listed
    files: int  # ordinary files that were looked at
    ways: tuple[Way, ...] = ()  # the places at which homes were looked for, and what came of it
    recognised: Mapping[str, Recognised] = {}  # by emulator


class Candidate(NamedTuple):
    """What one home says about a file."""

    depth: int  # how deep the home lies; deeper is more specific
    emulator: str
    verdict: Verdict
    order: int = 0  # which of the homes that were asked


class Decision(NamedTuple):
    """Who has a file, and which other emulators would have kept it."""

    winner: Candidate
    losers: tuple[Candidate, ...]  # one for each emulator


def keeps(verdict: Verdict) -> bool:
    """Whether a verdict names the file as something to have, rather than to leave out."""
    return verdict.part is not None and verdict.part is not Part.CACHE


def saves(verdict: Verdict) -> bool:
    """Whether a verdict names the file as more than one of the games."""
    return keeps(verdict) and verdict.part is not Part.GAMES


def decide(candidates: Sequence[Candidate]) -> Decision:
    """Who has a file that several homes hold; at least one candidate is needed.

    One of the games loses against anything else that is kept: saves lie beside the games. Otherwise the
    deeper home wins; at the same depth keeping beats leaving out, then the lower emulator id.
    """
    more = any(saves(c.verdict) for c in candidates)
    winner = min(
        (c for c in candidates if not (more and c.verdict.part is Part.GAMES)),
        key=lambda c: (-c.depth, not keeps(c.verdict), c.emulator, c.order),
    )
    losers: dict[str, Candidate] = {}
    for candidate in candidates:
        if candidate.emulator != winner.emulator and saves(candidate.verdict):
            losers.setdefault(candidate.emulator, candidate)
    return Decision(winner, tuple(losers[name] for name in sorted(losers)))


def why_lost(winner: Candidate, loser: Candidate) -> str:
    """Why the winner has what the loser would have kept, for people."""
    if not keeps(winner.verdict):
        return f"the home of {winner.emulator} is the more specific one, and its layout leaves the files out"
    if winner.depth > loser.depth:
        return f"the home of {winner.emulator} is the more specific one"
    if winner.depth < loser.depth:
        return f"{winner.emulator} keeps them, {loser.emulator} does not"
    return f"both homes are the same folder, and {winner.emulator} comes first by name"
