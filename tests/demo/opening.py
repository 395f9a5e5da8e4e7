"""What another user than root must do before an example can be read as a whole."""

from __future__ import annotations

import os
from pathlib import Path


def open_up(folder: Path) -> None:
    """Gives the owner the right to read every folder below; contents and times stay as they are."""
    for place, folders, _ in os.walk(folder):
        for name in folders:
            inner = os.path.join(place, name)
            os.chmod(inner, os.stat(inner).st_mode | 0o700)
