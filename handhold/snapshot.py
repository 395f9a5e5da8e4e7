"""Takes a snapshot: from a device into an archive."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from handhold.archive.archive import Archive
from handhold.archive.head import Emptied, Snapshot
from handhold.archive.inventory import Game
from handhold.archive.listed import Key, Standing
from handhold.archive.origins import others
from handhold.archive.writer import Writer
from handhold.changes import (
    Lost,
    Suspicious,
    recorded,
    told_lost,
)
from handhold.device.claims import Claim, Conflict, Unclaimed
from handhold.device.exports import Older, Stale, stale_exports, without_older
from handhold.device.listing import canonical
from handhold.device.lookahead import LookAhead
from handhold.device.versions import version_of
from handhold.device.walk import walk
from handhold.errors import OwnerError
from handhold.intake.jobs import Content, Job, Unread
from handhold.keeping import entry_of, may_be_export, volume_notes
from handhold.layouts.layout import ALL, Layout
from handhold.layouts.stored import stored_form
from handhold.model import Clock, Device, Entry, Gap, HomeKind, Kind, Part, Site, nanoseconds
from handhold.names import native
from handhold.nights import Night, first_of, last_seen
from handhold.since import (
    Gone,
    KeptBefore,
    Renamed,
    dropped_since,
    emptied_since,
    gone_since,
    missing_from,
    moved_since,
    no_longer_recognised,
    renamed_since,
    volumes_left,
    with_cards,
)
from handhold.untouched import Quiet, Untouched, named_as_now
from handhold.whole import is_whole

if TYPE_CHECKING:
    from handhold.intake.second import Second

#: With fewer files than these nothing is gained by a second process; with more, its memory would be missed.
FEW, MANY = 2_000, 300_000
#: files, bytes, files in all, bytes in all
Progress = Callable[[int, int, int, int], None]


class Options(msgspec.Struct, frozen=True):
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


class Result(msgspec.Struct, frozen=True):
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
    unrecognised: Mapping[str, int]  # the same of the last night, which are left out now, as asked
    seconds: float
    first: bool  # the device had no night until now
    unread: tuple[str, ...] = ()  # the device's last nights, where they cannot be read any more
    other: Snapshot | None = None  # the last night under its name, which another handheld took
    left: Mapping[str, int] = {}  # volumes that are the device's no more: files kept last time


class Odd(NamedTuple):
    """A file that was kept as it is, and what is wrong with it."""

    emulator: str
    volume: str
    path: str  # relative to the volume
    why: str


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
    with archive.locked("snapshot"), _second(archive, device, options) as second:
        with _ahead(archive, device, options) as ahead:
            seen_before = last_seen(archive, device.name, options.parts, options.recognise)
            prior = seen_before[0] if seen_before else Night()
            unread = _unread(archive, device.name, prior)
            other = others(archive.records(), device.name, archive.origin)
            quiet = Quiet(archive, device, prior, nanoseconds(started), reread=options.reread)
            untouched = (
                None if quiet.anew else Untouched(quiet, options.parts, archive, named_as_now(prior, layouts))
            )
            walked = walk(
                device,
                layouts,
                leave_out=options.leave_out,
                progress=seen,
                recognise=options.recognise,
                before=KeptBefore(seen_before) if options.recognise else None,
                untouched=untouched,
                ahead=None if quiet.anew else ahead,
            )
        standing = Standing(prior.listed) if untouched is None else untouched.standing
        claims = [claim for claim in walked.claims if claim.part in options.parts]
        claims, older = without_older(claims, layouts, options.newest, options.newest_otherwise, is_whole)
        gaps = with_cards(archive, device, walked.gaps)
        if not claims and not gaps and not prior.listed:
            raise OwnerError(
                f"Nothing to keep was found on {device.name}.",
                "handhold survey shows where it looked; are the volumes and the layouts the right ones?",
            )
        used = [*claims, *_beside_exports(claims, standing, walked.sites)]
        stale = tuple(stale_exports(used, layouts, device.volumes, nanoseconds(started), is_whole))
        games = inventory(walked.claims)
        before = prior.listed
        moved = moved_since(claims, before, prior.sites)
        with archive.writer(level=options.level) as writer:
            known = first_of(moved, before)
            entries, loud = _sort(claims, known, quiet, archive) if seen_before else ([], claims.copy())
            # Their room is needed for what is written next.
            claims.clear()
            used.clear()
            walked.claims.clear()
            read: list[Entry] = []
            odd: list[Odd] = []
            for outcome in _read(loud, writer, second, progress, odd):
                if isinstance(outcome, Entry):
                    read.append(outcome)
                else:
                    gaps.append(outcome)
            # For what is told, a file that the last night could not see is known from the night that did.
            told = first_of(moved, *(night.listed for night in seen_before))
            new = read
            if seen_before:
                new = [e for e in read if (old := told(e.key)) is None or old.sha256 != e.sha256]
            entries = _together(entries, read)
            elsewhere: set[Key] = set()
            if seen_before:  # a first night has nothing that it could miss, and may be large
                elsewhere.update(entry.key for each in (entries, moved.values()) for entry in each)
            # What stands as it was is as empty as it was; only what a night knew as emptied stays told.
            doubtful = entries if any(night.emptied for night in seen_before) else read
            emptied = [before[key] for key in prior.emptied if key in standing]
            suspicious = emptied_since(archive, device.name, seen_before, moved, [*emptied, *doubtful])
            homes = standing.homes | {(entry.emulator, entry.home) for entry in entries}
            snapshot = writer.finish(
                device=device.name,
                kind=Kind.NIGHT,
                taken=started,
                volumes=volume_notes(device),
                sites=recorded(walked.sites, homes, gaps),
                layouts=_layouts(layouts, walked.sites),
                entries=entries,
                standing=standing,
                gaps=gaps,
                note=options.note,
                games=games,
                versions=_versions(device, layouts, walked.sites),
                left_out=[part for part in Part if part.kept and part not in options.parts],
                only_layouts=not options.recognise,
                emptied=[Emptied(one.emulator, one.home, one.path, one.last_good) for one in suspicious],
                recognised=sorted(walked.recognised.keys() & {layout.id for layout in layouts}),
            )
            stored = writer.stored_bytes
    by_part: dict[Part, int] = {}
    renamed = renamed_since(moved)
    missing = [missing_from(prior.listed.entries(standing.others()), elsewhere)]
    missing += [missing_from(night.listed.entries(), elsewhere, standing) for night in seen_before[1:]]
    went = [
        each
        for night, some in zip(seen_before, missing, strict=False)
        for each in dropped_since(device, night, some, gaps, options.parts, older, options.recognise)
    ]
    for entry in new:
        by_part[entry.part] = by_part.get(entry.part, 0) + 1
    return Result(
        snapshot=snapshot,
        files=snapshot.files,
        bytes=snapshot.bytes,
        new_files=len(new),
        new_by_part=by_part,
        stored_bytes=stored,
        gaps=tuple(gaps),
        conflicts=tuple(walked.conflicts),
        unclaimed=tuple(walked.unclaimed),
        odd=tuple(odd),
        stale=stale,
        older=tuple(older),
        gone=gone_since(device, prior, {emulator for emulator, _ in homes}, gaps, layouts, went),
        lost=told_lost(went, (entry for entry in new if told(entry.key) is None)),
        suspicious=suspicious,
        renamed=tuple(renamed),
        recognised={
            emulator: files
            for emulator, one in sorted(walked.recognised.items())
            if (files := sum(reason.files for reason in one.listed() if reason.part in options.parts))
        },
        unrecognised={} if options.recognise else no_longer_recognised(prior, missing[0], options.parts),
        seconds=time.monotonic() - begun,
        first=not seen_before,
        unread=unread,
        other=other,
        left=volumes_left(device, prior),
    )


def _ahead(archive: Archive, device: Device, options: Options) -> AbstractContextManager[LookAhead | None]:
    """The device, looked at while the lists of its last night are read, where that is worth a process."""
    last = next((one for one in reversed(archive.nights()) if one.device == device.name), None)
    if options.reread or last is None or not FEW <= last.files <= MANY:
        return nullcontext()
    roots = [canonical(volume.path) for volume in device.volumes]
    return LookAhead(roots, {canonical(path) for path in options.leave_out})


def _second(archive: Archive, device: Device, options: Options) -> AbstractContextManager[Second | None]:
    """A second process that reads, where most is to be read: on a first night, or if no time is believed.

    It is begun while there is little in memory.
    """
    if not options.reread and any(one.device == device.name for one in archive.nights()):
        return nullcontext()
    from handhold.intake.intake import THREADS
    from handhold.intake.second import begun

    index = archive.index
    return begun(options.level, lambda ident: ident in index, THREADS)


def _unread(archive: Archive, device: str, prior: Night) -> tuple[str, ...]:
    """The device's nights after the last one that can be read, oldest first."""
    own = [night.name for night in archive.nights() if night.device == device]
    return tuple(own[own.index(prior.name) + 1 :] if prior.name in own else own)


def _together(some: list[Entry], others: list[Entry]) -> list[Entry]:
    """Both; without a copy where one has none, for the other can hold a million."""
    return [*some, *others] if some and others else some or others


def _beside_exports(claims: Iterable[Claim], standing: Standing, sites: Iterable[Site]) -> list[Claim]:
    """What stands as it was of the emulators that export, as claims: it tells how old an export is."""
    exporting = {claim.emulator for claim in claims if claim.site.kind is HomeKind.EXPORT}
    if not exporting:
        return []
    lie = {(site.emulator, site.home): site for site in sites}
    return [
        Claim(lie[one.emulator, one.home], one.part, one.game, one.path, one.size, one.modified, "")
        for one in standing.entries(exporting)
    ]


def _sort(
    claims: Iterable[Claim],
    before: Callable[[Key], Entry | None],
    last: Quiet,
    archive: Archive,
) -> tuple[list[Entry], list[Claim]]:
    """Parts the claims into entries that stand as they were, and files that must be read."""
    quiet: list[Entry] = []
    loud: list[Claim] = []
    for claim in claims:
        site = claim.site
        key = (site.emulator, site.home, claim.path)
        entry = before(key)
        if (
            entry is None
            or not last.stands(entry, claim)
            or not archive.holds(entry)  # a block that got lost is brought back from the device
        ):
            loud.append(claim)
        elif entry.part is claim.part and entry.game == claim.game and entry.key == key:
            quiet.append(entry)
        else:  # the layout has changed its mind about what the file is
            content = Content(entry.sha256, entry.size, entry.modified, entry.recipe, entry.members)
            quiet.append(entry_of(claim, claim.site.home, content))
    return quiet, loud


def _read(
    claims: list[Claim],
    writer: Writer,
    second: Second | None,
    progress: Progress | None,
    odd: list[Odd],
) -> Iterator[Entry | Gap]:
    """Reads the files. Takes each claim off the list: of a million, entries come in their place."""
    if not claims:
        return
    from handhold.intake.intake import Intake  # on a quiet night nobody needs it

    total, count = sum(claim.size for claim in claims), len(claims)
    claims.reverse()
    done = [0, 0]

    def advance(files: int, size: int) -> None:
        done[0] += files
        done[1] += size
        if progress:
            progress(done[0], done[1], count, total)

    first: dict[tuple[int, int, bool], Content] = {}
    twins: list[Claim] = []

    def jobs() -> Iterator[Job[Claim]]:
        met: set[tuple[int, int, bool]] = set()
        while claims:
            claim = claims.pop()
            if (one := _twins(claim)) is not None:
                if one in met:
                    twins.append(claim)  # a hard link: the same file by another name
                    continue
                met.add(one)
            yield _job(claim)

    with Intake(writer, second=second, files=count, size=total) as intake:
        for claim, content in intake.read(jobs(), advance):
            if isinstance(content, Unread):
                yield _gap(claim, content)
                continue
            if (one := _twins(claim)) is not None:
                first[one] = content
            odd += [Odd(claim.emulator, claim.site.volume, claim.volume_path, why) for why in content.odd]
            yield _entry_of(claim, content)
        again: list[Claim] = []
        for claim in twins:
            if (one := _twins(claim)) is not None and (known := first.get(one)):
                advance(1, claim.size)
                yield _entry_of(claim, known)
            else:
                again.append(claim)
        for claim, content in intake.read(map(_job, again), advance):
            yield _gap(claim, content) if isinstance(content, Unread) else _entry_of(claim, content)


def _entry_of(claim: Claim, content: Content) -> Entry:
    """The entry of a file that was read; its time is the very number of the claim, where it is that one.

    Claims of a million files make way one by one, and a number left in place of another leaves no hole.
    """
    modified = claim.modified if claim.modified == content.modified else content.modified
    return entry_of(claim, claim.site.home, content, modified)


def _twins(claim: Claim) -> tuple[int, int, bool] | None:
    """What the names of one file share, if they have it looked into alike; None if it has but one."""
    return None if claim.twins is None else (*claim.twins, may_be_export(claim.path, claim.site.kind))


def _job(claim: Claim) -> Job[Claim]:
    return Job(claim.place, claim.size, claim, may_be_export(claim.path, claim.site.kind))


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
