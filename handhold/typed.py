"""What an owner typed. Apart from the config: its reader is slow to load, and not every command needs it."""

from __future__ import annotations

from handhold.errors import WrongInput
from handhold.names import written


def checked_path(option: str, path: str) -> str:
    """The path, if it is text that a config and a manifest can hold. Raises ``WrongInput``."""
    try:
        path.encode("utf-8")
    except UnicodeEncodeError:
        raise WrongInput(
            f'{option}: the path "{written(path)}" is not valid text.',
            "Give the folder a name in valid UTF-8, or mount the volume elsewhere.",
        ) from None
    return path
