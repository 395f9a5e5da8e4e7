"""What lies in an archive's folders: its own files, and what does not belong there.

Looks at names alone. What has a name that the archive does not give is looked into elsewhere (``strays``).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NamedTuple

import msgspec

from handhold.archive.description import DESCRIPTION, GUIDE
from handhold.archive.filenames import (
    BUNDLES,
    MANIFESTS,
    PARITY,
    is_bundle_name,
    is_manifest_name,
    is_parity_name,
)
from handhold.archive.lock import LOCK, NOTE
from handhold.archive.report import Affected, Findings
from handhold.archive.spare import is_spare
from handhold.archive.storage import Item, Storage, is_temporary
from handhold.errors import NotNow, OwnerError
from handhold.names import written

_FOLDERS = (MANIFESTS, BUNDLES, PARITY)
_FAN = re.compile(r"[0-9a-f]{2}")


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
            if folder == MANIFESTS:
                findings.affects(file, named_by_file(file))
            elif folder != PARITY:
                stock.incomplete.append(file)
        else:
            findings.damage(written(file), "it does not belong here: take this folder away")

    for item in _listed(storage, MANIFESTS, findings, stock):
        sort(MANIFESTS, item, is_manifest_name, stock.manifests)
    for item in _listed(storage, BUNDLES, findings, stock):
        if item.is_folder and _FAN.fullmatch(item.name):
            folder = f"{BUNDLES}/{item.name}"
            for inner in _listed(storage, folder, findings, stock):
                sort(folder, inner, is_bundle_name, stock.bundles)
        else:
            sort(BUNDLES, item, lambda file: False, {})
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


def named_by_file(file: str) -> Affected:
    """The snapshot of a manifest that cannot be read, by its file's name: the device and the time in UTC."""
    device, time = file.removeprefix(f"{MANIFESTS}/").split(".")[:2]
    return Affected(f"{device}.{time}", device)
