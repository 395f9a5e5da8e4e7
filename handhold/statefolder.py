"""The user's folders on this machine: for the config, and for state, which are notes to itself and logs.

Source: XDG Base Directory Specification, XDG_CONFIG_HOME and XDG_STATE_HOME
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TypeVar

_Form = TypeVar("_Form")

#: No more of a note is read (bytes).
_LARGEST = 1 << 20


def state_folder() -> Path:
    """Where state is kept; it may have to be made."""
    return Path(_folder("XDG_STATE_HOME", ".local/state", "user_state_dir"))


def config_folder() -> Path:
    """Where the config is, unless another file is named; it may have to be made."""
    return Path(_folder("XDG_CONFIG_HOME", ".config", "user_config_dir"))


def _folder(variable: str, usual: str, called: str) -> str:
    """The folder that the variable names, or the usual one in the user's home."""
    if sys.platform == "linux" and "ANDROID_ROOT" not in os.environ:
        said = os.environ.get(variable) or os.path.join(os.environ.get("HOME", ""), usual)
        if os.path.isabs(said):
            return os.path.join(said, "handhold")
    import platformdirs  # knows other systems, and homes that no variable names

    found: str = getattr(platformdirs, called)("handhold", appauthor=False)
    return found


def write_note(kind: str, name: str, value: object) -> bool:
    """Writes ``value`` as the note of that name in the folder of its kind; whether that could be done.

    A note that is there is replaced in one step.
    """
    import msgspec

    note = _file(kind, name)
    temporary = note.with_name(f"new-{os.urandom(6).hex()}.part")
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
