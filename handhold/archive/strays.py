"""Files with names that the archive does not give: each may be a manifest or a bundle that was renamed."""

from __future__ import annotations

import struct
from datetime import datetime

import msgspec
import xxhash

from handhold.archive import bundle, manifest
from handhold.archive import head as heads
from handhold.archive.blocks import decompress
from handhold.archive.bundle import END_MAGIC, END_SIZE, MOST_RECORDS, ROW
from handhold.archive.manifest import Manifest
from handhold.archive.report import Affected, Findings
from handhold.archive.stock import Stock
from handhold.archive.storage import LARGEST_FILE, Storage
from handhold.errors import NotNow, OwnerError
from handhold.names import written

_END_FIELDS = bundle._END
_ZSTANDARD_MAGIC = b"\x28\xb5\x2f\xfd"  # RFC 8878, section 3.1.1


def judge_strays(storage: Storage, stock: Stock, findings: Findings) -> dict[bytes, str]:
    """Says of each stray what it is; gives the blocks (by id) of renamed bundles and where they lie.

    A snapshot whose manifest was renamed counts as lost until the name is given back.
    """
    blocks: dict[bytes, str] = {}
    for file, size, harmless in stock.strays:
        shown = written(file)
        found = _manifest_in(storage, file, size)
        if found is not None:
            snapshot = found.snapshot
            if snapshot.file not in stock.manifests:
                findings.damage(
                    shown, f"it is the manifest of {snapshot.name} by another name: call it {snapshot.file}"
                )
                findings.affects(shown, Affected(snapshot.name, snapshot.device))
                continue
            what = f"it is a copy of {snapshot.file} and does not belong here: take it away"
        elif (table := _table_in(storage, file, size)) is not None:
            name = bundle.name_of(table)
            if name not in stock.bundles:
                findings.damage(shown, f"it is a bundle by another name: call it {name}")
                blocks.update((row.id, shown) for row in bundle.rows(table))
                continue
            what = f"it is a copy of {name} and does not belong here: take it away"
        else:
            what = "it does not belong here: take it away"
        if not harmless:
            findings.damage(shown, what)
        elif "/" not in file:
            findings.notes.add(f"{shown}: does not belong to the archive; harmless.")
    return blocks


def rightful_manifest(packed: bytes) -> Manifest | None:
    """The manifest in these bytes, if they are sound under the name that belongs to them."""
    try:
        plain = decompress(packed, heads.LARGEST)
        line = plain[: heads.LARGEST_HEAD].partition(b"\n")[0]
        said = msgspec.json.decode(line, type=_Named)
        taken = datetime.fromisoformat(said.taken)
        return manifest.decode(manifest.file_name(said.device, taken, packed), packed)
    except (ValueError, OverflowError, RecursionError, msgspec.MsgspecError):
        return None


class _Named(msgspec.Struct):
    device: str
    taken: str


def _manifest_in(storage: Storage, file: str, size: int) -> Manifest | None:
    try:
        if size > heads.LARGEST or storage.read(file, 0, 4) != _ZSTANDARD_MAGIC:
            return None
        return rightful_manifest(storage.read(file, 0, size))
    except NotNow:
        raise
    except (OwnerError, FileNotFoundError):
        return None


def _table_in(storage: Storage, file: str, size: int) -> bytes | None:
    """The table of a bundle, whatever its file is called."""
    try:
        if not len(bundle.MAGIC) + END_SIZE < size <= LARGEST_FILE:
            return None
        check, length, zero, magic = _END_FIELDS.unpack(storage.read(file, size - END_SIZE, END_SIZE))
        if magic != END_MAGIC or not 0 < length <= min(size - END_SIZE, MOST_RECORDS * ROW.size):
            return None
        table = storage.read(file, size - END_SIZE - length, length)
        return table if not (zero or length % ROW.size) and xxhash.xxh3_64_intdigest(table) == check else None
    except NotNow:
        raise
    except (OwnerError, FileNotFoundError, struct.error):
        return None


def rightful_bundle(storage: Storage, file: str, size: int) -> str | None:
    """The name that belongs to a bundle, if its table can be read."""
    table = _table_in(storage, file, size)
    return None if table is None else bundle.name_of(table)
