"""Whether an archive lies in a folder, told before anything of it is read but its description."""

from __future__ import annotations

from handhold.archive.description import ADVICE, DESCRIPTION, GUIDE, LARGEST, described
from handhold.archive.filenames import BUNDLES, MANIFESTS
from handhold.archive.storage import Storage, is_temporary
from handhold.errors import Damaged, NotNow, WrongInput

FOLDERS = (MANIFESTS, BUNDLES)


def stated_id(storage: Storage) -> str:
    """The id of the archive that lies there.

    Raises ``NotNow`` if nothing is there (card out?), ``WrongInput`` if something else is there,
    ``OwnerError`` for an archive of another format, ``Damaged`` if its description is hurt.
    """
    names = _names(storage)
    if DESCRIPTION not in names:
        if not names:
            raise NotNow(
                f"There is no archive here, the folder is empty: {storage.where}",
                "Look whether the card is in. To make an archive: handhold setup",
            )
        if not _without_leftovers(names):
            raise NotNow(
                f"There is no archive here yet, its making was cut off: {storage.where}",
                "Make it: handhold setup",
            )
        if names & set(FOLDERS):
            raise Damaged(f"The archive has lost its {DESCRIPTION}: {storage.where}", ADVICE)
        raise WrongInput(
            f"This folder is no archive: {storage.where}",
            "Name the folder in which archive.yaml lies, or make an archive elsewhere: handhold setup",
        )
    try:
        data = storage.read(DESCRIPTION, 0, LARGEST + 1)
    except FileNotFoundError:
        raise NotNow(f"The archive is gone: {storage.where}", "Look whether the card is in.") from None
    return described(storage.where, data)


def refuse_what_is_there(storage: Storage) -> None:
    """Raises ``WrongInput`` unless an archive can be made in the folder: nothing is there but leftovers."""
    names = _names(storage)
    if DESCRIPTION in names:
        raise WrongInput(
            f"There is an archive already: {storage.where}", "Use it as it is, or choose another folder."
        )
    if _without_leftovers(names) - {*FOLDERS} or _any_inside(storage):
        raise WrongInput(
            f"The folder is not empty, so no archive is made in it: {storage.where}",
            "Choose a folder that does not exist yet, or an empty one.",
        )


def _names(storage: Storage) -> set[str]:
    """What lies at the archive's root, without what the lock and the file system leave there."""
    try:
        items = storage.list("")
    except FileNotFoundError:
        raise NotNow(
            f"The archive is not there: {storage.where}",
            "Look whether the card is in. To make an archive: handhold setup",
        ) from None
    except NotADirectoryError:
        raise WrongInput(
            f"This is a file and no archive: {storage.where}", "Name the folder in which archive.yaml lies."
        ) from None
    return {item.name for item in items if not item.name.startswith(".") and item.name != "lost+found"}


def _without_leftovers(names: set[str]) -> set[str]:
    """The names without what a creation that was cut off leaves: temporary files, a guide alone."""
    return {name for name in names if not is_temporary(name)} - {GUIDE}


def _any_inside(storage: Storage) -> bool:
    for folder in FOLDERS:
        try:
            if any(not is_temporary(item.name) for item in storage.list(folder)):
                return True
        except FileNotFoundError:
            continue
        except NotADirectoryError:
            return True
    return False
