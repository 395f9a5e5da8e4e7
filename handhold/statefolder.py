"""The user's state folder on this machine: notes that handhold leaves there for itself, and its logs.

Source: XDG Base Directory Specification, XDG_STATE_HOME
"""

from __future__ import annotations

import os
import secrets
from pathlib import Path
from typing import TypeVar

_Form = TypeVar("_Form")

#: No more of a note is read (bytes).
_LARGEST = 1 << 20


def state_folder() -> Path:
    """Where it is; it may have to be made."""
    import platformdirs

    return Path(platformdirs.user_state_dir("handhold", appauthor=False))


def write_note(kind: str, name: str, value: object) -> bool:
    """Writes ``value`` as the note of that name in the folder of its kind; whether that could be done.

    A note that is there is replaced in one step.
    """
    import msgspec

    note = _file(kind, name)
    temporary = note.with_name(f"new-{secrets.token_hex(6)}.part")
    try:
        data = msgspec.json.encode(value)
        note.parent.mkdir(parents=True, exist_ok=True)
        temporary.write_bytes(data)
        os.replace(temporary, note)
    except (OSError, UnicodeEncodeError):
        return False
    return True


def read_note(kind: str, name: str, form: type[_Form]) -> _Form | None:
    """The note of that name; None where there is none, or none of that form."""
    import msgspec

    try:
        with _file(kind, name).open("rb") as stream:
            return msgspec.json.decode(stream.read(_LARGEST), type=form)
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return None


def _file(kind: str, name: str) -> Path:
    return state_folder() / kind / f"{name}.json"
