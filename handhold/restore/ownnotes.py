"""What this machine itself wrote outside a device's homes: its own word for it, beside the archive's.

An archive can come from a stranger, and the record of a restore in it can name any folder. ``undo`` writes
and deletes there, so it believes such a record only where this machine has a note of that very restore.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Collection
from pathlib import Path

_LARGEST = 1 << 20


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


def _file(archive_id: str, manifest: str) -> Path:
    import platformdirs

    folder = Path(platformdirs.user_state_dir("handhold", appauthor=False)) / "elsewhere"
    return folder / f"{archive_id}.{manifest.rpartition('/')[2]}.json"
