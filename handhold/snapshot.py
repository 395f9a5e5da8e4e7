"""Takes a snapshot: from a device into an archive."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from handhold.archive.archive import Archive
from handhold.archive.inventory import Game
from handhold.archive.manifest import Snapshot, VolumeNote, is_place
from handhold.archive.writer import Writer
from handhold.changes import (
    Lost,
    Suspicious,
    dropped,
    emptied,
    is_quiet,
    recorded,
    times_count,
    told_lost,
)
from handhold.device.claims import Claim, Conflict, Unclaimed
from handhold.device.exports import Older, Stale, stale_exports, without_older
from handhold.device.versions import version_of
from handhold.device.walk import Before, walk
from handhold.errors import Damaged, OwnerError
from handhold.intake import Content, Intake, Job, Unread
from handhold.layouts.layout import ALL, Layout
from handhold.layouts.stored import stored_form
from handhold.model import Clock, Device, Entry, Gap, HomeKind, Kind, Part, Site, nanoseconds
from handhold.names import native, written
from handhold.nights import Held, Night, last_held, last_seen

#: files, bytes, files in all, bytes in all
Progress = Callable[[int, int, int, int], None]


@dataclass(frozen=True, slots=True)
class Options:
    """How a snapshot is taken. ``parts`` are the parts kept; ``reread`` believes no file time.

    ``newest`` is how many exports of everything are kept, ``newest_otherwise`` the same for layouts that do
    not say (see ``without_older``).
    """

    parts: frozenset[Part] = frozenset(part for part in Part if part.kept)
    reread: bool = False
    note: str = ""
    leave_out: tuple[str, ...] = ()  # places that are never walked: the archive itself
    level: int = 3
    recognise: bool = True  # keep saves and states that no layout names
    newest: int | None = None
    newest_otherwise: int = ALL


@dataclass(frozen=True, slots=True)
class Result:
    """What a snapshot brought."""

    snapshot: Snapshot
    files: int
    bytes: int
    new_files: int  # whose content the last snapshot of this device did not hold
    new_by_part: Mapping[Part, int]
    stored_bytes: int  # by which the archive's bundles grew
    gaps: tuple[Gap, ...]
    conflicts: tuple[Conflict, ...]
    unclaimed: tuple[Unclaimed, ...]
    odd: tuple[Odd, ...]
    stale: tuple[Stale, ...]
    older: tuple[Older, ...]  # exports that were left out
    gone: tuple[Gone, ...]  # emulators that the last night held and this one does not
    lost: tuple[Lost, ...]  # saves and states that the last night held and this one does not
    suspicious: tuple[Suspicious, ...]  # saves that have no content any more
    renamed: tuple[Renamed, ...]  # of those, the ones whose files another emulator has now
    recognised: Mapping[str, int]  # by emulator: files that are kept though no layout names them
    seconds: float


class Gone(NamedTuple):
    """An emulator that the last night held and this one does not, and why, in words behind its name."""

    emulator: str
    why: str


class Renamed(NamedTuple):
    """An emulator whose files are kept under another id from now on; its history stays under the old one."""

    old: str
    new: str
    files: int


class Odd(NamedTuple):
    """A file that was kept as it is, and what is wrong with it."""

    emulator: str
    volume: str
    path: str  # relative to the volume
    why: str


@dataclass(frozen=True, slots=True)
class Wanted:
    """One file that is to be kept, wherever it stands."""

    emulator: str
    part: Part
    game: str | None
    home: str
    path: str
    volume: str
    place: str  # absolute path as the operating system writes it


def take(
    archive: Archive,
    device: Device,
    layouts: Sequence[Layout],
    options: Options,
    clock: Clock,
    progress: Progress | None = None,
    seen: Callable[[int], None] | None = None,
) -> Result:
    """Takes a snapshot of the device.

    ``progress`` is told where the reading stands, ``seen`` how many files the walk has seen.
    Raises ``NotNow`` if another run holds the archive, and ``OwnerError`` if there is nothing to keep or no
    room for it. What could not be read is a gap of the result, never an error.
    """
    started = clock()
    begun = time.monotonic()
    with archive.locked("snapshot"):
        seen_before = last_seen(archive, device.name)
        prior = seen_before[0] if seen_before else Night()
        walked = walk(
            device,
            layouts,
            leave_out=options.leave_out,
            progress=seen,
            recognise=options.recognise,
            before=_kept_before(seen_before) if options.recognise else None,
        )
        claims = [claim for claim in walked.claims if claim.part in options.parts]
        claims, older = without_older(claims, layouts, options.newest, options.newest_otherwise)
        gaps = _with_cards(archive, device, walked.gaps)
        if not claims and not gaps and not prior.entries:
            raise OwnerError(
                f"Nothing to keep was found on {device.name}.",
                "handhold survey shows where it looked; are the volumes and the layouts the right ones?",
            )
        before = {entry.key: entry for entry in prior.entries}
        moved = _moved(claims, before, prior.sites)
        with archive.writer(level=options.level) as writer:
            known = before | moved
            reread = options.reread or not times_count(prior.taken_ns, nanoseconds(started))
            quiet, loud = _sort(claims, known, prior, device, archive, reread)
            entries = list(quiet)
            odd: list[Odd] = []
            for outcome in _read(loud, writer, options.level, progress, odd):
                if isinstance(outcome, Entry):
                    entries.append(outcome)
                else:
                    gaps.append(outcome)
            # For what is told, a file that the last night could not see is known from the night that did.
            told = {
                entry.key: entry for night in reversed(seen_before[1:]) for entry in night.entries
            } | known
            new = [e for e in entries if (old := told.get(e.key)) is None or old.sha256 != e.sha256]
            snapshot = writer.finish(
                device=device.name,
                kind=Kind.NIGHT,
                taken=started,
                volumes=_notes(device),
                sites=recorded(walked.sites, entries, gaps),
                layouts=_layouts(layouts, walked.sites),
                entries=entries,
                gaps=gaps,
                note=options.note,
                games=inventory(walked.claims),
                versions=_versions(device, layouts, walked.sites),
            )
            stored = writer.stored_bytes
    by_part: dict[Part, int] = {}
    renamed = _renamed(moved)
    still = {entry.key for entry in entries} | {entry.key for entry in moved.values()}
    went = [
        each for night in seen_before for each in _dropped(device, night, still, gaps, options.parts, older)
    ]
    for entry in new:
        by_part[entry.part] = by_part.get(entry.part, 0) + 1
    return Result(
        snapshot=snapshot,
        files=len(entries),
        bytes=sum(entry.size for entry in entries),
        new_files=len(new),
        new_by_part=by_part,
        stored_bytes=stored,
        gaps=tuple(gaps),
        conflicts=tuple(walked.conflicts),
        unclaimed=tuple(walked.unclaimed),
        odd=tuple(odd),
        stale=tuple(stale_exports(claims, layouts, device.volumes, nanoseconds(started))),
        older=tuple(older),
        gone=_gone(device, prior, entries, gaps, layouts, went),
        lost=told_lost(went, [entry for entry in new if entry.key not in told]),
        suspicious=_suspicious(seen_before, moved, new),
        renamed=tuple(renamed),
        recognised={
            emulator: sum(reason.files for reason in one.listed())
            for emulator, one in sorted(walked.recognised.items())
        },
        seconds=time.monotonic() - begun,
    )


def keep_files(
    archive: Archive,
    device: Device,
    wanted: Sequence[Wanted],
    *,
    kind: Kind,
    clock: Clock,
    sites: Sequence[Site] = (),
    base: str | None = None,
    note: str = "",
) -> tuple[Snapshot | None, list[Entry], list[Gap]]:
    """Keeps just these files of the device, as they are now; the caller holds the archive's lock.

    Returns the snapshot (None if no file could be kept), its entries, and a gap for each file that could not
    be read, or that the archive did not give back. When it returns, each entry has been read back whole from
    the archive: only then may anything be written over the file.
    """
    entries: list[Entry] = []
    gaps: list[Gap] = []
    with archive.writer() as writer:
        with Intake(writer) as intake:
            jobs = (Job(want.place, _size(want.place), want, may_be_export(want.path)) for want in wanted)
            for want, content in intake.read(jobs):
                if isinstance(content, Unread):
                    gaps.append(Gap(want.volume, want.path, content.why, want.emulator, content.advice))
                else:
                    entries.append(_entry(want, content))
        writer.settle()
        entries = [entry for entry in entries if _comes_back(archive, entry, wanted, gaps)]
        if not entries:
            return None, entries, gaps
        snapshot = writer.finish(
            device=device.name,
            kind=kind,
            taken=clock(),
            volumes=_notes(device),
            sites=tuple(sites),
            layouts={},
            entries=entries,
            gaps=gaps,
            note=note,
            base=base,
        )
    return snapshot, entries, gaps


def _comes_back(archive: Archive, entry: Entry, wanted: Sequence[Wanted], gaps: list[Gap]) -> bool:
    """Whether the archive gives the file back, whole; a gap where it does not."""
    try:
        for _ in archive.content(entry):
            pass
    except Damaged as damage:
        volume = next((w.volume for w in wanted if (w.emulator, w.home) == (entry.emulator, entry.home)), "")
        why = f"the archive does not give back what was just put into it: {damage.what}"
        gaps.append(Gap(volume, entry.path, why, entry.emulator, _OTHER_MEDIUM))
        return False
    return True


_OTHER_MEDIUM = "Copy the archive to another card soon; handhold verify says what is hurt."


def _kept_before(nights: Sequence[Night]) -> dict[tuple[str, str], Before]:
    """What was kept as saves and states when it was last seen, by volume and path."""
    kept: dict[tuple[str, str], Before] = {}
    for night in reversed(nights):
        lay = {(site.emulator, site.home): site for site in night.sites}
        for entry in night.entries:
            site = lay.get((entry.emulator, entry.home))
            if site is not None and entry.part in (Part.SAVES, Part.STATES):
                path = f"{site.path}/{entry.path}" if site.path else entry.path
                kept[site.volume, path] = Before(entry.part, entry.game)
    return kept


def _suspicious(
    nights: Sequence[Night], moved: Mapping[tuple[str, str, str], Entry], new: Sequence[Entry]
) -> tuple[Suspicious, ...]:
    """What had content when it was last seen and is empty now, each with the night to go back to."""
    found: list[Suspicious] = []
    for number, night in enumerate(nights):
        known = {entry.key: entry for entry in night.entries}
        if number == 0:
            known.update(moved)
        found += emptied(known, new, night.name)
    return tuple(found)


def _moved(
    claims: Iterable[Claim], before: Mapping[tuple[str, str, str], Entry], sites: Iterable[Site]
) -> dict[tuple[str, str, str], Entry]:
    """The last night's entries that lay where a claim lies that has another key now, by that key. Pure.

    So it is when a layout was written for what had been recognised until then: the files are the same ones.
    """
    missing = [claim for claim in claims if (claim.site.emulator, claim.site.home, claim.path) not in before]
    if not missing:
        return {}
    lay = {(site.emulator, site.home): site for site in sites}
    places: dict[tuple[str, str], Entry] = {}
    for entry in before.values():
        site = lay.get((entry.emulator, entry.home))
        if site is not None:
            places[site.volume, f"{site.path}/{entry.path}" if site.path else entry.path] = entry
    found = ((claim, places.get((claim.site.volume, claim.volume_path))) for claim in missing)
    return {
        (claim.site.emulator, claim.site.home, claim.path): entry
        for claim, entry in found
        if entry is not None
    }


def _renamed(moved: Mapping[tuple[str, str, str], Entry]) -> list[Renamed]:
    """Which emulators' files are kept under another id now."""
    counts: dict[tuple[str, str], int] = {}
    for (emulator, _, _), entry in moved.items():
        if entry.emulator != emulator:
            counts[entry.emulator, emulator] = counts.get((entry.emulator, emulator), 0) + 1
    return [Renamed(old, new, files) for (old, new), files in sorted(counts.items())]


def _with_cards(archive: Archive, device: Device, gaps: Iterable[Gap]) -> list[Gap]:
    """The gaps, with one for each volume that is empty or missing and once held something: a card is out.

    It is told every night until the volume is there again, or the owner has taken it out of the config.
    """
    missing = {gap.volume for gap in device.missing}
    empty = [volume.name for volume in device.volumes if not _anything_in(volume.path)]
    held = last_held(archive, device.name, [*missing, *empty])
    told = []
    for gap in gaps:
        last = held.get(gap.volume) if gap in device.missing else None
        told.append(gap if last is None else _card_out(gap.volume, "it is not there", last))
    return told + [_card_out(name, "it is empty", held[name]) for name in empty if name in held]


def _card_out(volume: str, what: str, last: Held) -> Gap:
    files = f"{last.files:,} kept file{'s' if last.files != 1 else ''}"
    return Gap(volume, "", f"{what}, and held {files} on {last.on}; is the card in?", None, _CARD_IN)


_CARD_IN = (
    "Put it in and take the snapshot again; the earlier nights keep what was on it. If it is gone for good, "
    "take it out of the config."
)


def _anything_in(folder: str) -> bool:
    try:
        with os.scandir(folder) as items:
            return next(items, None) is not None
    except OSError:
        return True  # the walk has said so already


def _dropped(
    device: Device,
    prior: Night,
    still: Collection[tuple[str, str, str]],
    gaps: Iterable[Gap],
    parts: frozenset[Part],
    older: Iterable[Older],
) -> list[tuple[Entry, bool]]:
    """What the last night held and is not kept ``still``, each with whether a file stands at its place."""
    roots = {volume.name: volume.path for volume in device.volumes}
    left_out = {(one.volume, one.path) for one in older}
    return [
        (entry, os.path.lexists(os.path.join(roots[volume], native(path))))
        for entry, volume, path in dropped(prior.entries, prior.sites, still, gaps)
        if entry.part in parts and volume in roots and (volume, path) not in left_out
    ]


def _gone(
    device: Device,
    prior: Night,
    entries: Iterable[Entry],
    gaps: Iterable[Gap],
    layouts: Iterable[Layout],
    went: Iterable[tuple[Entry, bool]],
) -> tuple[Gone, ...]:
    """The emulators of which nothing is kept any more, though no gap says why."""
    told = {gap.emulator for gap in gaps}
    names = {entry.emulator for entry, _ in went} - {entry.emulator for entry in entries} - told
    known = {layout.id for layout in layouts}
    roots = {volume.name: volume.path for volume in device.volumes}
    standing = {
        site.emulator
        for site in prior.sites
        if site.emulator in names
        and site.volume in roots
        and os.path.isdir(os.path.join(roots[site.volume], native(site.path)))
    }
    return tuple(
        Gone(name, _why_gone(name in known or name not in prior.layouts, name in standing))
        for name in sorted(names)
    )


def _why_gone(has_layout: bool, has_folder: bool) -> str:
    if not has_layout:
        return "no layout speaks of it any more" + ("" if has_folder else ", and its folder is gone")
    return (
        "nothing that is kept is in its folder now" if has_folder else "its folder is not on the device now"
    )


def _sort(
    claims: Iterable[Claim],
    before: Mapping[tuple[str, str, str], Entry],
    prior: Night,
    device: Device,
    archive: Archive,
    reread: bool,
) -> tuple[list[Entry], list[Claim]]:
    """Parts the claims into entries that stand as they were, and files that must be read."""
    steps = {volume.name: volume.traits.step_ns for volume in device.volumes}
    quiet: list[Entry] = []
    loud: list[Claim] = []
    for claim in claims:
        site = claim.site
        entry = before.get((site.emulator, site.home, claim.path))
        if (
            entry is None
            or reread
            or not is_quiet(entry, claim.size, claim.modified, prior.taken_ns, steps[site.volume])
            or not archive.holds(entry)  # a block that got lost is brought back from the device
        ):
            loud.append(claim)
        elif entry.key == (site.emulator, site.home, claim.path) and (entry.part, entry.game) == (
            claim.part,
            claim.game,
        ):
            quiet.append(entry)
        else:  # the layout has changed its mind about what the file is
            content = Content(entry.sha256, entry.size, entry.modified, entry.recipe, entry.members)
            quiet.append(_entry(claim, content))
    return quiet, loud


def _read(
    claims: Sequence[Claim],
    writer: Writer,
    level: int,
    progress: Progress | None,
    odd: list[Odd],
) -> Iterator[Entry | Gap]:
    total = sum(claim.size for claim in claims)
    done = [0, 0]

    def advance(files: int, count: int) -> None:
        done[0] += files
        done[1] += count
        if progress:
            progress(done[0], done[1], len(claims), total)

    first: dict[tuple[int, int], Content] = {}
    twins: list[Claim] = []

    def jobs() -> Iterator[Job[Claim]]:
        met: set[tuple[int, int]] = set()
        for claim in claims:
            if claim.links > 1:
                if (claim.device, claim.inode) in met:
                    twins.append(claim)  # a hard link: the same file by another name
                    continue
                met.add((claim.device, claim.inode))
            yield _job(claim)

    with Intake(writer, level=level) as intake:
        for claim, content in intake.read(jobs(), advance):
            if isinstance(content, Unread):
                yield _gap(claim, content)
                continue
            if claim.links > 1:
                first[claim.device, claim.inode] = content
            odd += [Odd(claim.emulator, claim.site.volume, claim.volume_path, why) for why in content.odd]
            yield _entry(claim, content)
        again: list[Claim] = []
        for claim in twins:
            if known := first.get((claim.device, claim.inode)):
                advance(1, claim.size)
                yield _entry(claim, known)
            else:
                again.append(claim)
        for claim, content in intake.read(map(_job, again), advance):
            yield _gap(claim, content) if isinstance(content, Unread) else _entry(claim, content)


def _job(claim: Claim) -> Job[Claim]:
    return Job(claim.place, claim.size, claim, may_be_export(claim.path, claim.site.kind))


def may_be_export(path: str, kind: HomeKind | None = None) -> bool:
    """Whether a file is looked into, should it begin as a zip: it is called one, or lies among exports."""
    return kind is HomeKind.EXPORT or path[-4:].lower() == ".zip"


def _entry(source: Claim | Wanted, content: Content) -> Entry:
    emulator, home = (
        (source.emulator, source.home)
        if isinstance(source, Wanted)
        else (source.site.emulator, source.site.home)
    )
    return Entry(
        emulator=emulator,
        part=source.part,
        home=home,
        path=source.path,
        size=content.size,
        modified=content.modified,
        sha256=content.sha256,
        game=source.game,
        recipe=content.recipe,
        members=content.members,
    )


def _gap(claim: Claim, content: Unread) -> Gap:
    path = f"{claim.site.path}/{claim.path}" if claim.site.path else claim.path
    return Gap(claim.site.volume, path, content.why, claim.site.emulator, content.advice)


def _layouts(layouts: Iterable[Layout], sites: Iterable[Site]) -> dict[str, bytes]:
    found = {site.emulator for site in sites}
    return {layout.id: stored_form(layout) for layout in layouts if layout.id in found}


def inventory(claims: Iterable[Claim]) -> list[Game]:
    """The games among what was found on a device. Pure."""
    return [
        Game(claim.site.emulator, claim.site.home, claim.path, claim.size, claim.game)
        for claim in claims
        if claim.part is Part.GAMES
    ]


def _versions(device: Device, layouts: Iterable[Layout], sites: Iterable[Site]) -> dict[str, str]:
    """The version of each emulator whose layout says where it stands."""
    telling = {layout.id: layout for layout in layouts if layout.version is not None}
    if not telling:
        return {}
    roots = {volume.name: volume.path for volume in device.volumes}
    homes: dict[str, list[tuple[str, str]]] = {}
    for site in sites:
        if site.emulator in telling and site.volume in roots:
            place = os.path.join(roots[site.volume], native(site.path))
            homes.setdefault(site.emulator, []).append((site.home, place))
    found = {name: version_of(telling[name], some) for name, some in homes.items()}
    return {name: version for name, version in found.items() if version is not None}


def _notes(device: Device) -> tuple[VolumeNote, ...]:
    return tuple(
        VolumeNote(volume.name, volume.traits.filesystem, place if is_place(place) else "")
        for volume in device.volumes
        for place in [written(os.path.abspath(volume.path))]
    )


def _size(place: str) -> int:
    try:
        return os.lstat(place).st_size
    except OSError:
        return 0  # reading it will say why
