"""What the tests of the archive share: an archive in a folder, a clock that is told the time, entries."""

from __future__ import annotations

import hashlib
import os
import subprocess
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta, timezone

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot, VolumeNote
from handhold.archive.listed import Standing
from handhold.archive.storage import LocalStorage
from handhold.archive.writer import Writer
from handhold.model import Entry, Gap, Kind, Part

OFFSET = timezone(timedelta(hours=2))
EVENING = datetime(2031, 4, 5, 21, 30, tzinfo=OFFSET)


def make(root: object) -> Archive:
    """A new archive in ``root/archive``."""
    return Archive.create(LocalStorage(os.path.join(str(root), "archive")), lambda: EVENING)


def again(archive: Archive) -> Archive:
    """The same archive, opened anew."""
    return Archive.open(LocalStorage(path(archive)))


def path(archive: Archive, name: str = "") -> str:
    """Where a file of an archive lies."""
    assert isinstance(archive.storage, LocalStorage)
    return os.path.join(archive.storage.root, name) if name else archive.storage.root


def files(archive: Archive) -> dict[str, bytes]:
    """Every file of an archive with its bytes, without what the lock leaves."""
    found = {}
    for folder, _, names in os.walk(path(archive)):
        for name in names:
            if not name.startswith(".lock"):
                full = os.path.join(folder, name)
                with open(full, "rb") as file:
                    found[os.path.relpath(full, path(archive))] = file.read()
    return found


def bundles(archive: Archive) -> list[str]:
    """The bundles of an archive."""
    return sorted(name for name in files(archive) if name.endswith(".bundle"))


def entry(where: str, data: bytes, *, recipe: str | None = None, modified: int = 0) -> Entry:
    """An entry for a save of these bytes."""
    return Entry(
        "tinplate",
        Part.SAVES,
        "main",
        where,
        len(data),
        modified,
        hashlib.sha256(data).hexdigest(),
        recipe=recipe,
    )


def finish(
    writer: Writer,
    entries: Iterable[Entry],
    *,
    device: str = "meadow",
    kind: Kind = Kind.NIGHT,
    taken: datetime = EVENING,
    gaps: Sequence[Gap] = (),
    layouts: dict[str, bytes] | None = None,
    note: str = "",
    standing: Standing | None = None,
) -> Snapshot:
    """Writes the manifest."""
    return writer.finish(
        device=device,
        kind=kind,
        taken=taken,
        volumes=[VolumeNote("internal", "ext4")],
        sites=[],
        layouts=layouts or {},
        entries=entries,
        gaps=gaps,
        note=note,
        standing=standing,
    )


def night(
    archive: Archive,
    saves: dict[str, bytes],
    *,
    device: str = "meadow",
    taken: datetime = EVENING,
    kind: Kind = Kind.NIGHT,
) -> Snapshot:
    """A snapshot of files of one block each."""
    with archive.locked("test"), archive.writer() as writer:
        entries = [entry(name, data) for name, data in saves.items()]
        for data in saves.values():
            if data:
                writer.put_plain(data)
        return finish(writer, entries, device=device, taken=taken, kind=kind)


def program(*command: str, given: bytes) -> bytes:
    """What a program prints for the bytes that it is given."""
    return subprocess.run(command, input=given, capture_output=True, check=True).stdout


def contents(archive: Archive, snapshot: Snapshot) -> dict[str, bytes]:
    """Every file of a snapshot with its bytes, as the archive gives them back."""
    manifest = archive.read(snapshot)
    return {one.path: b"".join(archive.content(one)) for one in archive.entries(manifest)}
