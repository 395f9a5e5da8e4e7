"""The temporary names under which a restore writes on a device, before it gives a file its own name."""

from __future__ import annotations

import re

#: What a run that was cut off leaves is nobody's data, and the next restore takes it away.
TEMPORARY = re.compile(r"\.handhold-[0-9a-f]{12}\.part")


def is_temporary(name: str) -> bool:
    """Whether a file's last name is one that a restore gives until the file is whole.

    >>> is_temporary(".handhold-0123456789ab.part"), is_temporary(".handhold-notes.part")
    (True, False)
    """
    return name.startswith(".handhold-") and TEMPORARY.fullmatch(name) is not None
