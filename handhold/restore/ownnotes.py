"""What this machine itself wrote outside a device's homes, and the folders it made: its own word for it.

An archive can come from a stranger, and the record of a restore in it can name any folder. ``undo`` writes
and deletes there, so it believes such a record only where this machine has a note of that very restore.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Collection, Sequence
from pathlib import Path

_LARGEST = 1 << 20

#: A trusted base, and the way from it to a folder (written form).
Place = tuple[str, str]


def remember(archive_id: str, manifest: str, homes: Collection[str]) -> bool:
    """Notes that the restore recorded in this manifest file wrote into these homes elsewhere.

    Returns whether the note could be written down.
    """
    import msgspec

    note = _file(archive_id, manifest)
    temporary = note.with_name(f"new-{secrets.token_hex(6)}.part")
    data = msgspec.json.encode({"archive": archive_id, "manifest": manifest, "homes": sorted(homes)})
    try:
        note.parent.mkdir(parents=True, exist_ok=True)
        temporary.write_bytes(data)
        os.replace(temporary, note)
    except OSError:
        return False
    return True


def remembered(archive_id: str, manifest: str) -> frozenset[str]:
    """The homes elsewhere into which this machine wrote in the restore of that manifest file."""
    import msgspec

    try:
        with _file(archive_id, manifest).open("rb") as stream:
            note = msgspec.json.decode(stream.read(_LARGEST), type=dict[str, str | list[str]])
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return frozenset()
    if note.get("archive") != archive_id or note.get("manifest") != manifest:
        return frozenset()
    return frozenset(note.get("homes", ()))


def remember_folders(archive_id: str, manifest: str, folders: Sequence[Place]) -> None:
    """Notes the folders that this restore made, outermost first, so that undo can take them away again.

    Where that cannot be written down they stay, empty.
    """
    import msgspec

    note = _file(archive_id, manifest, "folders")
    temporary = note.with_name(f"new-{secrets.token_hex(6)}.part")
    try:
        note.parent.mkdir(parents=True, exist_ok=True)
        temporary.write_bytes(msgspec.json.encode(list(folders)))
        os.replace(temporary, note)
    except (OSError, UnicodeEncodeError):
        pass


def remembered_folders(archive_id: str, manifest: str) -> list[Place]:
    """The folders that a restore made, outermost first; none where no note says so."""
    import msgspec

    try:
        with _file(archive_id, manifest, "folders").open("rb") as stream:
            return msgspec.json.decode(stream.read(_LARGEST), type=list[tuple[str, str]])
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return []


def _file(archive_id: str, manifest: str, kind: str = "elsewhere") -> Path:
    import platformdirs

    folder = Path(platformdirs.user_state_dir("handhold", appauthor=False)) / kind
    return folder / f"{archive_id}.{manifest.rpartition('/')[2]}.json"
