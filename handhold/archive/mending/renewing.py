"""Putting a file in the place of its hurt copy: the new one is proven before the old one goes.

A second copy stands beside it until that is done (see ``spare``), so that a power cut leaves one of them.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator

from handhold.archive.spare import put_spare
from handhold.archive.storage import Pending, Storage
from handhold.errors import Damaged

_READ = 1 << 20


def renew(storage: Storage, file: str, runs: Iterable[bytes]) -> int:
    """Writes ``runs`` under a temporary name, reads them back, and only then gives them the file's name.

    The caller has proven that these bytes are what the name stands for. Gives their number. Raises
    ``Damaged`` if the medium does not give them back, and ``OwnerError`` if they cannot be written; then the
    old file stays.
    """
    pending = storage.begin(os.path.dirname(file))
    digest, size = hashlib.sha256(), 0
    try:
        for run in runs:
            pending.write(run)
            digest.update(run)
            size += len(run)
        back = hashlib.sha256()
        for at in range(0, size, _READ):
            back.update(pending.read(at, min(_READ, size - at)))
        if back.digest() != digest.digest():
            raise Damaged(
                f"{file} was just written anew and does not read back; the old one was left as it is.",
                "The card is failing: copy the archive to another one, and mend it there.",
            )
        spare = put_spare(storage, file, _written(pending, size), digest.hexdigest())
        pending.commit(file)
        storage.delete(spare)
    finally:
        pending.abandon()
    return size


def _written(pending: Pending, size: int) -> Iterator[bytes]:
    for at in range(0, size, _READ):
        yield pending.read(at, min(_READ, size - at))
