"""Where second copies of an archive are, as this machine remembers: a note that ``mirror`` leaves.

Source: XDG Base Directory Specification, XDG_STATE_HOME
"""

from __future__ import annotations

import os
import secrets
from datetime import datetime
from pathlib import Path

import msgspec
import platformdirs

_LARGEST = 1 << 20
#: No more places are remembered; the oldest go first.
_MOST = 64


class Mirror(msgspec.Struct, frozen=True):
    """A second copy: where, when it was last brought up to date, and up to which sequence number."""

    place: str
    when: datetime
    sequence: float


def remember(archive_id: str, mirror: Mirror) -> bool:
    """Notes a second copy of an archive; whether that could be written down."""
    others = [one for one in remembered(archive_id) if one.place != mirror.place]
    file = _file(archive_id)
    temporary = file.with_name(f"new-{secrets.token_hex(6)}.part")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        temporary.write_bytes(msgspec.json.encode([*others, mirror][-_MOST:]))
        os.replace(temporary, file)
    except (OSError, UnicodeEncodeError):
        return False
    return True


def remembered(archive_id: str) -> tuple[Mirror, ...]:
    """The second copies that this machine knows of, by the time of their last bringing up to date."""
    try:
        with _file(archive_id).open("rb") as stream:
            found = msgspec.json.decode(stream.read(_LARGEST), type=list[Mirror])
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return ()
    return tuple(sorted((one for one in found if one.when.tzinfo), key=lambda one: one.when))


def _file(archive_id: str) -> Path:
    return Path(platformdirs.user_state_dir("handhold", appauthor=False)) / "mirrors" / f"{archive_id}.json"
