"""Gathers what there is to know of an archive and its devices at a glance."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Collection
from datetime import datetime
from typing import NamedTuple

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot
from handhold.condition.copies import Only, only_copies
from handhold.condition.mirrors import Mirror, remembered
from handhold.condition.troubles import Need, Trouble, of_medium, of_night
from handhold.errors import OwnerError


class Lately(NamedTuple):
    """A device: its last night, and what of it needs the owner."""

    device: str
    night: Snapshot
    troubles: tuple[Trouble, ...]


class Condition(NamedTuple):
    """How things are. ``shared`` are the device's volumes on the archive's own medium."""

    devices: tuple[Lately, ...]
    archive: tuple[Trouble, ...]
    only: tuple[Only, ...]
    mirrors: tuple[Mirror, ...]
    shared: tuple[str, ...]
    free: int
    total: int

    @property
    def needs_owner(self) -> bool:
        """Whether something should be done."""
        return bool(self.archive) or any(one.troubles for one in self.devices)


def condition(
    archive: Archive,
    where: str,
    now: datetime,
    shared: Collection[tuple[str, str]] = (),
    progress: Callable[[int, int], None] | None = None,
) -> Condition:
    """How an archive and its devices are. ``where`` is its folder; ``shared`` as in ``only_copies``."""
    last = {night.device: night for night in archive.nights()}  # by sequence, so the last one stays
    # One that was brought up to date from the other is no second copy of itself.
    mirrors = tuple(one for one in remembered(archive.id) if not _same_place(one.place, where))
    free, total = _room(where)
    return Condition(
        tuple(
            Lately(device, night, _troubles(archive, night, now)) for device, night in sorted(last.items())
        ),
        tuple(of_medium(free, total, archive.unreadable)),
        tuple(only_copies(archive, mirrors, shared, progress)),
        mirrors,
        tuple(sorted(volume for _, volume in shared)),
        free,
        total,
    )


def _troubles(archive: Archive, night: Snapshot, now: datetime) -> tuple[Trouble, ...]:
    try:
        manifest = archive.read(night)
        let_go = {one.name for one in archive.told_apart() if one.let_go}
        return tuple(of_night(manifest, archive.entries(manifest), now, let_go))
    except OwnerError as error:
        return (Trouble(Need.HURT, error.what.rstrip("."), "handhold verify says what is hurt"),)


def _same_place(one: str, other: str) -> bool:
    return os.path.realpath(one) == os.path.realpath(other)


def _room(where: str) -> tuple[int, int]:
    """Free and whole room of the archive's medium in bytes; 0 and 0 where it does not say."""
    try:
        usage = shutil.disk_usage(where)
    except OSError:
        return 0, 0
    return usage.free, usage.total
