"""Opens the folders of a target step by step, so that no link on the way leads anywhere else.

Each folder is opened inside the one above it and never over a link; what is done in it is then done by its
handle. A link that is planted between two steps therefore leads nowhere.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from types import TracebackType

from handhold.names import native
from handhold.restore.found import What

_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


class InTheWay(Exception):
    """Something other than a folder stands where one is needed."""

    def __init__(self, what: What, why: str) -> None:
        super().__init__(why)
        self.what = what
        self.why = why


class Folders:
    """The folders below one base; the way to the last one stays open, so neighbours cost little.

    ``making`` is told the way of each folder just before it is made, outermost first.
    """

    def __init__(
        self, base: str, handle: int | None = None, making: Callable[[str], None] | None = None
    ) -> None:
        self._open: list[tuple[str, int]] = []
        self._last: str | None = None  # the way to the last of them, once all are open
        self._told: os.stat_result | None = None  # the state of that one, once it was asked for
        self._base = os.open(base, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=handle)
        self._making = making

    def __enter__(self) -> Folders:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        self.close()

    def again(self) -> Folders:
        """The same for another thread: handles of its own below the same base."""
        return Folders(".", self._base)

    @property
    def base(self) -> int:
        """A handle of the base itself, valid until all are closed."""
        return self._base

    @property
    def storage(self) -> str:
        """What tells the file system of the base from another; see ``Target.storage``."""
        return str(os.fstat(self._base).st_dev)

    @property
    def empty(self) -> bool:
        """Whether the base holds nothing."""
        return not os.listdir(self._base)

    def folder(self, way: str, make: bool = False) -> int:
        """A handle of the folder at this way (written form) from the base; valid until the next call.

        Raises ``FileNotFoundError`` if it is not there and is not to be made, ``InTheWay`` if something else
        is, ``OSError`` if it cannot be opened.
        """
        if way == self._last:
            return self._open[-1][1] if self._open else self._base
        self._last = self._told = None
        names = way.split("/") if way else []
        common = 0
        while common < min(len(names), len(self._open)) and self._open[common][0] == names[common]:
            common += 1
        while len(self._open) > common:
            os.close(self._open.pop()[1])
        for at in range(common, len(names)):
            above = self._open[-1][1] if self._open else self._base
            self._open.append((names[at], self._enter(above, names[: at + 1], make)))
        self._last = way
        return self._open[-1][1] if self._open else self._base

    def told(self) -> os.stat_result:
        """The state of the folder that ``folder`` gave last, as it was when this was first asked."""
        if self._told is None:
            self._told = os.fstat(self._open[-1][1] if self._open else self._base)
        return self._told

    def _enter(self, above: int, names: list[str], make: bool) -> int:
        name = native(names[-1])
        try:
            return os.open(name, _FOLDER, dir_fd=above)
        except FileNotFoundError:
            if not make:
                raise
        except OSError:
            self._look(above, name, names)
            raise
        if self._making:
            self._making("/".join(names))
        os.mkdir(name, dir_fd=above)
        handle = os.open(name, _FOLDER, dir_fd=above)
        own_like(handle, os.fstat(above))
        os.fsync(above)
        return handle

    @staticmethod
    def _look(above: int, name: str, names: list[str]) -> None:
        """Says what stands there instead of a folder."""
        mode = os.stat(name, dir_fd=above, follow_symlinks=False).st_mode
        shown = "/".join(names)
        if stat.S_ISLNK(mode):
            raise InTheWay(What.LINK, f'"{shown}" on the way to it is a link; handhold follows none')
        if not stat.S_ISDIR(mode):
            raise InTheWay(What.OTHER, f'"{shown}" on the way to it is a file, not a folder')

    def close(self) -> None:
        """Lets go of every handle."""
        self._last = None
        while self._open:
            os.close(self._open.pop()[1])
        if self._base >= 0:
            os.close(self._base)
            self._base = -1


def own_like(handle: int, other: os.stat_result) -> None:
    """Gives a new file or folder to whom its neighbour belongs, where the system lets us.

    An emulator runs as another user than the one who restores; what it cannot open is of no use to it.
    """
    mine = os.fstat(handle)
    if (mine.st_uid, mine.st_gid) != (other.st_uid, other.st_gid):
        try:
            os.fchown(handle, other.st_uid, other.st_gid)
        except OSError:
            pass  # cards know no owners, and not everybody may give files away
