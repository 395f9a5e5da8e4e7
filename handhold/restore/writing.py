"""Writes the files of a plan, a batch at a time: each target is at any moment the old file or the new one."""

from __future__ import annotations

import os
import secrets
import stat
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import count

from handhold.archive.archive import Archive
from handhold.device.temporary import is_temporary
from handhold.device.trouble import why_unreadable
from handhold.errors import Damaged, OwnerError
from handhold.model import Entry
from handhold.names import native, written
from handhold.restore.done import Done, failed
from handhold.restore.folders import Folders, InTheWay, own_like
from handhold.restore.naming import Batch, Begun, Naming, forget
from handhold.restore.room import BATCH_BYTES
from handhold.restore.steps import Action, Step
from handhold.restore.supply import Supply
from handhold.restore.unchanged import Failed, check_unchanged, read_back

BATCH_FILES = 1024
#: So few files are flushed one by one, more all at once.
FEW = 8
_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC


class Writing:
    """Writes steps; use it as ``with Writing(archive) as writing``."""

    def __init__(self, archive: Archive, progress: Callable[[int, int], None] | None = None) -> None:
        self._archive = archive
        self._progress = progress
        self._folders: dict[str, Folders] = {}
        self.outcomes: list[Done] = []
        self._mark, self._numbers = secrets.token_hex(3), count()  # of temporary names

    def __enter__(self) -> Writing:
        return self

    def __exit__(self, *_: object) -> None:
        for folders in self._folders.values():
            folders.close()
        self._folders.clear()

    @property
    def made(self) -> list[tuple[str, str]]:
        """The folders that were made, outermost first: the base, and the way from it."""
        return [(base, way) for base, folders in self._folders.items() for way in folders.made]

    def take_away(self, places: Sequence[tuple[str, str]]) -> None:
        """Removes folders that a restore made, if they are empty again. ``places`` as ``made`` has them."""
        for base, way in reversed(places):
            inner, _, name = way.rpartition("/")
            try:
                os.rmdir(native(name), dir_fd=self._folders[base].folder(inner))
            except (KeyError, OSError, InTheWay, ValueError):
                continue  # not empty, gone, or on a card that this run had nothing to do with

    def tidy(self, steps: Sequence[Step]) -> None:
        """Removes what an earlier run that was cut off left in the folders of these steps."""
        seen: set[tuple[str, str]] = set()
        for step in steps:
            if step.target is None:
                continue
            inner = step.target.way(step.path).rpartition("/")[0]
            if (step.target.base, inner) in seen:
                continue
            seen.add((step.target.base, inner))
            try:
                folder = self._folder(step, inner, make=False)
                for name in os.listdir(folder):
                    if is_temporary(name):
                        forget(folder, name)
            except (OSError, InTheWay, Failed):
                continue  # nothing of ours can be in it

    def out_of_reach(self, step: Step) -> str | None:
        """Why the card of a step is not the one that the plan was made for, None if it is."""
        try:
            self._opened(step)
        except Failed as error:
            return str(error)
        return None

    def write(self, steps: Sequence[Step]) -> None:
        """Carries the steps out; what becomes of them is in ``outcomes``, also if this is stopped halfway.

        Never raises for a single file: its step comes back as failed. One that was written, and whose medium
        then reports an error, comes back a second time, as failed.

        While a batch is flushed and gets its names, the next one is begun already, if both only add: what
        replaces something stands beside it until then, and there may be no room for two batches of that.
        """
        filled = [step.entry for step in steps if step.action is not Action.REMOVE]
        naming = Naming(self._folders, self.outcomes)
        batch: Batch | None = None  # the one that is being begun
        try:
            with Supply(self._archive, filled) as supply, ThreadPoolExecutor(1, "handhold-naming") as beside:
                contents = map(supply.content, count())
                ending: Future[None] | None = None
                before: Batch | None = None
                for some in _batches(steps):
                    batch = Batch(some, len(steps) <= FEW or any(map(_needs_each, some)))
                    if ending and before and not (batch.only_adds and before.only_adds):
                        ending.result()
                    self._start(batch, contents, len(steps))
                    if ending:
                        ending.result()
                    ending, before, batch = beside.submit(naming.end, batch), batch, None
                if ending:
                    ending.result()
                self._tell(len(steps))
        finally:
            if batch is not None:  # only if the run is stopped halfway
                self._abandon(batch)
            naming.close()

    def _tell(self, steps: int) -> None:
        if self._progress:
            self._progress(min(len(self.outcomes), steps), steps)  # one that became unsure comes twice

    def _start(self, batch: Batch, contents: Iterator[Iterator[bytes]], steps: int) -> None:
        """Removes what is to be removed, and writes the contents under temporary names.

        ``contents`` are those of all that write, one after the other.
        """
        for step in batch.steps:
            try:
                if step.action is Action.REMOVE:
                    batch.touched.setdefault(_folder_of(step), [])
                    self.outcomes.append(self._remove(step))
                else:
                    batch.begun.append(self._begin(step, next(contents), batch.each))
            except (Failed, InTheWay, OSError, OwnerError) as error:
                self.outcomes.append(failed(step, error))
            self._tell(steps)

    def _abandon(self, batch: Batch) -> None:
        for one in batch.begun:
            try:
                forget(self._folders[one.base].folder(one.inner), one.temporary)
            except (OSError, InTheWay):
                pass  # the next run tries again
        for base, inner in batch.touched:
            try:
                os.fsync(self._folders[base].folder(inner))
            except (OSError, InTheWay, KeyError):
                pass  # what was removed there is removed, now or later

    def _begin(self, step: Step, content: Iterator[bytes], flush: bool) -> Begun:
        """Writes the content under a temporary name beside its place."""
        assert step.target is not None
        inner, _, name = step.target.way(step.path).rpartition("/")
        folder = self._folder(step, inner, make=True)
        temporary = f".handhold-{self._mark}{next(self._numbers) & 0xFFFFFF:06x}.part"
        handle = os.open(temporary, _NEW, 0o666, dir_fd=folder)
        try:
            try:
                self._fill(handle, step.entry, content)
                _dress(handle, folder, native(name) if step.replaces else None)
                try:
                    os.utime(handle, ns=(step.entry.modified, step.entry.modified))
                except (OSError, OverflowError):
                    pass  # a time that the card cannot hold; looked at again when all is done
                if flush:
                    os.fsync(handle)
                if os.fstat(handle).st_size != step.entry.size:
                    raise Failed("it did not arrive whole on the card")
            finally:
                os.close(handle)
            if flush:
                read_back(folder, temporary, step.entry)
        except BaseException:
            forget(folder, temporary)
            raise
        return Begun(step, step.target.base, inner, native(name), temporary)

    def _fill(self, handle: int, entry: Entry, content: Iterator[bytes]) -> None:
        """Writes the content, by the digest of the whole file; if that does not fit, block by block."""
        try:
            for run in content:
                _write_all(handle, run)
        except Damaged:
            # One of its blocks may have another copy that is sound.
            os.lseek(handle, 0, os.SEEK_SET)
            os.ftruncate(handle, 0)
            for run in self._archive.content(entry):
                _write_all(handle, run)

    def _remove(self, step: Step) -> Done:
        """Removes a file that is still what a restore wrote; the archive holds it."""
        assert step.target is not None
        inner, _, name = step.target.way(step.path).rpartition("/")
        folder = self._folder(step, inner, make=False)
        check_unchanged(folder, native(name), step)
        os.unlink(native(name), dir_fd=folder)
        return Done(step, None)

    def _folder(self, step: Step, inner: str, make: bool) -> int:
        return self._opened(step).folder(inner, make)

    def _opened(self, step: Step) -> Folders:
        """The folders below the base of a step; ``Failed`` if it is another card than when it was planned."""
        target = step.target
        assert target is not None
        folders = self._folders.get(target.base)
        if folders is None:
            try:
                folders = Folders(target.base)
            except OSError as error:
                raise Failed(f"{written(target.base)} cannot be opened: {why_unreadable(error)}") from None
            if folders.storage != target.storage or (target.filled and folders.empty):
                folders.close()
                raise Failed(f"the card at {written(target.base)} was taken out after the plan was made")
            self._folders[target.base] = folders
        return folders


def _dress(handle: int, folder: int, replaced: str | None) -> None:
    """The new file belongs to whom the one that it replaces did, and lets the same people at it.

    One that replaces none belongs to whom its folder does.
    """
    try:
        old = None if replaced is None else os.stat(replaced, dir_fd=folder, follow_symlinks=False)
    except OSError:
        old = None  # gone meanwhile; it is looked at once more before it makes way
    own_like(handle, old or os.fstat(folder))
    if old is not None:
        try:
            os.fchmod(handle, stat.S_IMODE(old.st_mode) & 0o777)
        except OSError:
            pass  # cards know no modes


def _folder_of(step: Step) -> tuple[str, str]:
    assert step.target is not None
    return step.target.base, step.target.way(step.path).rpartition("/")[0]


def _batches(steps: Sequence[Step]) -> Iterator[list[Step]]:
    batch: list[Step] = []
    size = 0
    for step in steps:
        if batch and (len(batch) >= BATCH_FILES or size + step.entry.size > BATCH_BYTES):
            yield batch
            batch, size = [], 0
        batch.append(step)
        size += step.entry.size
    if batch:
        yield batch


def _needs_each(step: Step) -> bool:
    """Whether the volume is driven by a program of its own, which one flush for all does not reach."""
    return step.target is None or step.target.traits.filesystem.startswith("fuse")


def _write_all(handle: int, data: bytes) -> None:
    view = memoryview(data)[os.write(handle, data) :]
    while view:
        view = view[os.write(handle, view) :]
