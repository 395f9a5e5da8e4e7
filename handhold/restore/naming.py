"""Gives files their names once they are on the medium, beside the thread that writes the next ones."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Mapping, Sequence

import msgspec

from handhold.errors import OwnerError
from handhold.names import native
from handhold.restore.beginning import Troubles
from handhold.restore.done import Done, arrived, failed, failed_for, timely, unsure
from handhold.restore.folders import Folders, InTheWay
from handhold.restore.renaming import flush_all, name_new
from handhold.restore.steps import Action, Step
from handhold.restore.unchanged import Failed, check_unchanged, read_back


class Begun(msgspec.Struct):
    """A file whose content stands under a temporary name beside its place."""

    step: Step
    base: str
    inner: str
    name: str  # as the operating system writes it
    temporary: str


class Batch:
    """Steps that are carried out together.

    ``each``: a file is flushed and read back when it is written. Temporary names are made of ``mark`` and of
    the steps' numbers, of which the first one is ``number``.
    """

    def __init__(self, steps: Sequence[Step], each: bool, mark: str, number: int) -> None:
        self.steps = steps
        self.each = each
        self.only_adds = not any(step.replaces for step in steps)
        self.ended = False  # whether it was left to ``Naming`` to end it
        self._mark = mark
        self._number = number

    def temporary(self, at: int) -> str:
        """The name of a step's content, before it gets its own."""
        return f".handhold-{self._mark}{self._number + at & 0xFFFFFF:06x}.part"

    def begun(self, troubles: Troubles) -> list[Begun]:
        """What stands under its temporary name."""
        every = []
        for at, step in enumerate(self.steps):
            if step.action is not Action.REMOVE and at not in troubles:
                assert step.target is not None
                inner, _, name = step.target.way(step.path).rpartition("/")
                every.append(Begun(step, step.target.base, inner, native(name), self.temporary(at)))
        return every


class Naming:
    """Ends batches; ``bases`` are the open folders of whoever begins them, by their paths.

    What becomes of each step is appended to ``outcomes``.
    """

    def __init__(self, bases: Mapping[str, Folders], outcomes: list[Done]) -> None:
        self._bases = bases
        self._outcomes = outcomes
        self._mine: dict[str, Folders] = {}

    def close(self) -> None:
        """Lets go of the folders."""
        for folders in self._mine.values():
            folders.close()
        self._mine.clear()

    def end(self, batch: Batch, troubles: Troubles) -> None:
        """Removes what is to be removed, and has the rest on the medium, and then under its names.

        ``troubles`` has what could not be begun.
        """
        touched: dict[tuple[str, str], list[Done]] = {}  # folders with what was done there
        try:
            for at, (why, damage) in troubles.items():
                self._outcomes.append(failed_for(batch.steps[at], why, damage))
            for step in batch.steps:
                if step.action is Action.REMOVE:
                    self._outcomes.append(self._removed(step, touched))
            begun = batch.begun(troubles)
            for one in begun if batch.each else self._on_the_medium(begun):
                outcome = self._named(one)
                touched.setdefault((one.base, one.inner), []).append(outcome)
                self._outcomes.append(outcome)
        finally:
            for (base, inner), done in touched.items():
                if not self._flush_folder(base, inner):
                    self._outcomes += [unsure(one) for one in done if one.written is not None]

    def _removed(self, step: Step, touched: dict[tuple[str, str], list[Done]]) -> Done:
        """Removes a file that is still what a restore wrote; the archive holds it."""
        assert step.target is not None
        inner, _, name = step.target.way(step.path).rpartition("/")
        touched.setdefault((step.target.base, inner), [])
        try:
            folder = self._open(step.target.base).folder(inner)
            check_unchanged(folder, native(name), step)
            os.unlink(native(name), dir_fd=folder)
        except (Failed, InTheWay, OSError) as error:
            return failed(step, error)
        return Done(step, None)

    def _on_the_medium(self, begun: Sequence[Begun]) -> list[Begun]:
        """Those that are there as they should be; the others are let go of."""
        troubles = [self._read_back(one) for one in begun]
        flushed = {base for base in {one.base for one in begun} if flush_all(self._bases[base].base)}
        sound = []
        for one, trouble in zip(begun, troubles, strict=True):
            if trouble is None and one.base not in flushed:
                trouble = self._flush(one)
            if trouble is None:
                sound.append(one)
            else:
                self._forget(one)
                self._outcomes.append(failed(one.step, trouble))
        return sound

    def _read_back(self, one: Begun) -> Exception | None:
        try:
            read_back(self._folder(one), one.temporary, one.step.entry)
        except (Failed, InTheWay, OSError) as error:
            return error
        return None

    def _flush(self, one: Begun) -> Exception | None:
        """Makes one content durable; why that is not certain, if it is not."""
        try:
            handle = os.open(
                one.temporary, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=self._folder(one)
            )
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
        except (InTheWay, OSError) as error:
            return error
        return None

    def _named(self, one: Begun) -> Done:
        try:
            return self._name(one)
        except (Failed, InTheWay, OSError, OwnerError) as error:
            self._forget(one)
            return failed(one.step, error)

    def _name(self, one: Begun) -> Done:
        """Looks once more at the target, and gives the new file its name."""
        folder = self._folder(one)
        if one.step.replaces:
            check_unchanged(folder, one.name, one.step)
            os.rename(one.temporary, one.name, src_dir_fd=folder, dst_dir_fd=folder)
        else:
            try:
                name_new(folder, one.temporary, one.name)
            except FileExistsError:
                raise Failed("a file came there meanwhile; it was left as it is") from None
        told = os.stat(one.name, dir_fd=folder, follow_symlinks=False)
        if not timely(one.step, told):
            # A rename is a change of the file to some drivers of cards: they stamp it with the time of day.
            told = _stamped(folder, one.name, one.step.entry.modified) or told
        return arrived(one.step, told)

    def _flush_folder(self, base: str, inner: str) -> bool:
        """Makes the names in a folder durable; False if its medium reports an error."""
        try:
            os.fsync(self._open(base).folder(inner))
        except OSError as error:
            # Some drivers flush no folders; each file is the old or the new one either way.
            return error.errno in (errno.EINVAL, errno.ENOTSUP, errno.ENOSYS, errno.ENOENT)
        except (InTheWay, KeyError):
            pass
        return True

    def _forget(self, one: Begun) -> None:
        try:
            forget(self._folder(one), one.temporary)
        except (OSError, InTheWay):
            pass  # the next run tries again

    def _folder(self, one: Begun) -> int:
        return self._open(one.base).folder(one.inner)

    def _open(self, base: str) -> Folders:
        found = self._mine.get(base)
        if found is None:
            found = self._mine[base] = self._bases[base].again()
        return found


def forget(folder: int, name: str) -> None:
    """Removes a temporary file of an open folder, if it can be."""
    try:
        if stat.S_ISREG(os.stat(name, dir_fd=folder, follow_symlinks=False).st_mode):
            os.unlink(name, dir_fd=folder)
    except OSError:
        pass  # the next run tries again


def _stamped(folder: int, name: str, modified: int) -> os.stat_result | None:
    """Sets a file's time by its name; what stands there then, None if it could not be set."""
    try:
        os.utime(name, ns=(modified, modified), dir_fd=folder, follow_symlinks=False)
        return os.stat(name, dir_fd=folder, follow_symlinks=False)
    except (OSError, OverflowError):
        return None
