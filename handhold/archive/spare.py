"""A second copy of a file while it is put in the place of its hurt one.

On a card without a journal giving a file the name of another is several steps, of which a power cut can
leave any: in the end neither is there. A second copy under a name of its own, durable before the first step,
outlives that; the next run that may write puts it in place. Its name says what it is of, and begins with
digits of its own digest, so that a torn one is known.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator

from handhold.archive.description import DESCRIPTION, GUIDE
from handhold.archive.filenames import BUNDLES, MANIFESTS, is_bundle_name, is_manifest_name
from handhold.archive.storage import Storage
from handhold.errors import OwnerError

_NAME = re.compile(r"again-([0-9a-f]{8})-(.+)")
_READ = 1 << 20


def is_spare(name: str) -> bool:
    """Whether a name at the archive's root is that of a second copy."""
    return _of(name) is not None


def put_spare(storage: Storage, file: str, runs: Iterable[bytes], digest: str) -> str:
    """Writes a second copy of ``file``, whose SHA-256 is known; gives its name when it is durable."""
    name = f"again-{digest[:8]}-{file.rpartition('/')[2]}"
    pending = storage.begin("")
    try:
        for run in runs:
            pending.write(run)
        pending.commit(name)
    finally:
        pending.abandon()
    return name


def use_spares(storage: Storage) -> None:
    """Puts second copies that a run left in the place that they are of, for whoever holds the lock.

    What cannot be written stays for the next run.
    """
    try:
        names = [item.name for item in storage.list("") if not item.is_folder]
    except (FileNotFoundError, NotADirectoryError):
        return
    for name in names:
        found = _of(name)
        if found is None:
            continue
        digits, file = found
        try:
            if digest_of(storage, name).startswith(digits):
                _copy(storage, name, file)
            storage.delete(name)
        except (OwnerError, FileNotFoundError):
            continue


def _of(name: str) -> tuple[str, str] | None:
    """The digits in the name of a second copy, and the file that it is of."""
    match = _NAME.fullmatch(name)
    if match is None:
        return None
    digits, own = match[1], match[2]
    for file in (own, f"{MANIFESTS}/{own}", f"{BUNDLES}/{own[:2]}/{own}"):
        known = file in (DESCRIPTION, GUIDE) or is_manifest_name(file) or is_bundle_name(file)
        if known:
            return digits, file
    return None


def runs_of(storage: Storage, name: str) -> Iterator[bytes]:
    """The bytes of a stored file, in runs. Raises ``OwnerError`` and ``FileNotFoundError``."""
    at = 0
    while run := storage.read(name, at, _READ):
        yield run
        at += len(run)


def digest_of(storage: Storage, name: str) -> str:
    """The SHA-256 of a stored file in hexadecimal. Raises ``OwnerError`` and ``FileNotFoundError``."""
    digest = hashlib.sha256()
    for run in runs_of(storage, name):
        digest.update(run)
    return digest.hexdigest()


def _copy(storage: Storage, name: str, file: str) -> None:
    pending = storage.begin("")
    try:
        for run in runs_of(storage, name):
            pending.write(run)
        pending.commit(file)
    finally:
        pending.abandon()
