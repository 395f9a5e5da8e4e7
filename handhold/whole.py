"""Whether an export on a device is whole, told by the end of the file."""

from __future__ import annotations

from handhold.archive.ziptree import parse
from handhold.device.claims import Claim
from handhold.device.reading import still_file


def is_whole(claim: Claim) -> bool:
    """Whether a file holds something and, if it calls itself a zip, has a zip's directory that fits it.

    What is of another form cannot be told, and counts. The members are not read; those that are hurt are
    told when the zip is kept.
    """
    if not claim.size:
        return False
    if not claim.path.lower().endswith(".zip"):
        return True
    try:
        with still_file(claim.place) as file:
            parse(file.read_at, file.size)
    except (OSError, ValueError):
        return False
    return True
