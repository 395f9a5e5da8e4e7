"""The layouts at hand: the owner's, and for other emulators those that are stored with snapshots."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot
from handhold.archive.manifest import Manifest
from handhold.archive.sameness import Forms
from handhold.errors import OwnerError
from handhold.layouts.layout import Layout
from handhold.layouts.stored import from_stored


def layouts_at_hand(
    archive: Archive, manifest: Manifest, layouts: Mapping[str, Layout], emulators: Iterable[str]
) -> dict[str, Layout]:
    """The layout of each emulator: the owner's, or else the one that was stored with the snapshot."""
    at_hand: dict[str, Layout] = {}
    for emulator in sorted(emulators):
        if own := layouts.get(emulator):
            at_hand[emulator] = own
            continue
        try:
            stored = archive.layout(manifest, emulator)
            if stored is not None:
                at_hand[emulator] = from_stored(stored)
        except (OwnerError, ValueError):
            pass  # without a layout its files become steps by hand, which say why
    return at_hand


def layouts_of_nights(
    archive: Archive, nights: Mapping[str, Snapshot], layouts: Mapping[str, Layout]
) -> dict[str, Layout]:
    """The owner's layouts, and for other emulators the one that the latest night of a device holds."""
    at_hand = dict(layouts)
    for night in sorted(nights.values(), key=lambda one: -one.sequence):
        try:
            manifest = archive.read(night)
        except OwnerError:
            continue  # a hurt night is named with what could not be read
        at_hand.update(layouts_at_hand(archive, manifest, {}, manifest.layouts.keys() - at_hand.keys()))
    return at_hand


def forms_of(layouts: Mapping[str, Layout]) -> Forms:
    """The homes that hold the same saves in two forms, by emulator."""
    return {name: layout.forms for name, layout in layouts.items() if layout.forms is not None}
