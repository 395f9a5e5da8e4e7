"""What a file is by what it looks like: one folder at a time, where no layout says it.

Place, ending, size, name, neighbours and, only where these do not decide, the first bytes. All signals stand
in ``signals.yaml``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from handhold.layouts.recognition.folder import Folder
from handhold.layouts.recognition.looks import HEAD, SURE, Looks, Seen
from handhold.layouts.recognition.place import Surroundings
from handhold.layouts.recognition.role import emulator_id, role
from handhold.layouts.recognition.signals import signals

__all__ = ["HEAD", "SURE", "Looks", "Seen", "Surroundings", "emulator_id", "look_around", "recognise", "role"]


def _once(head: Callable[[Seen], bytes]) -> Callable[[Seen], bytes]:
    """Asks for the head of each file at most once."""
    read: dict[str, bytes] = {}

    def heads(file: Seen) -> bytes:
        if file.name not in read:
            read[file.name] = head(file)[:HEAD]
        return read[file.name]

    return heads


def look_around(
    here: Surroundings, files: Sequence[Seen], folders: Sequence[str], head: Callable[[Seen], bytes]
) -> Surroundings:
    """The folder's surroundings with what its own files and folders say; go ``into`` its folders from there.

    Reads at most one file, one that has the name of the cache directory tag; ``recognise`` does not read it
    again.
    """
    known = signals()

    def tag() -> bool:
        return any(head(file).startswith(known.tag_begins) for file in files if file.name == known.tag_name)

    return here.among([file.name for file in files], folders, tag)


def recognise(
    here: Surroundings, files: Sequence[Seen], folders: Sequence[str], head: Callable[[Seen], bytes]
) -> list[Looks]:
    """What each file of one folder looks like, in the order of ``files``.

    ``here`` is the folder itself, ``folders`` are the names of the folders in it. ``head`` gives up to
    ``HEAD`` bytes of a file, ``b""`` if it cannot be read; it is asked at most once for a file, and only
    for files that nothing else decides. A part below ``SURE`` is a guess, not more.
    """
    once = _once(head)
    return Folder(look_around(here, files, folders, once), files, once).looks()
