"""The copies of settings that name other places than the archive's, and which were such before.

A copy that names other places is another content than the archive holds: it is made like the files that are
taken out of a zip (``making``), is put into the archive before it is written, and is what the record of the
restore says, so that history and undo stay true.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import msgspec

from handhold.archive.archive import Archive
from handhold.errors import OwnerError
from handhold.model import Entry, Kind, Part

if TYPE_CHECKING:
    from handhold.archive.writer import Writer
    from handhold.restore.making import Made
    from handhold.restore.repoint.rewriting import Change

#: The parts whose files can name places: settings, what belongs to the buttons, lists of games.
PARTS = (Part.SETTINGS, Part.CONTROLS, Part.LIBRARY)

Key = tuple[str, str, str]


class NamedPlace(msgspec.Struct, frozen=True):
    """A place of the old device that a settings file names; ``path`` is the file's path in its home."""

    emulator: str
    path: str
    line: int
    value: str
    rewritable: bool = True  # False: it stands there in a form that is not rewritten


class Rewrite(msgspec.Struct, frozen=True):
    """A settings file whose copy names other places. ``left``: lines that stay as they are, each with why."""

    entry: Entry  # as the archive has it
    made: Made | None  # None: nothing could be rewritten
    data: bytes
    changes: tuple[Change, ...]
    left: tuple[tuple[int, str], ...]
    named: frozenset[str] = frozenset()  # the old places in it


class Named(msgspec.Struct, frozen=True):
    """What the settings of a restore name, and what could be put in its stead: old path to new."""

    places: tuple[NamedPlace, ...] = ()
    proposals: tuple[tuple[str, str], ...] = ()


NOTHING_NAMED = Named()


def rewrites(archive: Archive, entries: Iterable[Entry], places: Mapping[str, str]) -> dict[Key, Rewrite]:
    """The settings files that name any of the old ``places``, with the new ones in their stead."""
    found: dict[Key, Rewrite] = {}
    if not places:
        return found
    from handhold.restore.repoint.rewriting import rewrite

    for entry in entries:
        data = content_of(archive, entry)
        result = rewrite(data, entry.path, places) if data is not None else None
        if result is None:
            continue
        made = _made(entry, result.data) if result.changes else None
        found[entry.key] = Rewrite(entry, made, result.data, result.changes, result.left, result.named)
    return found


def _made(entry: Entry, data: bytes) -> Made:
    from handhold.restore.making import Made

    digest = hashlib.sha256(data).hexdigest()
    copy = msgspec.structs.replace(entry, size=len(data), sha256=digest, recipe=None, members=None)

    def put(writer: Writer) -> None:
        writer.put_plain(data)

    return Made(copy, put, lambda: iter([data]))


def content_of(archive: Archive, entry: Entry) -> bytes | None:
    """A settings file, None for what is none, is too large, or cannot be read (the plan says so)."""
    if entry.part not in PARTS:
        return None
    from handhold.restore.repoint.text import LARGEST

    if not 0 < entry.size <= LARGEST:
        return None
    try:
        return b"".join(archive.content(entry))
    except OwnerError:
        return None


def copied_before(archive: Archive, device: str, differing: Mapping[Key, tuple[Entry, str]]) -> set[Key]:
    """The settings of which a copy with other places stands on the device, as a restore wrote it there.

    ``differing`` are entries that are to be put back, with the digest of what stands at their place. What
    stands there is such a copy if a restore onto this device wrote it from a snapshot that holds the entry.
    """
    asked = {
        (entry.emulator, entry.path, digest): key
        for key, (entry, digest) in differing.items()
        if entry.part in PARTS
    }
    if not asked:
        return set()
    every = archive.told_apart()
    nights = {one.name: one for one in every if one.kind is Kind.NIGHT}
    found: set[Key] = set()
    for record in every:
        if record.kind is not Kind.RESTORED or record.device != device:
            continue
        try:
            manifest = archive.read(record)
            base = nights.get(manifest.base or "")
            wrote = {
                key
                for entry in archive.entries(manifest)
                if (key := asked.get((entry.emulator, entry.path, entry.sha256))) is not None
            }
            if base is None or not wrote:
                continue
            held = {(entry.key, entry.sha256) for entry in archive.entries(archive.read(base))}
            found |= {key for key in wrote if (key, differing[key][0].sha256) in held}
        except OwnerError:
            continue  # nothing is known from it
    return found
