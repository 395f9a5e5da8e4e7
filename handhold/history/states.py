"""The two states that are compared: read from a snapshot, or from the device as it is now."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot
from handhold.archive.listed import Key
from handhold.device.claims import Claim
from handhold.device.exports import without_older
from handhold.device.reading import Moving, still_file
from handhold.device.walk import walk
from handhold.history.differences import State
from handhold.intake.files import TRIES
from handhold.intake.jobs import MOVING, Content, Unread, unread
from handhold.keeping import entry_of
from handhold.layouts.layout import Layout
from handhold.model import Clock, Device, Entry, Gap, Part, nanoseconds
from handhold.nights import Night, first_of, last_seen
from handhold.since import KeptBefore, moved_since, with_cards
from handhold.snapshot import Options
from handhold.unseen import unseen
from handhold.untouched import Quiet
from handhold.whole import is_whole


def as_of(archive: Archive, snapshot: Snapshot) -> State:
    """What a snapshot holds. Raises ``Damaged``."""
    manifest = archive.read(snapshot)
    return State(
        name=snapshot.name,
        device=snapshot.device,
        taken=snapshot.taken,
        entries=tuple(archive.entries(manifest)),
        sites=manifest.sites,
        gaps=manifest.gaps,
        hidden=tuple(unseen(manifest.gaps, manifest.left_out, manifest.only_layouts)),
        layouts=frozenset(manifest.layouts),
    )


def as_it_is(
    archive: Archive,
    device: Device,
    layouts: Sequence[Layout],
    options: Options,
    clock: Clock,
    progress: Callable[[int, int], None] | None = None,
) -> State:
    """What a snapshot of the device would hold at this moment; nothing is written.

    What is as its last night kept it is not read; of other files the digest is. ``progress`` is told the
    files that were read and how many have to be. What cannot be read is a gap.
    """
    now = clock()
    nights = last_seen(archive, device.name, options.parts, options.recognise)
    prior = nights[0] if nights else Night()
    walked = walk(
        device,
        layouts,
        leave_out=options.leave_out,
        recognise=options.recognise,
        before=KeptBefore(nights) if options.recognise else None,
    )
    claims = [claim for claim in walked.claims if claim.part in options.parts]
    claims, _ = without_older(claims, layouts, options.newest, options.newest_otherwise, is_whole)
    gaps = with_cards(archive, device, walked.gaps)
    before = prior.listed
    entries, loud = _parted(
        claims,
        first_of(moved_since(claims, before, prior.sites), before),
        Quiet(archive, device, prior, nanoseconds(now), reread=options.reread),
    )
    for done, claim in enumerate(loud, start=1):
        content = _read(claim)
        if isinstance(content, Unread):
            site = claim.site
            gaps.append(Gap(site.volume, claim.volume_path, content.why, site.emulator, content.advice))
        else:
            entries.append(entry_of(claim, claim.site.home, content))
        if progress:
            progress(done, len(loud))
    left_out = [part for part in Part if part.kept and part not in options.parts]
    return State(
        name=f"{device.name} now",
        device=device.name,
        taken=now,
        entries=tuple(entries),
        sites=walked.sites,
        gaps=tuple(gaps),
        hidden=tuple(unseen(gaps, left_out, not options.recognise)),
        layouts=frozenset(layout.id for layout in layouts),
        is_now=True,
    )


def _parted(
    claims: Iterable[Claim], before: Callable[[Key], Entry | None], last: Quiet
) -> tuple[list[Entry], list[Claim]]:
    """The entries of files that are as they were, and the files that must be read."""
    quiet: list[Entry] = []
    loud: list[Claim] = []
    for claim in claims:
        site = claim.site
        entry = before((site.emulator, site.home, claim.path))
        if entry is None or not last.stands(entry, claim):
            loud.append(claim)
        else:
            content = Content(entry.sha256, entry.size, entry.modified, entry.recipe, entry.members)
            quiet.append(entry_of(claim, site.home, content))
    return quiet, loud


def _read(claim: Claim) -> Content | Unread:
    for _ in range(TRIES):
        try:
            with still_file(claim.place) as file:
                digest = hashlib.sha256()
                while piece := file.read(1 << 20):
                    digest.update(piece)
                file.check(digest.digest())
                return Content(digest.hexdigest(), file.size, file.modified, None)
        except Moving:
            continue
        except OSError as error:
            return unread(error)
    return MOVING
