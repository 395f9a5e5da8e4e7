"""Whether an archive is kept with parity, and the parity of what is written into it.

An archive that has the folder ``parity`` is kept with parity: whoever writes a bundle or a manifest into it,
from whatever device, writes its parity too. Parity comes after what it protects and goes before it, so that
there is none without its file, wherever a run is cut off.
"""

from __future__ import annotations

from handhold.archive.description import DESCRIPTION, GUIDE
from handhold.archive.parity.code import NoParity, can_code
from handhold.archive.parity.making import write_parity
from handhold.archive.parity.shape import LARGEST_PROTECTED
from handhold.archive.parity.sheet import FOLDER
from handhold.archive.storage import Storage
from handhold.errors import NotNow, OwnerError


def keeps_parity(storage: Storage) -> bool:
    """Whether the archive is kept with parity. Raises ``NotNow`` if it is gone."""
    try:
        storage.list(FOLDER)
    except (FileNotFoundError, NotADirectoryError):
        return False
    except NotNow:
        raise
    except OwnerError:
        pass  # it is there, and the medium cannot list it
    return True


def begin_parity(storage: Storage) -> None:
    """From now on the archive is kept with parity; its own two files get theirs.

    The caller holds the lock. What is there already gets none yet. Raises ``NoParity`` without the library,
    and ``OwnerError`` if it cannot be written.
    """
    if not can_code():
        raise NoParity("Parity")
    for file in (DESCRIPTION, GUIDE):
        write_parity(storage, file, storage.size(file))


def protect(storage: Storage, file: str, size: int) -> str | None:
    """Writes the parity of a file that was just committed; why not, if it could not be.

    A night without parity is worth more than none: only an archive that goes away is raised (``NotNow``).
    """
    if not 0 < size <= LARGEST_PROTECTED:
        return "it is too large for parity"
    try:
        write_parity(storage, file, size)
    except NotNow:
        raise
    except NoParity as error:
        return f"{error.what} {error.advice}"
    except OwnerError as error:
        return error.what
    except FileNotFoundError:
        return "it vanished"
    return None
