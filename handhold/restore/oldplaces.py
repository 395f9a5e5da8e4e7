"""Which settings of a restore name places of the old device, and what could be put in their stead."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence

from handhold.archive.archive import Archive
from handhold.archive.manifest import Manifest
from handhold.archive.standing import ELSEWHERE
from handhold.errors import OwnerError
from handhold.model import Device
from handhold.names import native
from handhold.restore.found import NoTarget, Target
from handhold.restore.lying import HomeKey
from handhold.restore.repoint.encoded import encoded_values
from handhold.restore.repoint.values import Value, Was, joined, roots_named, split, values
from handhold.restore.settings import PARTS, Key, Named, NamedPlace, Rewrite, content_of
from handhold.restore.steps import Action, Decision, Step


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
        return content_of(archive, step.entry)
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
