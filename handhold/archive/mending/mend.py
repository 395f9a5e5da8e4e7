"""Mending an archive: from parity, then from the device, then from another archive.

What was repaired is written anew, proven and only then put in the place of what is hurt, so that a run that
is cut off leaves each file as it was or as it should be. A bundle that cannot be repaired as a whole gives
what is sound in it to a new bundle; it goes itself only when nothing that any snapshot needs is in it alone.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from contextlib import ExitStack

from handhold.archive import bundle, head
from handhold.archive import manifest as manifests
from handhold.archive.archive import Archive
from handhold.archive.description import DESCRIPTION, GUIDE
from handhold.archive.filenames import is_manifest_name
from handhold.archive.mending import own
from handhold.archive.mending.bundles import Remains, is_untouched, remains
from handhold.archive.mending.filling import Filling
from handhold.archive.mending.names import own_names
from handhold.archive.mending.needs import Needs, needs_of
from handhold.archive.mending.obtainable import Obtainable
from handhold.archive.mending.protecting import complete_parity
from handhold.archive.mending.renewing import renew
from handhold.archive.mending.result import Deed, Mending
from handhold.archive.parity.code import NoParity, can_code
from handhold.archive.parity.mended import Mended
from handhold.archive.parity.sheet import FOLDER as PARITY
from handhold.archive.report import Findings, Report
from handhold.archive.stock import Stock, take_stock
from handhold.archive.storage import Storage
from handhold.archive.verify import verify
from handhold.archive.writer import Writer
from handhold.errors import Damaged, NotNow, OwnerError
from handhold.model import Clock, Entry

#: Reads what a device still has of these files into a writer, which takes in what is missing.
Look = Callable[[Writer, Sequence[Entry]], None]
#: Told what is being done, in the owner's words, with bytes done and their total (0: not known).
Progress = Callable[[str, int, int], None]


def mend(
    storage: Storage,
    clock: Clock,
    *,
    other: Storage | None = None,
    look: Look | None = None,
    add_parity: bool = False,
    dry: bool = False,
    progress: Progress | None = None,
) -> Mending:
    """Repairs what can be repaired; without ``dry`` under the archive's lock, which it takes itself.

    ``add_parity`` has the archive kept with parity from now on. Raises ``NotNow`` if the archive is not
    there, goes away or is held by another run, ``WrongInput`` if something else is there, ``OwnerError`` if
    it cannot be written; what was mended until then stays mended.
    """
    tell = progress or _silent
    if add_parity and not can_code():
        raise NoParity("Parity")
    archive = Archive(storage, "")
    with ExitStack() as stack:
        if not dry:
            stack.enter_context(archive.locked("mend"))
            _tidy(archive)
        before = verify(storage, False, lambda done, total: tell("Checking", done, total))
        result = Mending(dry, before, before)
        now = before
        if before.damage and (named := own_names(storage, _files(before), dry=dry)):
            result.done += [Deed(file, f"called {own} again", "what it holds") for file, own in named]
            if not dry:
                now = verify(storage, False, lambda done, total: tell("Checking", done, total))
        run = _Run(archive, result, _files(now), other, look, clock, tell)
        if now.damage:
            run.own_files()
            run.manifests()
            run.bundles()
        if run.needs_library:
            result.told.append(NoParity("Repairing from parity").what)
        complete_parity(storage, result, run.still_hurt, add_parity, tell)
        if not dry and not result.nothing:
            result.after = verify(storage, False, lambda done, total: tell("Checking again", done, total))
    return result


def _tidy(archive: Archive) -> None:
    """Takes away what runs that were cut off have left."""
    try:
        with archive.writer():
            pass
    except NotNow:
        raise
    except OwnerError:
        pass  # a folder that the medium cannot list; what that concerns the check tells


class _Run:
    def __init__(
        self,
        archive: Archive,
        result: Mending,
        hurt: set[str],
        other: Storage | None,
        look: Look | None,
        clock: Clock,
        tell: Progress,
    ) -> None:
        self._archive = archive
        self._storage = archive.storage
        self._result = result
        self._other = other
        self._look = look
        self._clock = clock
        self._tell = tell
        self._hurt = hurt
        #: Files that stay hurt.
        self.still_hurt: set[str] = set()
        self.needs_library = False

    # -- whole files -------------------------------------------------------------------------------------

    def own_files(self) -> None:
        """``archive.yaml`` and ``ARCHIVE.md``."""
        if DESCRIPTION in self._hurt and (
            found := own.description_again(self._storage, self._other, self._clock)
        ):
            self._renew(DESCRIPTION, (found[0],), found[1])
        # While the one was hurt nobody could tell about the other.
        if self._hurt & {DESCRIPTION, GUIDE} and not own.guide_is_sound(self._storage):
            if found := own.guide_again(self._storage, self._other):
                self._renew(GUIDE, (found[0],), found[1])
            else:
                self.still_hurt.add(GUIDE)

    def manifests(self) -> None:
        """Manifests: just as they were, for their names carry a digest."""
        for file in sorted(self._hurt):
            if not is_manifest_name(file):
                continue
            view = self._view(file)
            if not view.repair.hurt and _is_manifest(file, self._raw(file)):
                self.still_hurt.add(file)  # what is wrong with it is not its bytes
                continue
            found = next((one for one in self._manifest(file, view) if _is_manifest(file, one[0])), None)
            if found is None:
                self.still_hurt.add(file)
            else:
                self._renew(file, (found[0],), found[1])

    def _manifest(self, file: str, view: Mended) -> Iterable[tuple[bytes, str]]:
        if view.size <= head.LARGEST:
            yield view.whole(), "its parity" if view.has_parity else "itself"
        if self._other is not None:
            try:
                yield self._other.read(file, 0, head.LARGEST + 1), "the other archive"
            except (FileNotFoundError, OwnerError):
                pass

    def _raw(self, file: str) -> bytes:
        try:
            return self._storage.read(file, 0, head.LARGEST + 1)
        except NotNow:
            raise
        except (FileNotFoundError, OwnerError):
            return b""

    def _view(self, file: str) -> Mended:
        self._tell("Repairing", 0, 0)
        view = Mended(self._storage, file)
        self.needs_library = self.needs_library or view.needs_library
        return view

    def _renew(self, file: str, runs: Iterable[bytes], source: str) -> bool:
        """Puts the bytes in the hurt file's place; whether that could be done."""
        try:
            if not self._result.dry:
                renew(self._storage, file, runs)
        except (Damaged, ValueError) as error:
            self.still_hurt.add(file)
            self._result.told.append(error.what if isinstance(error, Damaged) else f"{file}: {error}.")
            return False
        self._result.done.append(Deed(file, "written anew, just as it was", source))
        return True

    # -- bundles and blocks ------------------------------------------------------------------------------

    def bundles(self) -> None:
        """Bundles: just as they were where that can be; else what is sound, and what others still have."""
        stock = take_stock(self._storage, Findings())
        broken: dict[str, Remains] = {}
        for file in sorted(self._hurt):
            if file in stock.bundles:
                self._bundle(file, broken)
        for file in self._vanished(stock):
            self._bundle(file, {})
        self._archive.look_anew()
        blocks = Obtainable(self._archive, broken)
        needs = needs_of(self._archive, blocks.have, blocks.read)
        if broken or needs.missing:
            with Filling(self._archive, dry=self._result.dry) as writer:
                blocks.writer = writer
                self._rescue(broken, blocks, writer)
                needs = self._fill(needs, blocks, writer)
                if not self._result.dry:
                    writer.settle()
            self._take_away(broken, needs, writer.bundles)
        self._result.lost_blocks = len(needs.missing)

    def _bundle(self, file: str, broken: dict[str, Remains]) -> None:
        view = self._view(file)
        if not view.repair.hurt and is_untouched(view):
            self.still_hurt.add(file)  # what is wrong with it is not its bytes
            return
        left = remains(view)
        source = "its parity" if view.repair.back else "its own second listing"
        if not (left.whole and self._renew(file, left.anew(), source)):
            broken[file] = left

    def _vanished(self, stock: Stock) -> list[str]:
        """Bundles that are gone and whose parity, being two of two sectors, may hold all of them."""
        if bundle.FOLDER not in self._hurt:
            return []
        found = []
        for file in stock.parity:
            ident = file[len(PARITY) + 1 :].partition(".")[0]
            name = f"{bundle.FOLDER}/{ident[:2]}/{ident}.bundle"
            if name not in stock.bundles and Mended(self._storage, name).has_parity:
                found.append(name)
        return sorted(found)

    def _rescue(self, broken: dict[str, Remains], blocks: Obtainable, writer: Filling) -> None:
        """What is sound in bundles that cannot be repaired as a whole is kept in a new one."""
        for file, left in broken.items():
            rows = [row for row in left.rows if row.offset in left.sound and not blocks.elsewhere(row.id)]
            writer.want({row.id for row in rows})
            count = len(writer.found)
            for row in rows:
                try:
                    writer.put(left.block(row))
                except ValueError:
                    continue  # its sum is right and its content is not: nothing to keep
            if kept := len(writer.found) - count:
                self._result.done.append(
                    Deed(file, f"{_blocks(kept)} kept in a new bundle", "what is sound in it")
                )

    def _fill(self, needs: Needs, blocks: Obtainable, writer: Filling) -> Needs:
        """Finds what is missing on the device and in the other archive; what was found can lead to more."""
        before = None
        while needs.missing and needs.missing != before:
            before = needs.missing
            self._tell("Looking for what is missing", 0, 0)
            writer.want(needs.missing)
            if self._look is not None and needs.entries:
                count = len(writer.found)
                self._look(writer, needs.entries)
                self._found(len(writer.found) - count, "the device")
            if self._other is not None:
                count = len(writer.found)
                self._in_other(self._other, writer)
                self._found(len(writer.found) - count, "the other archive")
            if not self._result.dry:
                writer.settle()
            needs = needs_of(self._archive, blocks.have, blocks.read)
        return needs

    def _found(self, count: int, source: str) -> None:
        if count:
            self._result.done.append(Deed(bundle.FOLDER, f"{_blocks(count)} found again", source))

    def _in_other(self, other: Storage, writer: Filling) -> None:
        archive = Archive(other, "")
        for ident in sorted(writer.wanted - writer.found):
            try:
                writer.put_plain(archive.block(ident.hex()))
            except Damaged:
                continue

    def _take_away(self, broken: dict[str, Remains], needs: Needs, written: Collection[str]) -> None:
        """Removes hurt bundles of which nothing that is needed is lost.

        The others stay: another reader, or another archive one day, may give back what is lost in them.
        """
        if not self._read_back(written):
            self.still_hurt.update(broken)
            return
        for file, left in broken.items():
            if file in written:
                continue
            told = left.told and not needs.missing & {row.id for row in left.rows}
            sure = not needs.unknown or (left.told and len(left.sound) == len(left.rows))
            if sure and (told or not needs.missing):
                if not self._result.dry:
                    self._archive.delete(file)
                self._result.removed.append(file)
            else:
                self.still_hurt.add(file)
        if not self._result.dry:
            self._archive.look_anew()

    def _read_back(self, written: Collection[str]) -> bool:
        """Whether the new bundles give back all that was put into them; only then may anything go."""
        for file in written:
            view = Mended(self._storage, file)
            if view.repair.hurt or not is_untouched(view):
                self._result.told.append(
                    f"{file} was just written and does not read back, so nothing that it replaces was taken "
                    "away. The card is failing: copy the archive to another one, and mend it there."
                )
                return False
        return True


def _files(report: Report) -> set[str]:
    return {damage.file for damage in report.damage}


def _is_manifest(file: str, data: bytes) -> bool:
    try:
        manifests.decode(file, data)
    except ValueError:
        return False
    return True


def _blocks(count: int) -> str:
    return "1 block" if count == 1 else f"{count:,} blocks"


def _silent(what: str, done: int, total: int) -> None:
    return None
