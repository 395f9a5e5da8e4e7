"""Settings that a restore wrote with other places in them: a copy, and no progress of the device it is on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec
from msgspec.structs import replace

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot
from handhold.archive.standing import Line
from handhold.archive.timeline import Moment
from handhold.errors import OwnerError
from handhold.model import Entry, Identity, Kind, Part
from handhold.restore.whereabouts import Known, Stands


class Originals:
    """What the copies of settings are copies of, from the records of an archive."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._records: dict[str, Snapshot] = {}
        self._bases: dict[str, Snapshot | None] = {}

    def read(self, identity: Identity, lines: Known, stands: Stands) -> tuple[Known, Stands]:
        """The history of one file and where it stands, with each copy as what it is a copy of.

        A copy is what a restore wrote and nothing had before, made from a snapshot that held the file.
        """
        copies = self._copies(lines) if identity[1] is Part.SETTINGS else {}
        if not copies:
            return lines, stands
        read = {line: [_as_original(moment, copies) for moment in moments] for line, moments in lines.items()}
        live = {
            line: copies[digest].sha256 if digest in copies else digest
            for line, digest in stands.live.items()
        }
        return read, replace(stands, live=live)

    def _copies(self, lines: Known) -> dict[str, Entry]:
        every = [(line, moment) for line, moments in lines.items() for moment in moments]
        every.sort(key=lambda item: item[1].snapshot.sequence)
        copies: dict[str, Entry] = {}
        before: set[str] = set()
        for _, (snapshot, entry, _) in every:
            if entry is None or entry.sha256 in before:
                continue
            before.add(entry.sha256)
            if snapshot.kind is Kind.RESTORED and (original := _held(every, self._base(snapshot))):
                copies[entry.sha256] = copies.get(original.sha256, original)
        return copies

    def _base(self, record: Snapshot) -> Snapshot | None:
        if not self._records:
            self._records = {one.name: one for one in self._archive.told_apart()}
        if record.file not in self._bases:
            try:
                self._bases[record.file] = self._records.get(self._archive.read(record).base or "")
            except OwnerError:
                self._bases[record.file] = None  # nothing is known from it
        return self._bases[record.file]


def _held(every: Sequence[tuple[Line, Moment]], base: Snapshot | None) -> Entry | None:
    """What a snapshot held of the file."""
    found = None
    for line, (snapshot, entry, _) in every:
        if base is not None and line.device == base.device and snapshot.sequence <= base.sequence:
            found = entry
    return found


def _as_original(moment: Moment, copies: Mapping[str, Entry]) -> Moment:
    entry = moment.entry
    if entry is None or entry.sha256 not in copies:
        return moment
    original = copies[entry.sha256]
    return moment._replace(
        entry=msgspec.structs.replace(
            entry,
            sha256=original.sha256,
            size=original.size,
            recipe=original.recipe,
            members=original.members,
        )
    )
