"""Whether a file is what it should be at this moment: what the plan saw, or what was written."""

from __future__ import annotations

import os
import stat
import time
from hashlib import sha256

from handhold.device.reading import YOUNG_NS
from handhold.device.times import modified_of
from handhold.model import Entry
from handhold.restore.look import READ, digest_in
from handhold.restore.steps import Step

#: Contents up to this size are read again where it costs next to nothing (bytes).
CHEAP = 1 << 20
_TELLS_CHANGES = frozenset({"ext2", "ext3", "ext4", "btrfs", "xfs", "f2fs", "tmpfs", "overlay", "zfs"})


class Failed(Exception):
    """One file could not be written, and why; the others go on."""


def check_unchanged(folder: int, name: str, step: Step) -> None:
    """Raises ``Failed`` unless the file is still the one that the plan saw and the archive now holds."""
    found = step.found
    try:
        told = os.stat(name, dir_fd=folder, follow_symlinks=False)
    except FileNotFoundError:
        raise Failed("the file that stood there is gone meanwhile; run this again") from None
    same = stat.S_ISREG(told.st_mode) and (told.st_size, modified_of(told)) == (found.size, found.modified)
    # Some drivers of cards number files anew each time, so another inode alone means: read it again. So does
    # another time of change, and no such time: size and time of writing can be those of before.
    young = time.time_ns() - max(told.st_ctime_ns, told.st_mtime_ns) < YOUNG_NS
    doubtful = (
        told.st_size <= CHEAP
        or young
        or (told.st_ino, told.st_ctime_ns) != (found.inode, found.changed)
        or not _tells_changes(step)
    )
    if not same or (doubtful and digest_in(folder, name)[0] != found.sha256):
        raise Failed("it changed after the plan was made and was left as it is; run this again")


def _tells_changes(step: Step) -> bool:
    """Whether the file system keeps the time at which anything about a file changed, which nobody can set."""
    return step.target is not None and step.target.traits.filesystem in _TELLS_CHANGES


def read_back(folder: int, temporary: str, entry: Entry) -> None:
    """Raises ``Failed`` if a file that is short enough to be read again is not what was written.

    By another handle: a driver may give back what one wrote only once that is closed.
    """
    if entry.size <= CHEAP and not _is(entry, folder, temporary):
        raise Failed("what was written reads back as something else; the card may be failing")


def _is(entry: Entry, folder: int, name: str) -> bool:
    """Whether a short file holds the content of an entry, and no more."""
    handle = os.open(name, READ, dir_fd=folder)
    try:
        told = os.fstat(handle)
        if not stat.S_ISREG(told.st_mode) or told.st_size != entry.size:
            return False
        # At once, and a byte more than there should be; where a card gives less at a time, piece by piece.
        data = os.read(handle, entry.size + 1)
        while 0 < len(data) < entry.size and (more := os.read(handle, entry.size + 1 - len(data))):
            data += more
    finally:
        os.close(handle)
    return sha256(data).hexdigest() == entry.sha256
