"""Layouts that stand in for files with a mistake in them: as they were stored with an earlier night."""

from __future__ import annotations

from collections.abc import Collection
from itertools import islice

from handhold.archive.archive import Archive
from handhold.errors import OwnerError
from handhold.layouts.layout import Layout
from handhold.layouts.stored import from_stored
from handhold.nights import backwards

#: So many nights are looked back: those before may have been with the card out.
_NIGHTS = 30


def stand_ins(archive: Archive, device: str, missing: Collection[str]) -> dict[str, tuple[Layout, str]]:
    """For each of these emulators the layout of the last night that stored one, and that night's name."""
    found: dict[str, tuple[Layout, str]] = {}
    if not missing:
        return found
    for manifest in islice(backwards(archive, device), _NIGHTS):
        for emulator in sorted(set(missing) & manifest.layouts.keys() - found.keys()):
            try:
                stored = archive.layout(manifest, emulator)
                layout = from_stored(stored) if stored is not None else None
            except (OwnerError, ValueError):
                continue  # an older night may have it
            if layout is not None and layout.id == emulator:
                found[emulator] = (layout, manifest.snapshot.name)
        if len(found) == len(set(missing)):
            break
    return found
