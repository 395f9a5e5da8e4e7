"""An archive: opening and making one, its snapshots by name, its lock and its writer."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import UTC
from typing import TYPE_CHECKING

import zstandard

from handhold.archive import head as heads
from handhold.archive import manifest as manifests
from handhold.archive.contents import Contents
from handhold.archive.description import ADVICE, DESCRIPTION, GUIDE, description, guide_text
from handhold.archive.filenames import is_manifest_name
from handhold.archive.finding import find
from handhold.archive.head import Snapshot
from handhold.archive.manifest import Manifest
from handhold.archive.opening import refuse_what_is_there, stated_id
from handhold.archive.origins import told_apart
from handhold.archive.storage import LocalStorage, Storage
from handhold.errors import Damaged, OwnerError
from handhold.model import Clock, Kind

if TYPE_CHECKING:
    from handhold.archive.index import Index
    from handhold.archive.writer import Writer

_IDENT = re.compile(r"[0-9a-f]{32}")
_HEAD_READ, _HEAD_STEP = 4 << 10, 64  # bytes that are read, and opened, at a time
_LARGEST_WINDOW = 16 << 20  # bytes that reading a head may take


class Archive(Contents):
    """One archive.

    ``Archive.open(LocalStorage("/media/card/handhold"))`` opens the one that lies there.
    """

    def __init__(self, storage: Storage, archive_id: str, index: Index | None = None) -> None:
        super().__init__(storage, index)
        self.id = archive_id
        self.unreadable: list[str] = []
        #: Files that were written without their parity where parity is kept, with the reason.
        self.without_parity: dict[str, str] = {}
        self._heads: dict[str, Snapshot] = {}
        self._refs = manifests.KnownRefs()
        #: Who held the archive before this one did and was cut off, in the owner's words; "" if nobody.
        self.left_by = ""
        #: The device at hand and its origin, where its config gives one (``origins``).
        self.device = self.origin = ""

    @staticmethod
    def create(storage: Storage, clock: Clock, archive_id: str | None = None) -> Archive:
        """Makes an archive in an empty or missing folder.

        Raises ``WrongInput`` if anything else is there, ``NotNow`` if the folder around it is missing.
        """
        ident = os.urandom(16).hex() if archive_id is None else archive_id
        if _IDENT.fullmatch(ident) is None:
            raise ValueError("an archive's id is 32 hexadecimal digits")
        if isinstance(storage, LocalStorage):
            storage.make()
        refuse_what_is_there(storage)
        guide = guide_text().encode()
        _put(storage, GUIDE, guide)
        _put(storage, DESCRIPTION, description(ident, clock().isoformat(), guide))
        return Archive(storage, ident)

    @staticmethod
    def open(storage: Storage) -> Archive:
        """Opens the archive that lies there.

        Raises ``NotNow`` if nothing is there (card out?), ``WrongInput`` if something else is there,
        ``OwnerError`` for an archive of another format, ``Damaged`` if its description is hurt.
        """
        return Archive(storage, stated_id(storage))

    # -- snapshots ---------------------------------------------------------------------------------------

    def snapshots(self) -> list[Snapshot]:
        """Every snapshot, of every kind, by sequence; reads only the head of each manifest.

        Those that cannot be read are passed over and stand in ``unreadable`` (their files). What was let go
        is not among them: ``records`` has that too.
        """
        return [one for one in self.records() if not one.let_go]

    def records(self) -> list[Snapshot]:
        """Every snapshot and what is remembered of those that were let go: all that tells what stood where.

        A snapshot is let go once that is remembered, though its manifest may still be there.
        """
        every = self.manifests()
        let_go = {(one.device, one.sequence, one.name) for one in every if one.let_go}
        return [one for one in every if one.let_go or (one.device, one.sequence, one.name) not in let_go]

    def told_apart(self) -> list[Snapshot]:
        """The ``records``, with a device of its own for each of several handhelds that have one name."""
        return told_apart(self.records(), self.device, self.origin)

    def superseded(self) -> list[Snapshot]:
        """What was let go and still has its manifest, for that run was cut off: it does not count."""
        files = {one.file for one in self.records()}
        return [one for one in self._heads.values() if one.file not in files]

    def manifests(self) -> list[Snapshot]:
        """The head of every manifest that can be read, by sequence, whether or not it still counts."""
        found: dict[str, Snapshot] = {}
        unreadable = []
        try:
            items = self.storage.list(heads.FOLDER)
        except (FileNotFoundError, NotADirectoryError):
            items = []
        for item in items:
            file = f"{heads.FOLDER}/{item.name}"
            if item.is_folder or not is_manifest_name(file):
                continue
            try:
                found[file] = self._heads.get(file) or self._head(file)
            except FileNotFoundError:
                continue  # let go of by another run since the folder was listed
            except (ValueError, OwnerError):
                unreadable.append(file)
        self._heads = found
        self.unreadable = sorted(unreadable)
        return sorted(found.values(), key=_order)

    def nights(self) -> list[Snapshot]:
        """The snapshots of devices, without what restores wrote and put aside."""
        return [one for one in self.told_apart() if one.kind is Kind.NIGHT and not one.let_go]

    def past(self) -> list[Snapshot]:
        """What of the past can be listed and gone back to: the nights, and backups that were adopted."""
        kinds = (Kind.NIGHT, Kind.ADOPTED)
        return [one for one in self.told_apart() if one.kind in kinds and not one.let_go]

    def next_sequence(self) -> int:
        """The number of the next snapshot: higher than that of any that can be read, or could be.

        Where somebody made up the highest number that is believed, it is that one again, and times decide.
        """
        highest = max((int(one.sequence) for one in self.records()), default=0)
        return min(highest + 1 + len(self.unreadable), heads.HIGHEST)

    def find(self, wanted: str) -> Snapshot:
        """The snapshot that ``latest``, ``<device>``, ``<device>.<date>`` or a full name means.

        The short forms mean nights and what was adopted. Raises ``UnknownName`` with the nearest names.
        """
        every = [one for one in self.told_apart() if one.kind is not Kind.RESTORED and not one.let_go]
        return find(every, wanted)

    def read(self, snapshot: Snapshot) -> Manifest:
        """The whole manifest of a snapshot, checked. Raises ``Damaged``."""
        try:
            size = self.storage.size(snapshot.file)
            if size > heads.LARGEST:
                raise ValueError("it is larger than any manifest")
            return manifests.decode(snapshot.file, self.storage.read(snapshot.file, 0, size), self._refs)
        except FileNotFoundError:
            trouble = "it is gone"
        except ValueError as error:
            trouble = str(error)
        raise Damaged(f"The manifest of {snapshot.name} is hurt: {trouble} ({snapshot.file}).", ADVICE)

    def manifest_files(self) -> list[str]:
        """The files that are manifests by their names, in the order of the times that these say."""
        try:
            items = self.storage.list(heads.FOLDER)
        except (FileNotFoundError, NotADirectoryError):
            return []
        names = [heads.FILE.fullmatch(f"{heads.FOLDER}/{item.name}") for item in items if not item.is_folder]
        return [name[0] for name in sorted(filter(None, names), key=lambda name: (name[2], name[0]))]

    def pages_named(self, file: str) -> list[bytes]:
        """What a manifest's file says of its pages, unchecked (``manifest.pages_named``).

        Whoever counts on it uses ``read``. Raises ``OwnerError`` for most of what that raises it for.
        """
        try:
            packed = self.storage.read(file, 0, min(self.storage.size(file), heads.LARGEST))
            return manifests.pages_named(manifests.unpack(file, packed))
        except (FileNotFoundError, ValueError) as error:
            raise Damaged(f"The manifest {file} is hurt: {error}.", ADVICE) from error

    def _head(self, file: str) -> Snapshot:
        """Reads as little of a manifest as its head needs."""
        length = _HEAD_READ
        while True:
            data = self.storage.read(file, 0, length)
            plain = _begin_of_frame(data)
            if plain.count(b"\n", 0, heads.LARGEST_HEAD + 128) >= 2 or len(data) < length:
                return heads.decode_head(file, plain)[1]
            if len(plain) > heads.LARGEST_HEAD or length > heads.LARGEST_HEAD:
                raise ValueError("its head is too long")
            length *= 4

    # -- writing -----------------------------------------------------------------------------------------

    @contextmanager
    def _locked(self, purpose: str) -> Iterator[None]:
        with self.storage.hold(purpose) as self.left_by:
            # Until now another run may have let bundles go: what is gone must not count as stored.
            if self._index is not None and self._index.is_stale():
                self.look_anew()
            self._held = True
            try:
                yield
            finally:
                self._held = False

    def protect(self, file: str, size: int) -> None:
        """Writes the parity of a file that was just committed, if this archive is kept with parity.

        Where it cannot be written the reason is in ``without_parity``. Raises ``NotNow``.
        """
        from handhold.archive.parity.keeping import keeps_parity, protect

        if keeps_parity(self.storage) and (why := protect(self.storage, file, size)):
            self.without_parity[file] = why

    def delete(self, file: str) -> None:
        """Deletes a bundle or manifest, its parity first. Raises ``OwnerError``."""
        from handhold.archive.parity.sheet import parity_file

        self.storage.delete(parity_file(file))
        self.storage.delete(file)

    def locked(self, purpose: str) -> AbstractContextManager[None]:
        """Holds the archive for one writer: ``with archive.locked("snapshot of meadow"): ...``.

        Raises ``NotNow`` that says who holds it. The lock of a run that has died does not hold.
        """
        return self._locked(purpose)

    def writer(self, level: int = 3) -> Writer:
        """A writer, for use inside ``locked``; ``level`` is the strength of compression, 1 to 19."""
        from handhold.archive.writer import Writer

        if not self._held:
            raise RuntimeError("a writer needs the archive's lock")
        return Writer(self, level)


def _put(storage: Storage, name: str, data: bytes) -> None:
    pending = storage.begin(os.path.dirname(name))
    try:
        pending.write(data)
        pending.commit(name)
    finally:
        pending.abandon()


def _begin_of_frame(data: bytes) -> bytes:
    """The plain bytes at the beginning of a Zstandard frame: two lines, or as much as there is up to a limit.

    Stops at the second line, so that damage further behind does not keep a snapshot out of the list.
    """
    plain = b""
    reader = zstandard.ZstdDecompressor(max_window_size=_LARGEST_WINDOW).decompressobj()
    try:
        for at in range(0, len(data), _HEAD_STEP):
            plain += reader.decompress(data[at : at + _HEAD_STEP])
            if plain.count(b"\n") >= 2 or len(plain) > heads.LARGEST_HEAD + 128 or reader.eof:
                break
    except zstandard.ZstdError as error:
        raise ValueError(f"its head is hurt ({error})") from error
    return plain


def _order(snapshot: Snapshot) -> tuple[float, float, str]:
    return (snapshot.sequence, snapshot.taken.astimezone(UTC).timestamp(), snapshot.file)


__all__ = ["DESCRIPTION", "GUIDE", "Archive", "Manifest", "Snapshot", "description", "find", "guide_text"]
