"""What of a snapshot can still be read, where its archive is hurt."""

from __future__ import annotations

from handhold.archive.archive import Archive
from handhold.archive.manifest import Manifest
from handhold.errors import Damaged
from handhold.model import Entry


def readable(archive: Archive, manifest: Manifest) -> tuple[list[Entry], int]:
    """The entries of every list of files that can be read, and the number of lists that cannot.

    ``Archive.entries`` stops at the first one that is hurt; a restore goes on with the rest and says so.
    """
    entries: list[Entry] = []
    hurt = 0
    for page in manifest.pages:
        try:
            found = archive.page(page.id)
        except Damaged:
            hurt += 1
            continue
        if len(found) != page.entries or (entries and found[0].key <= entries[-1].key):
            hurt += 1  # not the list that the manifest means
            continue
        entries.extend(found)
    return entries, hurt
