"""The archive's own two files: ``archive.yaml`` and ``ARCHIVE.md``, as they were or as near as can be."""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Iterator

from handhold.archive.description import (
    DESCRIPTION,
    FORMAT,
    GUIDE,
    LARGEST,
    described,
    description,
    guide_text,
)
from handhold.archive.head import FOLDER as MANIFESTS
from handhold.archive.parity.mended import Mended
from handhold.archive.storage import Storage
from handhold.errors import NotNow, OwnerError
from handhold.model import Clock

_ID = re.compile(rb'^id: "([0-9a-f]{32})"$', re.MULTILINE)
_CREATED = re.compile(rb'^created: "([0-9T:.+Z-]{1,64})"$', re.MULTILINE)
_GUIDE = re.compile(rb'^guide: "([0-9a-f]{64})"$', re.MULTILINE)
_LARGEST_GUIDE = 1 << 20


def description_again(storage: Storage, other: Storage | None, clock: Clock) -> tuple[bytes, str] | None:
    """The bytes for a hurt or missing ``archive.yaml``, and where they are from; None if it is sound.

    In the end from the lines of it that are left: then the archive gets a new id if that is lost. Raises
    ``OwnerError`` for an archive of another format.
    """
    data = _read(storage, DESCRIPTION, LARGEST)
    if _is_description(data):
        return None
    ident = _ID.search(data)
    for copy, source in _copies(storage, other, DESCRIPTION):
        if _is_description(copy) and (ident is None or ident[0] in copy):
            return copy, source
    number = re.match(rb"format: ([0-9]{1,9})\n", data)
    if number and int(number[1]) != FORMAT:
        raise OwnerError(
            f"The archive's {DESCRIPTION} is hurt, and it is of format {int(number[1])}.",
            "Use the version of handhold that made it, or a later one.",
        )
    created, said = _CREATED.search(data), _GUIDE.search(data)
    guide = _read(storage, GUIDE, _LARGEST_GUIDE) or guide_text().encode()
    if said and not _fits(guide, said[1]) and _fits(guide_text().encode(), said[1]):
        guide = guide_text().encode()
    made = description(
        ident[1].decode() if ident else secrets.token_hex(16),
        created[1].decode() if created else clock().isoformat(),
        guide,
    )
    source = "the lines that are left" if ident else "nothing that is left; it has a new id"
    return made, source


def guide_is_sound(storage: Storage) -> bool:
    """Whether ``ARCHIVE.md`` is as ``archive.yaml`` says, as far as that can be read."""
    said = _guide_digest(storage)
    return said is None or _fits(_read(storage, GUIDE, _LARGEST_GUIDE), said)


def guide_again(storage: Storage, other: Storage | None) -> tuple[bytes, str] | None:
    """The bytes for a hurt or missing ``ARCHIVE.md`` and where they are from; None if nothing has them."""
    said = _guide_digest(storage)
    if said is None:
        return None
    for copy, source in (
        (guide_text().encode(), "this version of handhold"),
        *_copies(storage, other, GUIDE),
    ):
        if _fits(copy, said):
            return copy, source
    return None


def _guide_digest(storage: Storage) -> bytes | None:
    said = _GUIDE.search(_read(storage, DESCRIPTION, LARGEST))
    return said[1] if said else None


def _fits(data: bytes, digest: bytes) -> bool:
    return hashlib.sha256(data).hexdigest().encode() == digest


def _is_description(data: bytes) -> bool:
    try:
        described("", data)
    except OwnerError:
        return False
    return True


def _copies(storage: Storage, other: Storage | None, file: str) -> Iterator[tuple[bytes, str]]:
    largest = LARGEST if file == DESCRIPTION else _LARGEST_GUIDE
    view = Mended(storage, file)
    if view.has_parity and view.size <= largest:
        yield view.whole(), "its parity"
    if other is not None and (file == GUIDE or _is_copy(storage, other)):
        yield _read(other, file, largest), "the other archive"


def _is_copy(storage: Storage, other: Storage) -> bool:
    """Whether two archives have a snapshot in common: names of manifests carry a digest."""
    try:
        here, there = ({item.name for item in one.list(MANIFESTS)} for one in (storage, other))
        return bool(here & there)
    except (OSError, OwnerError):
        return False


def _read(storage: Storage, file: str, largest: int) -> bytes:
    try:
        return storage.read(file, 0, largest + 1)
    except NotNow:
        raise
    except (FileNotFoundError, OwnerError):
        return b""
