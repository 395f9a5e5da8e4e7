"""Exports on a device: which of them are kept, and whether the newest is older than what was played since.

Pure: decided from what a walk found. Only an export can be kept of an emulator that hides its data, so an old
export is an old save (common practice, no source).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from handhold.device.claims import Claim
from handhold.layouts.layout import ALL
from handhold.model import EARLIEST_NS, NS, HomeKind, Part, Volume

if TYPE_CHECKING:
    from handhold.layouts.layout import Layout

DAY_NS = 86_400 * NS
#: An export is called stale from this age on, whatever else is known (common practice, no source).
OLD_NS = 14 * DAY_NS
#: What an emulator writes within a day of its export (when it is closed, say) tells of no later play.
GRACE_NS = DAY_NS
#: The other pieces of a zip that is cut into several files. Source: ZIP application note 6.3.10, section 8
_SPLIT = re.compile(r"\.z\d\d\Z", re.IGNORECASE)
#: What is put behind the name of an export: the pieces of a large one, a checksum, a list.
_PIECE = re.compile(r"\.(?:zip|7z|tar|gz|tgz|xz|zst|z\d\d)(?:\..*)?\Z", re.IGNORECASE | re.DOTALL)


def has_content(claim: Claim) -> bool:
    """Whether a file holds anything: an empty one is an export that was broken off."""
    return claim.size > 0


class Stale(NamedTuple):
    """An emulator whose newest export is older than it should be; ``why`` is for its owner."""

    emulator: str
    volume: str
    path: str  # of the newest export, relative to the volume
    modified: int  # nanoseconds
    why: str


class Older(NamedTuple):
    """An export that is left out of a snapshot, because newer ones are kept."""

    emulator: str
    volume: str
    path: str
    modified: int  # nanoseconds


def stale_exports(
    claims: Iterable[Claim],
    layouts: Sequence[Layout],
    volumes: Sequence[Volume],
    now: int,
    whole: Callable[[Claim], bool] = has_content,
) -> list[Stale]:
    """The emulators whose newest export is stale, by id. ``now`` in nanoseconds.

    Stale is an export that is older than the newest file in the other homes of that emulator, by more than a
    day and by what the clocks of the volumes can blur; or than 14 days. Times in the future, and before
    2000, tell nothing. An export that is not ``whole`` is none; it is asked of the newest ones only.
    """
    blurs = {volume.name: volume.traits.blur_ns for volume in volumes}
    exports: dict[str, list[Claim]] = {}
    others: dict[str, Claim] = {}
    for claim in claims:
        if claim.part is Part.GAMES or not EARLIEST_NS <= claim.modified <= now + DAY_NS:
            continue
        if is_excerpt(claim.path):
            continue
        if claim.site.kind is HomeKind.EXPORT:
            exports.setdefault(claim.emulator, []).append(claim)
            continue
        best = others.get(claim.emulator)
        if best is None or claim.modified > best.modified:
            others[claim.emulator] = claim
    titles = {layout.id: layout.title for layout in layouts}
    found = []
    for emulator, some in sorted(exports.items()):
        by_age = sorted(some, key=lambda each: each.modified, reverse=True)
        export = next((each for each in by_age if whole(each)), by_age[0])
        newest = "newest export" if export is by_age[0] else "newest whole export"
        why = _why(export, others.get(emulator), blurs, titles.get(emulator, emulator), now, newest)
        if why:
            found.append(Stale(emulator, export.site.volume, export.volume_path, export.modified, why))
    return found


def _why(
    export: Claim, other: Claim | None, blurs: Mapping[str, int], title: str, now: int, newest: str
) -> str:
    advice = f"export again inside {title}, then take the snapshot again"
    if other is not None:
        blur = max(blurs.get(one.site.volume, 0) for one in (export, other))
        lead = other.modified - export.modified
        if lead > GRACE_NS + blur:
            return (
                f"{title} was used {_days(lead)} after its {newest} ({other.path} is newer), and what "
                f"was played since is not in it: {advice}"
            )
    age = now - export.modified
    if age > OLD_NS:
        return f"the {newest} of {title} is {_days(age)} old; if you have played since, {advice}"
    return ""


def _days(span: int) -> str:
    days = span // DAY_NS
    return f"{days:,} day{'s' if days != 1 else ''}"


#: The names that restores give to zips of a few members; see ``restore.making``.
_EXCERPT = re.compile(r" \(only .+, from [A-Za-z0-9_-]+ \d{4}-\d\d-\d\d\)\.zip\Z")


def is_excerpt(path: str) -> bool:
    """Whether a restore made this zip of a few members of an export.

    >>> is_excerpt("nightly (only Lamplighter, from marten 2024-03-13).zip"), is_excerpt("nightly.zip")
    (True, False)
    """
    return path.endswith(").zip") and _EXCERPT.search(path) is not None


def without_older(
    claims: Sequence[Claim],
    layouts: Sequence[Layout],
    newest: int | None = None,
    otherwise: int = ALL,
    whole: Callable[[Claim], bool] = has_content,
) -> tuple[list[Claim], list[Older]]:
    """The claims without all but the newest exports of each home, and those that were left out.

    Only layouts that have ``newest`` say that each file at the top of the home, each zip, and each folder of
    other files is an export of everything; elsewhere a file is one game's, and every one is kept. ``newest``
    wins over the layouts' own numbers, and ``otherwise`` is for those that have none. Pieces and checksums of
    an export stay with it. A zip of a few members that a restore put there is no export: it is kept and does
    not count. Nor does an export that is not ``whole``; the newest are asked until there are enough. ``ALL``
    leaves nothing out.
    """
    limits: dict[str, int] = {}
    for layout in layouts:
        if layout.newest is not None:
            limit = newest if newest is not None else layout.newest or otherwise
            if limit != ALL:
                limits[layout.id] = limit
    if not limits:
        return list(claims), []
    groups: dict[tuple[str, str], dict[str, list[Claim]]] = {}
    kept: list[Claim] = []
    for claim in claims:
        export = claim.site.kind is HomeKind.EXPORT and not is_excerpt(claim.path)
        if claim.emulator in limits and export and claim.part is not Part.GAMES:
            home = groups.setdefault((claim.emulator, claim.site.home), {})
            home.setdefault(_export_of(claim.path), []).append(claim)
        else:
            kept.append(claim)
    older: list[Older] = []
    for (emulator, _), exports in groups.items():
        by_age = sorted(exports.items(), key=lambda each: (max(c.modified for c in each[1]), each[0]))
        left = limits[emulator]
        for _, pieces in reversed(by_age):
            if left > 0:
                kept += pieces
                left -= _counts(pieces, whole)
            else:
                older += [Older(emulator, c.site.volume, c.volume_path, c.modified) for c in pieces]
    return kept, older


def _export_of(path: str) -> str:
    """What tells the exports of a home apart: a folder with plain files in it is one export.

    >>> _export_of("a.zip.sha256"), _export_of("old/B.zip"), _export_of("2026-03-13/saves/Moss.sav")
    ('a', 'old/b', '2026-03-13/')
    """
    stem = _PIECE.sub("", path)
    folder, slash, _ = path.partition("/")
    return (f"{folder}/" if slash and stem == path else stem).casefold()


def _counts(pieces: Sequence[Claim], whole: Callable[[Claim], bool]) -> bool:
    """Whether an export of these pieces is one to go back to: no checksum beside it makes it so."""
    zips = [c for c in pieces if c.path.lower().endswith(".zip")]
    if len(zips) == 1 and not any(_SPLIT.search(c.path) for c in pieces):
        return whole(zips[0])
    return any(map(has_content, pieces))
