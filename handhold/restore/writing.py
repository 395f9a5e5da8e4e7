"""Writes the files of a plan, a batch at a time: each target is at any moment the old file or the new one."""

from __future__ import annotations

import errno
import os
import secrets
import stat
import time
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing
from itertools import count

import msgspec
from msgspec.structs import replace

from handhold.archive.archive import Archive
from handhold.device.reading import YOUNG_NS
from handhold.device.temporary import is_temporary
from handhold.device.times import modified_of
from handhold.device.trouble import why_unreadable
from handhold.errors import Damaged, OwnerError
from handhold.model import Entry
from handhold.names import native, written
from handhold.restore.folders import Folders, InTheWay, own_like
from handhold.restore.found import Target
from handhold.restore.look import digest_in
from handhold.restore.renaming import flush_all, name_new
from handhold.restore.room import BATCH_BYTES
from handhold.restore.steps import NOT_HELD, Action, Decision, Step

BATCH_FILES = 1024
#: So few files are flushed one by one, more all at once.
FEW = 8
#: Contents up to this size are read again where it costs next to nothing (bytes).
CHEAP = 1 << 20
_TELLS_CHANGES = frozenset({"ext2", "ext3", "ext4", "btrfs", "xfs", "f2fs", "tmpfs", "overlay", "zfs"})
_UNSURE = "it was written, but the card reports an error since; look whether it can be trusted"
_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC


class Failed(Exception):
    """One file could not be written, and why; the others go on."""


class Done(msgspec.Struct, frozen=True):
    """A step after it was tried. ``written`` is the entry as it stands now, None if nothing was written."""

    step: Step
    written: Entry | None


class _Begun(msgspec.Struct):
    step: Step
    base: str
    inner: str
    name: str  # as the operating system writes it
    temporary: str


class Writing:
    """Writes steps; use it as ``with Writing(archive) as writing``."""

    def __init__(self, archive: Archive, progress: Callable[[int, int], None] | None = None) -> None:
        self._archive = archive
        self._progress = progress
        self._folders: dict[str, Folders] = {}
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
                        _forget(folder, name)
            except (OSError, InTheWay, Failed):
                continue  # nothing of ours can be in it

    def out_of_reach(self, step: Step) -> str | None:
        """Why the card of a step is not the one that the plan was made for, None if it is."""
        try:
            self._opened(step)
        except Failed as error:
            return str(error)
        return None

    def write(self, steps: Sequence[Step]) -> Generator[Done, None, None]:
        """Carries the steps out. Never raises for a single file: its step comes back as failed.

        One that was written, and whose medium then reports an error, comes back a second time, as failed.
        """
        done = 0
        for batch in _batches(steps):
            with closing(self._batch(batch)) as outcomes:
                for outcome in outcomes:
                    done = min(done + 1, len(steps))  # one that became unsure comes twice
                    yield outcome
                    if self._progress:
                        self._progress(done, len(steps))

    def _batch(self, steps: Sequence[Step]) -> Generator[Done, None, None]:
        one_by_one = len(steps) <= FEW or any(_needs_each(step) for step in steps)
        begun: list[_Begun] = []
        touched: dict[tuple[str, str], list[Done]] = {}
        try:
            for step in steps:
                if step.action is Action.REMOVE:
                    touched.setdefault(_folder_of(step), [])
                    yield self._tried(step, lambda step=step: self._remove(step))  # type: ignore[misc]
                    continue
                try:
                    begun.append(self._begin(step, one_by_one))
                except (Failed, InTheWay, OSError, OwnerError) as error:
                    yield _failed(step, error)
            if begun and not one_by_one:
                for one, trouble in self._flush(begun):
                    self._abandon(one)
                    begun.remove(one)
                    yield _failed(one.step, trouble)
            begun.reverse()
            while begun:
                one = begun[-1]
                finished = touched.setdefault((one.base, one.inner), [])
                outcome = self._tried(one.step, lambda one=one: self._finish(one))  # type: ignore[misc]
                begun.pop()
                finished.append(outcome)
                yield outcome
        finally:
            for one in begun:  # only if the run is stopped halfway
                self._abandon(one)
            unsure = [
                done for folder in touched if not self._flush_folder(*folder) for done in touched[folder]
            ]
        for done in unsure:
            if done.written is not None:
                yield Done(
                    replace(done.step, decision=Decision.FAILED, action=Action.LEAVE, why=_UNSURE),
                    done.written,
                )

    def _flush_folder(self, base: str, inner: str) -> bool:
        """Makes the names in a folder durable; False if its medium reports an error."""
        try:
            os.fsync(self._folders[base].folder(inner))
        except OSError as error:
            # Some drivers flush no folders; each file is the old or the new one either way.
            return error.errno in (errno.EINVAL, errno.ENOTSUP, errno.ENOSYS, errno.ENOENT)
        except (InTheWay, KeyError):
            pass
        return True

    def _tried(self, step: Step, work: Callable[[], Done]) -> Done:
        try:
            return work()
        except (Failed, InTheWay, OSError, OwnerError) as error:
            return _failed(step, error)

    def _abandon(self, one: _Begun) -> None:
        try:
            _forget(self._folders[one.base].folder(one.inner), one.temporary)
        except (OSError, InTheWay):
            pass  # the next run tries again

    def _begin(self, step: Step, flush: bool) -> _Begun:
        """Writes the content under a temporary name beside its place."""
        assert step.target is not None
        inner, _, name = step.target.way(step.path).rpartition("/")
        folder = self._folder(step, inner, make=True)
        temporary = f".handhold-{self._mark}{next(self._numbers) & 0xFFFFFF:06x}.part"
        handle = os.open(temporary, _NEW, 0o666, dir_fd=folder)
        try:
            try:
                self._fill(handle, step.entry)
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
            if step.entry.size <= CHEAP and digest_in(folder, temporary)[0] != step.entry.sha256:
                raise Failed("what was written reads back as something else; the card may be failing")
        except BaseException:
            _forget(folder, temporary)
            raise
        return _Begun(step, step.target.base, inner, native(name), temporary)

    def _fill(self, handle: int, entry: Entry) -> None:
        """Writes the content, by the digest of the whole file; if that does not fit, block by block."""
        try:
            for run in self._archive.whole_content(entry):
                _write_all(handle, run)
        except Damaged:
            # One of its blocks may have another copy that is sound.
            os.lseek(handle, 0, os.SEEK_SET)
            os.ftruncate(handle, 0)
            for run in self._archive.content(entry):
                _write_all(handle, run)

    def _finish(self, one: _Begun) -> Done:
        """Looks once more at the target, and gives the new file its name."""
        folder = self._folder(one.step, one.inner, make=False)
        try:
            if one.step.replaces:
                check_unchanged(folder, one.name, one.step)
                os.rename(one.temporary, one.name, src_dir_fd=folder, dst_dir_fd=folder)
            else:
                name_new(folder, one.temporary, one.name)
        except FileExistsError:
            _forget(folder, one.temporary)
            raise Failed("a file came there meanwhile; it was left as it is") from None
        except BaseException:
            _forget(folder, one.temporary)
            raise
        told = os.stat(one.name, dir_fd=folder, follow_symlinks=False)
        if not _timely(one.step, told):
            # A rename is a change of the file to some drivers of cards: they stamp it with the time of day.
            told = _stamped(folder, one.name, one.step.entry.modified) or told
        return _done(one.step, told)

    def _remove(self, step: Step) -> Done:
        """Removes a file that is still what a restore wrote; the archive holds it."""
        assert step.target is not None
        inner, _, name = step.target.way(step.path).rpartition("/")
        folder = self._folder(step, inner, make=False)
        check_unchanged(folder, native(name), step)
        os.unlink(native(name), dir_fd=folder)
        return Done(step, None)

    def _flush(self, begun: Sequence[_Begun]) -> list[tuple[_Begun, Exception]]:
        """Makes the contents durable; those of which that is not certain, each with why."""
        unsure: list[tuple[_Begun, Exception]] = []
        for base in sorted({one.base for one in begun}):
            if flush_all(self._folders[base].folder("")):
                continue
            for one in begun:
                if one.base == base:
                    try:
                        self._flush_one(one)
                    except (InTheWay, OSError) as error:
                        unsure.append((one, error))
        return unsure

    def _flush_one(self, one: _Begun) -> None:
        folder = self._folders[one.base].folder(one.inner)
        handle = os.open(one.temporary, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=folder)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

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


def check_unchanged(folder: int, name: str, step: Step) -> None:
    """Raises ``Failed`` unless the file is still the one that the plan saw and the archive now holds."""
    found = step.found
    try:
        told = os.stat(name, dir_fd=folder, follow_symlinks=False)
    except FileNotFoundError:
        raise Failed("the file that stood there is gone meanwhile; run this again") from None
    same = stat.S_ISREG(told.st_mode) and (told.st_size, modified_of(told)) == (found.size, found.modified)
    # Some drivers of cards number files anew each time, so another inode alone means: read it again. So does
    # another time of change, and no such time: size and time of writing can be those of before.
    young = time.time_ns() - max(told.st_ctime_ns, told.st_mtime_ns) < YOUNG_NS
    doubtful = (
        told.st_size <= CHEAP
        or young
        or (told.st_ino, told.st_ctime_ns) != (found.inode, found.changed)
        or not _tells_changes(step)
    )
    if not same or (doubtful and digest_in(folder, name)[0] != found.sha256):
        raise Failed("it changed after the plan was made and was left as it is; run this again")


def _tells_changes(step: Step) -> bool:
    """Whether the file system keeps the time at which anything about a file changed, which nobody can set."""
    return step.target is not None and step.target.traits.filesystem in _TELLS_CHANGES


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


def standing_as(step: Step, target: Target, modified: int) -> Entry:
    """The entry as it stands once the step is done. ``modified`` in nanoseconds."""
    entry = step.entry
    return Entry(
        emulator=entry.emulator,
        part=entry.part,
        home=target.site.home,
        path=step.path,
        size=entry.size,
        modified=modified,
        sha256=entry.sha256,
        game=entry.game,
        recipe=entry.recipe,
        members=entry.members,
    )


def _done(step: Step, told: os.stat_result) -> Done:
    assert step.target is not None
    stands = standing_as(step, step.target, modified_of(told))
    if not _timely(step, told):
        step = replace(step, why=f"{step.why}; its time could not be set on this card")
    return Done(step, stands)


def _timely(step: Step, told: os.stat_result) -> bool:
    """Whether a file has the time that it should, as well as its volume can tell."""
    assert step.target is not None
    return abs(modified_of(told) - step.entry.modified) <= step.target.traits.step_ns


def _stamped(folder: int, name: str, modified: int) -> os.stat_result | None:
    """Sets a file's time by its name; what stands there then, None if it could not be set."""
    try:
        os.utime(name, ns=(modified, modified), dir_fd=folder, follow_symlinks=False)
        return os.stat(name, dir_fd=folder, follow_symlinks=False)
    except (OSError, OverflowError):
        return None


def _failed(step: Step, error: Exception) -> Done:
    hurt = isinstance(error, Damaged)
    failed = replace(
        step, decision=Decision.FAILED, action=Action.LEAVE, why=_words(error), damage=step.damage or hurt
    )
    return Done(failed, None)


def _words(error: Exception) -> str:
    if isinstance(error, Damaged):
        return NOT_HELD
    if isinstance(error, OwnerError):
        return error.what
    if isinstance(error, OSError):
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            return "there was no room left on the card; what was written before stays"
        if error.errno == errno.EROFS:
            return "that place can only be read, not written"
        if error.errno in (errno.EACCES, errno.EPERM):
            return "writing there is not permitted"
        if error.errno == errno.EFBIG:
            return "the file is larger than this card can hold"
        return f"it could not be written: {why_unreadable(error)}"
    return str(error)


def _write_all(handle: int, data: bytes) -> None:
    view = memoryview(data)[os.write(handle, data) :]
    while view:
        view = view[os.write(handle, view) :]


def _forget(folder: int, name: str) -> None:
    try:
        if stat.S_ISREG(os.stat(name, dir_fd=folder, follow_symlinks=False).st_mode):
            os.unlink(name, dir_fd=folder)
    except OSError:
        pass  # the next run tries again
