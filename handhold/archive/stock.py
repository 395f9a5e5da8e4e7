"""What lies in an archive's folders: its own files, and what does not belong there.

Looks at names first. Whatever has a name that the archive does not give is looked into: it may be a
manifest or a bundle that somebody renamed.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable
from datetime import datetime
from typing import NamedTuple

import msgspec
import xxhash

from handhold.archive import bundle, manifest
from handhold.archive import head as heads
from handhold.archive.archive import DESCRIPTION, GUIDE
from handhold.archive.blocks import decompress
from handhold.archive.bundle import END_MAGIC, END_SIZE, MOST_RECORDS, ROW
from handhold.archive.lock import LOCK, NOTE
from handhold.archive.manifest import Manifest
from handhold.archive.parity.sheet import FOLDER as PARITY
from handhold.archive.parity.sheet import is_parity_name
from handhold.archive.report import Affected, Findings
from handhold.archive.spare import is_spare
from handhold.archive.storage import LARGEST_FILE, Item, Storage, is_temporary
from handhold.errors import NotNow, OwnerError
from handhold.names import written

_FOLDERS = (heads.FOLDER, bundle.FOLDER, PARITY)
_FAN = re.compile(r"[0-9a-f]{2}")
_END_FIELDS = bundle._END
_ZSTANDARD_MAGIC = b"\x28\xb5\x2f\xfd"  # RFC 8878, section 3.1.1


class Stray(NamedTuple):
    """A file with a name that the archive does not give; it is damage unless it is ``harmless``."""

    file: str
    size: int
    harmless: bool


class Stock(msgspec.Struct):
    """The archive's own files, each with its size in bytes, and the others."""

    own: dict[str, int] = {}  # at the top level
    manifests: dict[str, int] = {}
    bundles: dict[str, int] = {}
    parity: dict[str, int] = {}
    strays: list[Stray] = []
    incomplete: list[str] = []  # where bundles, or parts of one, are missing

    @property
    def bytes(self) -> int:
        """The size of the archive's own files."""
        return sum(sum(files.values()) for files in (self.own, self.manifests, self.bundles, self.parity))


def take_stock(storage: Storage, findings: Findings) -> Stock:
    """Lists the whole archive. Raises ``NotNow`` if it is gone."""
    stock = Stock()
    unfinished: list[str] = []
    hidden: list[str] = []
    for item in _listed(storage, "", findings, stock):
        if item.name in (DESCRIPTION, GUIDE):
            if not item.is_folder:
                stock.own[item.name] = item.size
        elif item.name in _FOLDERS:
            if not item.is_folder:
                findings.damage(item.name, "it should be a folder and is none")
        elif item.name == NOTE:
            findings.notes.add(f"{NOTE}: a run is at work in the archive, or was cut off; harmless.")
        elif is_temporary(item.name):
            unfinished.append(item.name)
        elif is_spare(item.name) and not item.is_folder:
            findings.notes.add(f"{item.name}: mending was cut off; handhold mend takes it to its end.")
        elif item.name != LOCK:
            if item.is_folder:
                findings.notes.add(f"{written(item.name)}: does not belong to the archive; harmless.")
            else:
                stock.strays.append(Stray(item.name, item.size, True))

    def sort(folder: str, item: Item, fits: Callable[[str], bool], into: dict[str, int]) -> None:
        file = f"{folder}/{item.name}"
        if fits(file) and not item.is_folder:
            into[file] = item.size
        elif is_temporary(item.name):
            unfinished.append(file)
        elif item.name.startswith("."):
            hidden.append(file)
            if not item.is_folder:
                stock.strays.append(Stray(file, item.size, True))
        elif not item.is_folder:
            stock.strays.append(Stray(file, item.size, False))
        elif fits(file):
            findings.damage(file, "it is a folder and should be a file")
            if folder == heads.FOLDER:
                findings.affects(file, named_by_file(file))
            elif folder != PARITY:
                stock.incomplete.append(file)
        else:
            findings.damage(written(file), "it does not belong here: take this folder away")

    for item in _listed(storage, heads.FOLDER, findings, stock):
        sort(heads.FOLDER, item, lambda file: heads.FILE.fullmatch(file) is not None, stock.manifests)
    for item in _listed(storage, bundle.FOLDER, findings, stock):
        if item.is_folder and _FAN.fullmatch(item.name):
            folder = f"{bundle.FOLDER}/{item.name}"
            for inner in _listed(storage, folder, findings, stock):
                sort(folder, inner, bundle.is_bundle_name, stock.bundles)
        else:
            sort(bundle.FOLDER, item, lambda file: False, {})
    for item in _listed(storage, PARITY, findings, stock):
        sort(PARITY, item, is_parity_name, stock.parity)
    _note(findings, unfinished, "left by a run that was cut off; the next snapshot takes it away")
    _note(findings, hidden, "hidden, put there by a computer; harmless")
    return stock


def _note(findings: Findings, files: list[str], what: str) -> None:
    if files:
        more = f" and {len(files) - 1} more like it" if len(files) > 1 else ""
        findings.notes.add(f"{written(min(files))}{more}: {what}.")


def _listed(storage: Storage, folder: str, findings: Findings, stock: Stock) -> list[Item]:
    try:
        return storage.list(folder)
    except (FileNotFoundError, NotADirectoryError):
        return []
    except NotNow:
        raise
    except OwnerError as error:
        if not folder:
            raise
        findings.damage(folder, f"what lies in this folder cannot be told ({error.what.rstrip('.')})")
        stock.incomplete.append(folder)
        return []


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


def named_by_file(file: str) -> Affected:
    """The snapshot of a manifest that cannot be read, by its file's name: the device and the time in UTC."""
    device, time = file.removeprefix(f"{heads.FOLDER}/").split(".")[:2]
    return Affected(f"{device}.{time}", device)


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
