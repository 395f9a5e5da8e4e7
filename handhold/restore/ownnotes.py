"""What this machine itself wrote outside a device's homes, and the folders it made: its own word for it.

An archive can come from a stranger, and the record of a restore in it can name any folder. ``undo`` writes
and deletes there, so it believes such a record only where this machine has a note of that very restore.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from handhold.statefolder import read_note, write_note

_ELSEWHERE, _FOLDERS = "elsewhere", "folders"

#: A trusted base, and the way from it to a folder (written form).
Place = tuple[str, str]


def remember(archive_id: str, manifest: str, homes: Collection[str]) -> bool:
    """Notes that the restore recorded in this manifest file wrote into these homes elsewhere.

    Returns whether the note could be written down.
    """
    note = {"archive": archive_id, "manifest": manifest, "homes": sorted(homes)}
    return write_note(_ELSEWHERE, _name(archive_id, manifest), note)


def remembered(archive_id: str, manifest: str) -> frozenset[str]:
    """The homes elsewhere into which this machine wrote in the restore of that manifest file."""
    note = read_note(_ELSEWHERE, _name(archive_id, manifest), dict[str, str | list[str]])
    if note is None or note.get("archive") != archive_id or note.get("manifest") != manifest:
        return frozenset()
    return frozenset(note.get("homes", ()))


def remember_folders(archive_id: str, manifest: str, folders: Sequence[Place]) -> None:
    """Notes the folders that this restore made, outermost first, so that undo can take them away again.

    Where that cannot be written down they stay, empty.
    """
    write_note(_FOLDERS, _name(archive_id, manifest), list(folders))


def remembered_folders(archive_id: str, manifest: str) -> list[Place]:
    """The folders that a restore made, outermost first; none where no note says so."""
    return read_note(_FOLDERS, _name(archive_id, manifest), list[Place]) or []


def _name(archive_id: str, manifest: str) -> str:
    return f"{archive_id}.{manifest.rpartition('/')[2]}"
