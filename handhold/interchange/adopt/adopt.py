"""Takes an old backup in: looks at it as at a device, then keeps it where its date puts it."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from datetime import datetime

import msgspec
from msgspec.structs import replace

from handhold.archive.adopted import BACKUP, adopted_sequence
from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot, VolumeNote
from handhold.device.claims import Claim, Unclaimed
from handhold.device.volumes import traits_of
from handhold.device.walk import walk
from handhold.errors import OwnerError
from handhold.intake.intake import Intake
from handhold.intake.jobs import Job, Unread
from handhold.interchange.adopt.dates import Dated, dated, plain_name
from handhold.interchange.adopt.homes import Given, relocated
from handhold.interchange.adopt.places import settled
from handhold.keeping import entry_of, may_be_export
from handhold.layouts.layout import Layout
from handhold.layouts.recognition.role import emulator_id, role
from handhold.layouts.stored import stored_form
from handhold.model import Device, Entry, Gap, Kind, Part, Site, Volume
from handhold.names import written

#: files, bytes, files in all, bytes in all
Progress = Callable[[int, int, int, int], None]


class Backup(msgspec.Struct, frozen=True):
    """An old backup as it was found. ``sites`` gives for each claim's site the one it gets in the archive.

    It is ``doubtful`` where only the times of its files say that it is newer than its device's last night.
    """

    name: str
    device: str
    dated: Dated
    claims: tuple[Claim, ...]
    sites: Mapping[Site, Site]
    gaps: tuple[Gap, ...]
    unclaimed: tuple[Unclaimed, ...]
    layouts: Mapping[str, Layout]
    doubtful: bool = False


def look(
    archive: Archive,
    root: str,
    name: str,
    device: str,
    layouts: Sequence[Layout],
    *,
    now: datetime,
    date: str | None = None,
    given: Given | None = None,
    parts: Collection[Part],
    recognise: bool = True,
    volumes: Sequence[str] = (),
    leave_out: Sequence[str] = (),
    gaps: Sequence[Gap] = (),
) -> Backup:
    """What an old backup of a device holds; nothing is written.

    ``root`` is its folder and ``name`` what its owner called it; ``gaps`` are what did not come out of a
    packed one. ``volumes`` are the device's, as far as they are known. Raises ``WrongInput`` for a date that
    cannot be, and ``OwnerError`` if there is nothing in it to keep.
    """
    plain = plain_name(name)
    since = _since(archive, device)
    mine = relocated(layouts, _folders(root), plain, given or {}, since)
    seen = walk(Device(device, _volumes(root, volumes)), mine, leave_out=leave_out, recognise=recognise)
    claims = tuple(claim for claim in seen.claims if claim.part in parts)
    if not claims:
        raise OwnerError(
            f"Nothing in {name} is worth keeping: no layout names it, and nothing looks like a save.",
            "If it is an emulator's folder, say which: --home EMULATOR=PATH",
        )
    sites = {claim.site for claim in claims}
    own = {site: _named(site, plain, mine) for site in sites}
    known = settled(list(own.values()), since, {layout.id: layout for layout in layouts}, volumes)
    saves = [claim.modified for claim in claims if claim.part is Part.SAVES]
    newest = max(saves or [claim.modified for claim in claims], default=None)
    told, night = dated(date, name, newest, now), last_night(archive, device)
    return Backup(
        name,
        device,
        told,
        claims,
        {site: known[own[site]] for site in sites},
        (*gaps, *seen.gaps),
        tuple(seen.unclaimed),
        {layout.id: layout for layout in layouts},
        not told.sure and night is not None and told.taken > night.taken,
    )


def take_in(
    archive: Archive, backup: Backup, *, now: datetime, progress: Progress | None = None
) -> tuple[Snapshot, bool]:
    """Keeps a backup as a snapshot of its date, and says whether it is new: one that is there is not doubled.

    Raises ``NotNow`` if another run holds the archive, ``OwnerError`` if nothing could be read.
    """
    with archive.locked(f"adopting a backup of {backup.device}"), archive.writer() as writer:
        gaps: list[Gap] = list(backup.gaps)
        entries: list[Entry] = []
        total = sum(claim.size for claim in backup.claims)
        done = [0, 0]

        def advance(files: int, count: int) -> None:
            done[0] += files
            done[1] += count
            if progress:
                progress(done[0], done[1], len(backup.claims), total)

        with Intake(writer) as intake:
            for claim, content in intake.read(_jobs(backup), advance):
                site = backup.sites[claim.site]
                if isinstance(content, Unread):
                    path = claim.volume_path
                    gaps.append(Gap(BACKUP, path, content.why, site.emulator, content.advice))
                else:
                    entries.append(_of(site, entry_of(claim, site.home, content)))
        if not entries:
            raise OwnerError(f"Nothing in {backup.name} could be read.", "Look whether its medium is whole.")
        entries.sort(key=lambda entry: entry.key)
        if (there := _there(archive, backup, entries)) is not None:
            return there, False
        sites = sorted(
            {backup.sites[claim.site] for claim in backup.claims}, key=lambda site: (site.emulator, site.home)
        )
        snapshot = writer.finish(
            device=backup.device,
            kind=Kind.ADOPTED,
            taken=backup.dated.taken,
            volumes=[VolumeNote(name, "backup") for name in sorted({site.volume for site in sites})],
            sites=sites,
            layouts={
                site.emulator: stored_form(backup.layouts[site.emulator])
                for site in sites
                if site.emulator in backup.layouts
            },
            entries=entries,
            gaps=gaps,
            note=f"adopted: {backup.name}"[:200],
            sequence=adopted_sequence(archive.records(), backup.dated.taken, now, _below(archive, backup)),
        )
    return snapshot, True


def _jobs(backup: Backup) -> Iterator[Job[Claim]]:
    for claim in backup.claims:
        yield Job(claim.place, claim.size, claim, may_be_export(claim.path, claim.site.kind))


def _of(site: Site, entry: Entry) -> Entry:
    """The entry under the emulator that it has in the archive."""
    return (
        entry if entry.emulator == site.emulator else msgspec.structs.replace(entry, emulator=site.emulator)
    )


def _below(archive: Archive, backup: Backup) -> float | None:
    """Before which snapshot it stands, whatever its time, where that may be the time of a copy."""
    if backup.dated.sure:
        return None
    night = last_night(archive, backup.device)
    return night.sequence if night is not None else None


def last_night(archive: Archive, device: str) -> Snapshot | None:
    """The last night of a device."""
    return next((one for one in reversed(archive.nights()) if one.device == device), None)


def _there(archive: Archive, backup: Backup, entries: Sequence[Entry]) -> Snapshot | None:
    """The snapshot as which this very backup was adopted before."""
    for one in archive.past():
        if one.kind is Kind.ADOPTED and (one.device, one.files) == (backup.device, len(entries)):
            if one.taken != backup.dated.taken.replace(microsecond=one.taken.microsecond):
                continue
            try:
                held = [(e.key, e.sha256) for e in archive.entries(archive.read(one))]
            except OwnerError:
                continue
            if held == [(entry.key, entry.sha256) for entry in entries]:
                return one
    return None


def _since(archive: Archive, device: str) -> list[Site]:
    """Where the homes of a device lay on its last night that can be read."""
    for night in reversed(archive.nights()):
        if night.device == device:
            try:
                return list(archive.read(night).sites)
            except OwnerError:
                continue
    return []


def _named(site: Site, plain: str, layouts: Sequence[Layout]) -> Site:
    """A site named after the backup, where the whole backup is one recognised emulator's."""
    ids = {layout.id for layout in layouts}
    if site.emulator in ids or not plain or role(site.path):
        return site
    return replace(site, emulator=emulator_id(written(plain), ids))


def _volumes(root: str, names: Sequence[str]) -> tuple[Volume, ...]:
    """The backup as a volume, and the folders in it that are called as the device's volumes are."""
    inner = [(name, os.path.join(root, name)) for name in names if os.path.isdir(os.path.join(root, name))]
    return tuple(Volume(name, path, traits_of(path)) for name, path in [(BACKUP, root), *inner])


def _folders(root: str) -> Iterator[str]:
    """The folders of a backup, "" for itself; their paths in written form. Links are not followed."""
    yield ""
    for folder, names, _ in os.walk(root):
        names.sort()
        rest = os.path.relpath(folder, root)
        for name in names:
            yield written(name if rest == "." else os.path.join(rest, name))
