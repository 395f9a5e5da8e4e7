"""Keeps single files as they are now: what a restore is about to replace, or anything that is asked for."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Protocol

import msgspec

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot, VolumeNote, is_place
from handhold.errors import Damaged
from handhold.intake.jobs import Content, Job, Unread
from handhold.model import Clock, Device, Entry, Gap, HomeKind, Kind, Part, Site
from handhold.names import written


class File(Protocol):
    """What is known of a file before it is read."""

    @property
    def emulator(self) -> str:
        """The emulator that it belongs to."""

    @property
    def part(self) -> Part:
        """Its part."""

    @property
    def game(self) -> str | None:
        """Its game, as far as its path tells."""

    @property
    def path(self) -> str:
        """Relative to its home."""


class Wanted(msgspec.Struct, frozen=True):
    """One file that is to be kept, wherever it stands."""

    emulator: str
    part: Part
    game: str | None
    home: str
    path: str
    volume: str
    place: str  # absolute path as the operating system writes it


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
    from handhold.intake.intake import Intake  # most commands that know this module keep nothing

    entries: list[Entry] = []
    gaps: list[Gap] = []
    with archive.writer() as writer:
        with Intake(writer) as intake:
            jobs = (Job(want.place, _size(want.place), want, may_be_export(want.path)) for want in wanted)
            for want, content in intake.read(jobs):
                if isinstance(content, Unread):
                    gaps.append(Gap(want.volume, want.path, content.why, want.emulator, content.advice))
                else:
                    entries.append(entry_of(want, want.home, content))
        writer.settle()
        entries = [entry for entry in entries if _comes_back(archive, entry, wanted, gaps)]
        if not entries:
            return None, entries, gaps
        snapshot = writer.finish(
            device=device.name,
            kind=kind,
            taken=clock(),
            volumes=volume_notes(device),
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


def entry_of(file: File, home: str, content: Content, modified: int | None = None) -> Entry:
    """The entry of a file in a home, with what was read; ``modified`` is its time, where given. Pure."""
    return Entry(
        emulator=file.emulator,
        part=file.part,
        home=home,
        path=file.path,
        size=content.size,
        modified=content.modified if modified is None else modified,
        sha256=content.sha256,
        game=file.game,
        recipe=content.recipe,
        members=content.members,
    )


def may_be_export(path: str, kind: HomeKind | None = None) -> bool:
    """Whether a file is looked into, should it begin as a zip: it is called one, or lies among exports."""
    return kind is HomeKind.EXPORT or path[-4:].lower() == ".zip"


def volume_notes(device: Device) -> tuple[VolumeNote, ...]:
    """What a manifest says of the device's volumes."""
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
