"""Which settings of a restore name places of the old device, and the copies of them that name new ones.

A copy that names other places is another content than the archive holds: it is made like the files that are
taken out of a zip (``making``), is put into the archive before it is written, and is what the record of the
restore says, so that history and undo stay true.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Mapping, Sequence

import msgspec

from handhold.archive.archive import Archive
from handhold.archive.manifest import Manifest
from handhold.archive.standing import ELSEWHERE
from handhold.archive.writer import Writer
from handhold.errors import OwnerError
from handhold.model import Device, Entry, Kind, Part
from handhold.names import native
from handhold.restore.found import NoTarget, Target
from handhold.restore.lying import HomeKey
from handhold.restore.making import Made
from handhold.restore.repoint.encoded import encoded_values
from handhold.restore.repoint.rewriting import Change, rewrite
from handhold.restore.repoint.text import LARGEST
from handhold.restore.repoint.values import Value, Was, joined, roots_named, split, values
from handhold.restore.steps import Action, Decision, Step

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
    for entry in entries:
        data = _content(archive, entry)
        result = rewrite(data, entry.path, places) if data is not None else None
        if result is None:
            continue
        made = _made(entry, result.data) if result.changes else None
        found[entry.key] = Rewrite(entry, made, result.data, result.changes, result.left, result.named)
    return found


def _made(entry: Entry, data: bytes) -> Made:
    digest = hashlib.sha256(data).hexdigest()
    copy = msgspec.structs.replace(entry, size=len(data), sha256=digest, recipe=None, members=None)

    def put(writer: Writer) -> None:
        writer.put_plain(data)

    return Made(copy, put, lambda: iter([data]))


def _content(archive: Archive, entry: Entry) -> bytes | None:
    """A settings file, None for what is none, is too large, or cannot be read (the plan says so)."""
    if entry.part not in PARTS or not 0 < entry.size <= LARGEST:
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


def named(
    archive: Archive,
    steps: Sequence[Step],
    rewritten: Mapping[Key, Rewrite],
    manifest: Manifest,
    device: Device,
    targets: Mapping[HomeKey, Target | NoTarget],
    instead: Mapping[str, str],
) -> Named:
    """The places of the old device that the files of a plan name.

    ``instead`` are folders that stand in for volumes (``--to``). A place that lies on the device at hand just
    so is not named.
    """
    moving = manifest.snapshot.device != device.name
    roots = {note.name: native(note.path) for note in manifest.volumes if note.path}
    new_roots = {volume.name: os.path.abspath(volume.path) for volume in device.volumes} | dict(instead)
    if not moving and all(new_roots.get(name) == root for name, root in roots.items()):
        return Named()
    found: list[tuple[Step, list[Value]]] = []
    for step in steps:
        if step.action in (Action.WRITE, Action.BESIDE) or step.decision is Decision.SAME:
            copy = rewritten.get(step.entry.key)
            data = copy.data if copy is not None else _standing(archive, step)
            if not data:
                continue
            some = values(data, step.entry.path) + encoded_values(data, step.entry.path)
            if some:
                found.append((step, sorted(some, key=lambda value: value.line)))
    homes = [
        Was(site.volume, tuple(native(site.path).split("/")))
        for site in manifest.sites
        if site.path and site.volume != ELSEWHERE
    ]
    known = roots_named((value for _, some in found for value in some), roots, homes if moving else ())
    moves = _moves(known, new_roots, manifest, targets)
    places: list[NamedPlace] = []
    proposals: dict[tuple[str, str], None] = {}
    for step, some in found:
        for value in some:
            old = _longest(value, moves)
            if value.encoded and not value.names:
                if not moving:
                    continue  # a key that this very device gave out
            elif old is None or moves[old] == joined(old):
                continue
            places.append(
                NamedPlace(step.entry.emulator, step.entry.path, value.line, value.text, not value.encoded)
            )
            if old is not None and not value.encoded and (new := moves[old]) is not None:
                proposals[joined(old), new] = None
    return Named(tuple(places), tuple(sorted(proposals)))


def _standing(archive: Archive, step: Step) -> bytes | None:
    """The content that stands there once a step is done."""
    if step.decision is not Decision.SAME or step.found.sha256 in ("", step.entry.sha256):
        return _content(archive, step.entry)
    if step.entry.part not in PARTS:
        return None
    try:
        return archive.block(step.found.sha256)  # a copy with other places in it
    except OwnerError:
        return None


def _longest(value: Value, moves: Mapping[tuple[str, ...], str | None]) -> tuple[str, ...] | None:
    """The longest of the old paths in which a value lies."""
    for length in range(len(value.names), 0, -1):
        if value.names[:length] in moves:
            return value.names[:length]
    return None


def _moves(
    known: Mapping[str, set[str]],
    new_roots: Mapping[str, str],
    manifest: Manifest,
    targets: Mapping[HomeKey, Target | NoTarget],
) -> dict[tuple[str, ...], str | None]:
    """Where the old volumes, and those homes that lie elsewhere in them now, went; None: nobody knows."""
    moves: dict[tuple[str, ...], str | None] = {}
    for volume, roots in known.items():
        for root in roots:
            moves[split(root)] = new_roots.get(volume)
    for site in manifest.sites:
        target = targets.get((site.emulator, site.home))
        if not isinstance(target, Target) or not site.path:
            continue
        lies = target.site
        base = "" if lies.volume == ELSEWHERE else new_roots.get(lies.volume)
        if base is None:
            continue
        now = f"{base.rstrip('/')}/{native(lies.path)}".rstrip("/")
        for root in known.get(site.volume, ()):
            new_root = moves[split(root)]
            if new_root is None or now != f"{new_root.rstrip('/')}/{native(site.path)}":
                moves.setdefault(split(f"{root}/{native(site.path)}"), now)
    return moves
