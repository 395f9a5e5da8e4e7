"""An archive: opening and making one, its snapshots by name, and the content of what they hold."""

from __future__ import annotations

import hashlib
import os
import re
import secrets
from collections import OrderedDict
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import UTC
from typing import TYPE_CHECKING, Protocol

import zstandard

from handhold.archive import inventory, members, pages, recipe
from handhold.archive import manifest as manifests
from handhold.archive.blocks import Sealed, unpack, unseal
from handhold.archive.bundle import HEADER_SIZE
from handhold.archive.description import (
    ADVICE,
    DESCRIPTION,
    GUIDE,
    LARGEST,
    described,
    description,
    guide_text,
)
from handhold.archive.finding import find
from handhold.archive.index import Index, Place
from handhold.archive.inventory import Game
from handhold.archive.manifest import Manifest, Snapshot
from handhold.archive.members import Member
from handhold.archive.origins import told_apart
from handhold.archive.storage import LocalStorage, Storage, is_temporary
from handhold.errors import Damaged, NotNow, OwnerError, WrongInput
from handhold.model import Clock, Entry, Kind

if TYPE_CHECKING:
    from handhold.archive.writer import Writer

FOLDERS = ("manifests", "bundles")
_IDENT = re.compile(r"[0-9a-f]{32}")
_PAGES_KEPT, _ENTRIES_KEPT = 256, 1 << 17  # the pages of a stranger can be far longer than ours
_HEAD_READ, _HEAD_STEP = 4 << 10, 64  # bytes that are read, and opened, at a time
_LARGEST_WINDOW = 16 << 20  # bytes that reading a head may take


class Look(Protocol):
    """Gives the entries of a page that fit, by its id. Raises ``Damaged``.

    That is so as well where the page has not that number of ``entries``, if one is given.
    """

    def __call__(self, page_id: str, entries: int | None = None) -> list[Entry]: ...


class _Gone(Damaged):
    """A bundle that was there is not there any more."""


def _unreadable(entry: Entry, what: str) -> Damaged:
    return Damaged(f"{entry.path} ({entry.emulator}) cannot be read: {what}", ADVICE)


class Archive:
    """One archive.

    ``Archive.open(LocalStorage("/media/card/handhold"))`` opens the one that lies there.
    """

    def __init__(self, storage: Storage, archive_id: str) -> None:
        self.storage = storage
        self.id = archive_id
        self.unreadable: list[str] = []
        #: Files that were written without their parity where parity is kept, with the reason.
        self.without_parity: dict[str, str] = {}
        self._index: Index | None = None
        self._heads: dict[str, Snapshot] = {}
        self._lines = pages.KnownLines()
        self._refs = manifests.KnownRefs()
        self._pages: OrderedDict[str, tuple[Entry, ...]] = OrderedDict()
        self._kept = 0  # entries of these pages
        self._held = False
        #: Who held the archive before this one did and was cut off, in the owner's words; "" if nobody.
        self.left_by = ""
        #: The device at hand and its origin, where its config gives one (``origins``).
        self.device = self.origin = ""

    @staticmethod
    def create(storage: Storage, clock: Clock, archive_id: str | None = None) -> Archive:
        """Makes an archive in an empty or missing folder.

        Raises ``WrongInput`` if anything else is there, ``NotNow`` if the folder around it is missing.
        """
        ident = secrets.token_hex(16) if archive_id is None else archive_id
        if _IDENT.fullmatch(ident) is None:
            raise ValueError("an archive's id is 32 hexadecimal digits")
        if isinstance(storage, LocalStorage):
            storage.make()
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
        return Archive(storage, described(storage.where, data))

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
        heads: dict[str, Snapshot] = {}
        unreadable = []
        try:
            items = self.storage.list(manifests.FOLDER)
        except (FileNotFoundError, NotADirectoryError):
            items = []
        for item in items:
            file = f"{manifests.FOLDER}/{item.name}"
            if item.is_folder or manifests.FILE.fullmatch(file) is None:
                continue
            try:
                heads[file] = self._heads.get(file) or self._head(file)
            except FileNotFoundError:
                continue  # let go of by another run since the folder was listed
            except (ValueError, OwnerError):
                unreadable.append(file)
        self._heads = heads
        self.unreadable = sorted(unreadable)
        return sorted(heads.values(), key=_order)

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
        return min(highest + 1 + len(self.unreadable), manifests.HIGHEST)

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
            if size > manifests.LARGEST:
                raise ValueError("it is larger than any manifest")
            return manifests.decode(snapshot.file, self.storage.read(snapshot.file, 0, size), self._refs)
        except FileNotFoundError:
            trouble = "it is gone"
        except ValueError as error:
            trouble = str(error)
        raise Damaged(f"The manifest of {snapshot.name} is hurt: {trouble} ({snapshot.file}).", ADVICE)

    def _head(self, file: str) -> Snapshot:
        """Reads as little of a manifest as its head needs."""
        length = _HEAD_READ
        while True:
            data = self.storage.read(file, 0, length)
            plain = _begin_of_frame(data)
            if plain.count(b"\n", 0, manifests.LARGEST_HEAD + 128) >= 2 or len(data) < length:
                return manifests.decode_head(file, plain)[1]
            if len(plain) > manifests.LARGEST_HEAD or length > manifests.LARGEST_HEAD:
                raise ValueError("its head is too long")
            length *= 4

    # -- what they hold ----------------------------------------------------------------------------------

    @property
    def index(self) -> Index:
        """Where the blocks lie; read from the bundles when it is first needed."""
        if self._index is None:
            self._index = Index(self.storage)
        return self._index

    def page(self, page_id: str) -> tuple[Entry, ...]:
        """The entries of a page; the last ones that were asked for are kept in memory. Raises ``Damaged``."""
        found = self._pages.get(page_id)
        if found is not None:
            self._pages.move_to_end(page_id)
            return found
        try:
            found = self._lines.decode(self.block(page_id))
        except ValueError as error:
            raise Damaged(f"A list of files in the archive is hurt: {error}.", ADVICE) from error
        self._pages[page_id] = found
        self._kept += len(found)
        while len(self._pages) > _PAGES_KEPT or (self._kept > _ENTRIES_KEPT and len(self._pages) > 1):
            self._kept -= len(self._pages.popitem(last=False)[1])
        return found

    def page_once(self, page_id: str) -> tuple[Entry, ...]:
        """The same, for a reader that goes through all of a night once: nothing is kept in memory here."""
        try:
            return self._pages.get(page_id) or pages.decode(self.block(page_id))
        except ValueError as error:
            raise Damaged(f"A list of files in the archive is hurt: {error}.", ADVICE) from error

    def search(self, fits: Callable[[pages.Glance | Entry], bool], words: Collection[str] = ()) -> Look:
        """A look for entries in the pages of many years.

        Only what has one of the ``words`` in its path, game or emulator can fit, if there are any (see
        ``pages.Search``). No page is kept in memory.
        """
        search = pages.Search(self._lines, fits, words)

        def found(page_id: str, entries: int | None = None) -> list[Entry]:
            try:
                data = self.block(page_id)
                if entries is not None and not pages.has(data, entries):
                    raise ValueError("it is not the one that the manifest means")
                return search.found(data)
            except ValueError as error:
                raise Damaged(f"A list of files in the archive is hurt: {error}.", ADVICE) from error

        return found

    def entries(self, manifest: Manifest) -> Iterator[Entry]:
        """Every entry of a manifest, by key. Raises ``Damaged``."""
        last: tuple[str, str, str] | None = None
        for page in manifest.pages:
            found = self.page(page.id)
            if len(found) != page.entries or (last is not None and found[0].key <= last):
                raise Damaged(f"The manifest of {manifest.snapshot.name} and its lists do not fit.", ADVICE)
            last = found[-1].key
            yield from found

    def holds(self, entry: Entry) -> bool:
        """Whether every block that the entry needs lies in a whole bundle."""
        if entry.members is not None and bytes.fromhex(entry.members) not in self.index:
            return False
        if entry.recipe is None:
            return not entry.size or bytes.fromhex(entry.sha256) in self.index
        if bytes.fromhex(entry.recipe) not in self.index:
            return False
        try:
            ranges = recipe.decode(self.block(entry.recipe), entry.size)
        except (ValueError, Damaged):
            return False
        return all(one.id in self.index for one in ranges)

    def gives(self, entry: Entry) -> bool:
        """Whether every block of the entry can be had; those that only a hurt bundle has are read to tell."""
        if not entry.size or self.holds(entry):
            return True
        try:
            if entry.recipe is None:
                needed = {entry.sha256}
            else:
                needed = {one.id.hex() for one in recipe.decode(self.block(entry.recipe), entry.size)}
            for ident in needed:
                self.block(ident)
        except (ValueError, Damaged):
            return False
        return True

    def content(self, entry: Entry) -> Iterator[bytes]:
        """The bytes of an entry, run by run; each checked against its block, the whole against its digest.

        Raises ``Damaged``, also after the last run: believe nothing before the end.
        """
        return self._content(entry, self.block)

    def whole_content(self, entry: Entry) -> Iterator[bytes]:
        """The same at half the cost for a file of several blocks: by the digest of the whole alone.

        Where that raises at the end, ``content`` may find another copy of the block that was wrong.
        """
        return self._content(entry, self._unpacked)

    def _content(self, entry: Entry, read: Callable[[str], bytes]) -> Iterator[bytes]:
        if entry.size and entry.recipe is None:
            yield self._only(entry)
            return
        digest = hashlib.sha256()
        size = 0
        for run in self._runs(entry, read):
            digest.update(run)
            size += len(run)
            yield run
        if size != entry.size or digest.hexdigest() != entry.sha256:
            raise Damaged(f"{entry.path} ({entry.emulator}) does not come out as it went in.", ADVICE)

    def comes_out(self, entry: Entry) -> bool:
        """Whether a file of several blocks comes out as it went in, by the digest of the whole alone."""
        digest = hashlib.sha256()
        try:
            assert entry.recipe is not None
            ranges = recipe.decode(self.block(entry.recipe), entry.size)
            for run in self.ranges(ranges, self._unpacked):
                digest.update(run)
        except (ValueError, Damaged):
            return False
        return digest.hexdigest() == entry.sha256

    def _unpacked(self, block_id: str) -> bytes:
        """A block whose content is not compared with its name, which is sound already or told otherwise."""
        for file, row in self.index.places(bytes.fromhex(block_id)):
            try:
                stored = self.storage.read(file, row.offset + HEADER_SIZE, row.stored)
                return unpack(Sealed(row.id, row.codec, stored, row.plain, row.check))
            except (FileNotFoundError, ValueError, Damaged):
                break
        return self.block(block_id)

    def _only(self, entry: Entry) -> bytes:
        """The content of a file of one block, whose name is the digest of the file."""
        try:
            plain = self.block(entry.sha256)
        except Damaged as error:
            raise _unreadable(entry, error.what) from error
        if len(plain) != entry.size:
            raise Damaged(f"{entry.path} ({entry.emulator}) does not come out as it went in.", ADVICE)
        return plain

    def _runs(self, entry: Entry, read: Callable[[str], bytes]) -> Iterator[bytes]:
        try:
            if not entry.size or entry.recipe is None:
                return
            yield from self.ranges(recipe.decode(self.block(entry.recipe), entry.size), read)
        except (ValueError, Damaged) as error:
            what = error.what if isinstance(error, Damaged) else f"{error}."
            raise _unreadable(entry, what) from error

    def ranges(
        self, ranges: Iterable[recipe.Range], read: Callable[[str], bytes] | None = None
    ) -> Iterator[bytes]:
        """The bytes of ranges, one after the other, by ``read``. Raises ``Damaged`` and ``ValueError``."""
        read = read or self.block
        # Two blocks are kept: a zip goes to and fro between its members and what stands between them.
        ident, plain = b"", b""
        last, last_plain = b"", b""
        for one in ranges:
            if one.id != ident:
                ident, plain, last, last_plain = last, last_plain, ident, plain
            if one.id != ident:
                ident, plain = one.id, read(one.id.hex())
            if one.offset + one.length > len(plain):
                raise ValueError("its recipe asks for more than a block has")
            whole = one.length == len(plain)
            yield plain if whole else plain[one.offset : one.offset + one.length]

    def members(self, entry: Entry) -> tuple[Member, ...]:
        """What lies in a zip, as its directory has it; nothing for what is none. Raises ``Damaged``."""
        if entry.members is None:
            return ()
        try:
            return members.decode(self.listing(entry.members))
        except ValueError as error:
            raise Damaged(
                f"What lies in {entry.path} ({entry.emulator}) is not known: {error}.", ADVICE
            ) from error

    def games(self, manifest: Manifest) -> tuple[Game, ...]:
        """The games on the device that night, by emulator, home and path. Raises ``Damaged``."""
        if manifest.games is None:
            return ()
        try:
            games = inventory.decode(self.listing(manifest.games.list))
            if len(games) != manifest.games.count:
                raise ValueError("it is not as long as the manifest says")
        except ValueError as error:
            name = manifest.snapshot.name
            raise Damaged(f"Which games {name} had is not known: {error}.", ADVICE) from error
        return games

    def listing(self, ident: str) -> bytes:
        """A list, stored as a block or as the recipe of several. Raises ``Damaged`` and ``ValueError``."""
        data = self.block(ident)
        if not data.startswith(recipe.MAGIC):
            return data
        ranges = recipe.decode(data)
        if sum(one.length for one in ranges) > members.LARGEST_LIST:
            raise ValueError("the list is too long")
        return b"".join(self.ranges(ranges))

    def block(self, block_id: str) -> bytes:
        """The plain bytes of a block, checked; every copy in the archive is tried. Raises ``Damaged``."""
        ident = bytes.fromhex(block_id)
        first = self.index.first(ident)
        if first is not None:
            try:
                return self._sound(first)
            except (FileNotFoundError, ValueError, Damaged):
                pass  # every copy is tried, and what is wrong is told
        try:
            return self._first_sound(self.index.places(ident))
        except _Gone:
            if self._held or not self.index.is_stale():
                raise
        self.look_anew()  # another run has put it into another bundle since this one began to read
        return self._first_sound(self.index.places(ident))

    def look_anew(self) -> None:
        """Where blocks lie is looked up anew when it is next asked, for bundles were deleted."""
        self._index = None

    def gives_back(self, ident: bytes) -> bool:
        """Whether a whole bundle gives the block now: its stored form is read, and checked to the last."""
        try:
            self._first_sound(self.index.places_in_whole(ident))
        except Damaged:
            return False
        return True

    def _sound(self, place: Place) -> bytes:
        """The block there, checked. Raises ``FileNotFoundError``, ``ValueError`` and ``Damaged``."""
        file, row = place
        stored = self.storage.read(file, row.offset + HEADER_SIZE, row.stored)
        return unseal(Sealed(row.id, row.codec, stored, row.plain, row.check))

    def _first_sound(self, places: Iterable[Place]) -> bytes:
        trouble, gone = "it is in no bundle", False
        for place in places:
            try:
                return self._sound(place)
            except FileNotFoundError:
                trouble, gone = f"{place.file} is gone", True
            except ValueError as error:
                trouble = f"{error} ({place.file})"
            except Damaged as error:
                trouble = error.what.rstrip(".")
        kind = _Gone if gone else Damaged
        raise kind(f"A block of the archive cannot be read: {trouble}.", ADVICE)

    def layout(self, manifest: Manifest, emulator: str) -> bytes | None:
        """The layout of an emulator as stored with a snapshot; None if none was. Raises ``Damaged``."""
        ident = manifest.layouts.get(emulator)
        return None if ident is None else self.block(ident)

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
            if plain.count(b"\n") >= 2 or len(plain) > manifests.LARGEST_HEAD + 128 or reader.eof:
                break
    except zstandard.ZstdError as error:
        raise ValueError(f"its head is hurt ({error})") from error
    return plain


def _order(snapshot: Snapshot) -> tuple[float, float, str]:
    return (snapshot.sequence, snapshot.taken.astimezone(UTC).timestamp(), snapshot.file)


__all__ = ["DESCRIPTION", "GUIDE", "Archive", "Manifest", "Snapshot", "description", "find", "guide_text"]
