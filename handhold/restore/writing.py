"""Writes the files of a plan, a batch at a time: each target is at any moment the old file or the new one."""

from __future__ import annotations

import os
import stat
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import wait
from contextlib import closing
from functools import partial
from itertools import count

from handhold.archive.archive import Archive
from handhold.device.temporary import is_temporary
from handhold.device.trouble import why_unreadable
from handhold.errors import Damaged, OwnerError
from handhold.model import Entry
from handhold.names import native, written
from handhold.restore.beginning import Beginning, Gone, Hooks, InProcess, InThread, Making, Troubles, Work
from handhold.restore.done import Done, why_failed
from handhold.restore.folders import Folders, InTheWay, own_like
from handhold.restore.naming import Batch, Naming, forget
from handhold.restore.room import BATCH_BYTES
from handhold.restore.steps import Action, Step
from handhold.restore.supply import Supply
from handhold.restore.unchanged import Failed, read_back
from handhold.threads import pool

BATCH_FILES = 1024
#: So few files are flushed one by one, more all at once.
FEW = 8
#: So many batches may stand there, begun and not yet on the medium.
_AHEAD = 2
_TELL_EVERY = 0.2  # seconds
_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC


class Writing:
    """Writes steps; use it as ``with Writing(archive) as writing``."""

    def __init__(self, archive: Archive, progress: Callable[[int, int], None] | None = None) -> None:
        self._archive = archive
        self._progress = progress
        self._folders: dict[str, Folders] = {}
        self.outcomes: list[Done] = []
        self._mark = os.urandom(3).hex()  # of temporary names
        self._made: dict[tuple[str, str], None] = {}
        self._hooks: Hooks | None = None  # while batches are begun, and no longer: they know this one

    def __enter__(self) -> Writing:
        return self

    def __exit__(self, *_: object) -> None:
        for folders in self._folders.values():
            folders.close()
        self._folders.clear()

    @property
    def made(self) -> list[tuple[str, str]]:
        """The folders that were made, outermost first: the base, and the way from it."""
        return [*self._made]

    def _note(self, base: str, way: str) -> None:
        self._made[base, way] = None

    def _make(self, base: str, way: str) -> None:
        making = self._note if self._hooks is None else self._hooks.making
        making(base, way)

    def _go_on(self) -> None:
        if self._hooks is not None:
            self._hooks.go_on()

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
                folder = self._opened(step).folder(inner)
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

        While a batch is flushed and gets its names, the next ones are begun already, if all only add: what
        replaces something stands beside it until then, and there may be no room for two batches of that.
        """
        batches, total = self._batches(steps), len(steps)
        # Whoever ends a batch needs its folder opened here.
        bases = {step.target.base: step for step in steps if step.target is not None}
        near = not any(self.out_of_reach(step) for step in bases.values())
        if near and len(batches) > 1 and all(batch.only_adds for batch in batches):
            try:
                self._write(batches, InProcess, total)
            except Gone:  # there is no memory for a second process, or it was ended
                batches = [batch for batch in batches if not batch.ended]
            else:
                return
        self._write(batches, InThread, total)

    def _write(
        self, batches: Sequence[Batch], begins: Callable[[Work, Making], Beginning], total: int
    ) -> None:
        ahead: deque[Batch] = deque()  # those that are being begun
        beginning = begins(lambda hooks: self._begin_all(batches, hooks), self._note)
        try:
            # In a thread of its own it is not stopped between a file's name and the note of it.
            with (
                closing(Naming(self._folders, self.outcomes)) as naming,
                pool(1, "handhold-naming") as thread,
            ):

                def end_but(most: int) -> None:
                    while len(ahead) > most:
                        troubles = beginning.answer()
                        # It stays among these until it is the thread's: who else would let go of it?
                        ending = thread.submit(naming.end, ahead[0], troubles)
                        ahead.popleft().ended = True
                        while not wait((ending,), _TELL_EVERY).done:
                            self._tell(total)
                        ending.result()
                        self._tell(total)

                for batch in batches:
                    if not (batch.only_adds and all(one.only_adds for one in ahead)):
                        end_but(0)
                    ahead.append(batch)
                    beginning.ask()
                    end_but(_AHEAD)
                end_but(0)
        finally:
            beginning.close()
            for batch in ahead:  # only if this is stopped halfway
                self._abandon(batch)

    def _batches(self, steps: Sequence[Step]) -> list[Batch]:
        batches: list[Batch] = []
        begin = size = 0
        for at, step in enumerate(steps):
            if at > begin and (at - begin >= BATCH_FILES or size + step.entry.size > BATCH_BYTES):
                batches.append(self._batch(steps, begin, at))
                begin, size = at, 0
            size += step.entry.size
        return [*batches, self._batch(steps, begin, len(steps))] if steps else []

    def _batch(self, steps: Sequence[Step], begin: int, behind: int) -> Batch:
        some = steps[begin:behind]
        return Batch(some, len(steps) <= FEW or any(map(_needs_each, some)), self._mark, begin)

    def _tell(self, total: int) -> None:
        if self._progress:
            self._progress(min(len(self.outcomes), total), total)  # one that became unsure comes twice

    def _begin_all(self, batches: Sequence[Batch], hooks: Hooks) -> Generator[Troubles, None, None]:
        """Writes the contents of batch after batch under temporary names."""
        filled = [step.entry for batch in batches for step in batch.steps if step.action is not Action.REMOVE]
        self._hooks = hooks
        try:
            with Supply(self._archive, filled) as supply:
                contents = map(supply.content, count())
                for batch in batches:
                    troubles: Troubles = {}
                    for at, step in enumerate(batch.steps):
                        if step.action is Action.REMOVE:
                            continue
                        try:
                            self._begin(step, next(contents), batch.each, batch.temporary(at))
                        except (Failed, InTheWay, OSError, OwnerError) as error:
                            troubles[at] = why_failed(error)
                    yield troubles
        finally:
            self._hooks = None

    def _abandon(self, batch: Batch) -> None:
        for at, step in enumerate(batch.steps):
            if step.action is Action.REMOVE:
                continue
            try:
                assert step.target is not None
                inner = step.target.way(step.path).rpartition("/")[0]
                forget(self._opened(step).folder(inner), batch.temporary(at))
            except (OSError, InTheWay, Failed):
                pass  # the next run tries again

    def _begin(self, step: Step, content: Iterator[bytes], flush: bool, temporary: str) -> None:
        """Writes the content under a temporary name beside its place."""
        assert step.target is not None
        self._go_on()
        inner, _, name = step.target.way(step.path).rpartition("/")
        folders = self._opened(step)
        folder = folders.folder(inner, make=True)
        handle = os.open(temporary, _NEW, 0o666, dir_fd=folder)
        try:
            try:
                self._fill(handle, step.entry, content)
                told = os.fstat(handle)
                old = _status(folder, native(name)) if step.replaces else None
                _dress(handle, told, old, folders)
                try:
                    os.utime(handle, ns=(step.entry.modified, step.entry.modified))
                except (OSError, OverflowError):
                    pass  # a time that the card cannot hold; looked at again when all is done
                if flush:
                    os.fsync(handle)
                    told = os.fstat(handle)
                if told.st_size != step.entry.size:
                    raise Failed("it did not arrive whole on the card")
            finally:
                os.close(handle)
            if flush:
                read_back(folder, temporary, step.entry)
        except BaseException:
            forget(folder, temporary)
            raise

    def _fill(self, handle: int, entry: Entry, content: Iterator[bytes]) -> None:
        """Writes the content, by the digest of the whole file; if that does not fit, block by block."""
        try:
            for run in content:
                self._go_on()
                _write_all(handle, run)
        except Damaged:
            # One of its blocks may have another copy that is sound.
            os.lseek(handle, 0, os.SEEK_SET)
            os.ftruncate(handle, 0)
            for run in self._archive.content(entry):
                _write_all(handle, run)

    def _opened(self, step: Step) -> Folders:
        """The folders below the base of a step; ``Failed`` if it is another card than when it was planned."""
        target = step.target
        assert target is not None
        folders = self._folders.get(target.base)
        if folders is None:
            try:
                folders = Folders(target.base, making=partial(self._make, target.base))
            except OSError as error:
                raise Failed(f"{written(target.base)} cannot be opened: {why_unreadable(error)}") from None
            if folders.storage != target.storage or (target.filled and folders.empty):
                folders.close()
                raise Failed(f"the card at {written(target.base)} was taken out after the plan was made")
            self._folders[target.base] = folders
        return folders


def _status(folder: int, name: str) -> os.stat_result | None:
    """The state of the file that is to make way."""
    try:
        return os.stat(name, dir_fd=folder, follow_symlinks=False)
    except OSError:
        return None  # gone meanwhile; it is looked at once more before it makes way


def _dress(handle: int, told: os.stat_result, old: os.stat_result | None, folders: Folders) -> None:
    """The new file (``told``) belongs to whom the old one did, and lets the same people at it.

    One that replaces none belongs to whom its folder does.
    """
    other = old or folders.told()
    if (told.st_uid, told.st_gid) != (other.st_uid, other.st_gid):
        own_like(handle, other)
    if old is not None:
        try:
            os.fchmod(handle, stat.S_IMODE(old.st_mode) & 0o777)
        except OSError:
            pass  # cards know no modes


def _needs_each(step: Step) -> bool:
    """Whether the volume is driven by a program of its own, which one flush for all does not reach."""
    return step.target is None or step.target.traits.filesystem.startswith("fuse")


def _write_all(handle: int, data: bytes) -> None:
    view = memoryview(data)[os.write(handle, data) :]
    while view:
        view = view[os.write(handle, view) :]
