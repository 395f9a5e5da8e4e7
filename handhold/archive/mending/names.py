"""Files of an archive that bear another name than their own: each gets its own back before anything else.

A bundle's table and a manifest's digest prove a name. Whatever is mended under a name that is not a file's
own would overwrite what may be the last of another file: so no such file stays in the way.
"""

from __future__ import annotations

from collections.abc import Collection

from handhold.archive import head
from handhold.archive.filenames import is_bundle_name, is_manifest_name
from handhold.archive.report import Findings
from handhold.archive.spare import digest_of, put_spare, runs_of, use_spares
from handhold.archive.stock import take_stock
from handhold.archive.storage import Storage
from handhold.archive.strays import rightful_bundle, rightful_manifest
from handhold.errors import OwnerError


def own_names(storage: Storage, hurt: Collection[str], *, dry: bool) -> list[tuple[str, str]]:
    """Gives files their own names back; the name that each had, and the one it has now.

    ``hurt`` are the files that a check found fault with. Second copies of all of them are durable before the
    first is put in place, so that two that were swapped do not overwrite each other. Raises ``OwnerError``
    if they cannot be written.
    """
    stock = take_stock(storage, Findings())
    sizes = {**stock.bundles, **stock.manifests, **{stray.file: stray.size for stray in stock.strays}}
    found: list[tuple[str, str]] = []
    for file in sorted(sizes.keys() & hurt):
        own = _own(storage, file, sizes[file])
        if own is None or own == file or any(own == other for _, other in found):
            continue
        if own in sizes and _own(storage, own, sizes[own]) == own:
            continue  # this is a copy of it
        found.append((file, own))
    if dry or not found:
        return found
    digests = {file: digest_of(storage, file) for file, _ in found}
    for file, own in found:
        put_spare(storage, own, runs_of(storage, file), digests[file])
    use_spares(storage)
    for file, own in found:
        if file not in {other for _, other in found} and digest_of(storage, own) == digests[file]:
            storage.delete(file)
    return found


def _own(storage: Storage, file: str, size: int) -> str | None:
    """The name that a file's bytes prove; None where they prove none."""
    try:
        if is_manifest_name(file) or not is_bundle_name(file):
            packed = storage.read(file, 0, head.LARGEST + 1) if size <= head.LARGEST else b""
            if (manifest := rightful_manifest(packed)) is not None:
                return manifest.snapshot.file
        return rightful_bundle(storage, file, size)
    except (OwnerError, FileNotFoundError):
        return None
