"""Where an archive lies: a narrow protocol, and the local disk or card as the first implementation.

Names are relative to the archive, with ``/`` between folders: ``"manifests/x.manifest"``. A file is begun
under a temporary name, flushed to the medium when it is committed, renamed, and never changed after that.
"""

from __future__ import annotations

import errno
import os
import stat
import sys
import threading
from collections import OrderedDict
from contextlib import AbstractContextManager
from typing import NamedTuple, Protocol

from handhold.archive.lock import hold
from handhold.archive.trouble import told
from handhold.errors import NotNow, OwnerError, WrongInput

#: The beginning and end of every temporary name.
TEMPORARY = ("new-", ".part")
#: FAT32 holds no file of 4 GiB.
LARGEST_FILE = (1 << 32) - 1
_OPEN_AT_ONCE = 8
_BUFFER = 256 << 10


class Item(NamedTuple):
    """One name in a folder; ``size`` is in bytes, 0 for a folder."""

    name: str
    size: int
    is_folder: bool


class Pending(Protocol):
    """A file that is being written and does not exist yet under its own name."""

    def write(self, data: bytes) -> None:
        """Appends bytes."""

    def read(self, offset: int, length: int) -> bytes:
        """Reads what was written until now back from the medium."""

    def commit(self, name: str) -> None:
        """Flushes it to the medium and gives it its name (relative to the archive): then it is there."""

    def abandon(self) -> None:
        """Lets it go; does nothing after ``commit``."""


class Readable(Protocol):
    """What can be read of an archive: the reading half of a storage."""

    def read(self, name: str, offset: int, length: int) -> bytes:
        """Up to ``length`` bytes from ``offset``; fewer where the file ends."""


class Storage(Readable, Protocol):
    """What an archive needs of the place where it lies.

    Missing names raise ``FileNotFoundError``; everything else that goes wrong is an ``OwnerError``.
    """

    @property
    def where(self) -> str:
        """The place, for messages."""

    def list(self, folder: str) -> list[Item]:
        """What a folder holds, in no order; "" is the archive itself.

        Raises ``FileNotFoundError`` where nothing is, ``NotADirectoryError`` where a file is.
        """

    def size(self, name: str) -> int:
        """The size of a file in bytes."""

    def begin(self, folder: str) -> Pending:
        """Begins a file; its temporary name lies in ``folder``, which is made if need be."""

    def delete(self, name: str) -> None:
        """Deletes a file; one that is not there is no error."""

    def free(self) -> int:
        """Free room in bytes; ``sys.maxsize`` where the medium does not tell."""

    def hold(self, purpose: str) -> AbstractContextManager[str]:
        """Holds the place for one writer; ``NotNow``, with who holds it, if another does.

        Gives who held it last and did not end as it should, "" if that one did.
        """


def is_temporary(name: str) -> bool:
    """Whether a file's last name is one that an unfinished write leaves behind."""
    return name.startswith(TEMPORARY[0]) and name.endswith(TEMPORARY[1])


class _Opened:
    """A file that is open for reading. It closes only once no thread reads it any more.

    Not by itself when it is let go of: a Ctrl-C just then would be lost, and a trace of the program be shown.
    """

    def __init__(self, file: int) -> None:
        self.file = file
        self.readers = 0
        self.wanted = True

    def close_if_done_with(self) -> None:
        if self.wanted or self.readers:
            return
        try:
            os.close(self.file)
        except OSError:
            pass  # a card that was pulled; all that was read was checked


class LocalStorage:
    """An archive on a disk or card of this machine."""

    def __init__(self, root: str) -> None:
        self._open: OrderedDict[str, _Opened] = OrderedDict()
        self._lock = threading.Lock()
        if not root or "\0" in root:
            raise WrongInput(
                "The path of the archive is empty, or no path.", "Name the folder of the archive."
            )
        self.root = os.path.abspath(root)

    def __repr__(self) -> str:
        return f"LocalStorage({self.root!r})"

    def __del__(self) -> None:
        if hasattr(self, "_lock"):  # else a Ctrl-C came while it was made
            self.close()

    @property
    def where(self) -> str:
        return self.root.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")

    def close(self) -> None:
        """Lets go of the files that are kept open for reading, so that a card can be taken out."""
        with self._lock:
            while self._open:
                self._let_go(self._open.popitem()[1])

    def forget_cached(self, name: str) -> None:
        """Has the next read of a file come from the medium, not from the system's memory, where it can."""
        self._forget(name)
        if not hasattr(os, "posix_fadvise"):
            return
        try:
            file = os.open(self._path(name), os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
        except OSError:
            return  # the read tells
        try:
            os.posix_fadvise(file, 0, 0, os.POSIX_FADV_DONTNEED)
        except OSError:
            pass  # a hint, no more
        finally:
            os.close(file)

    def list(self, folder: str) -> list[Item]:
        items = []
        try:
            with os.scandir(self._path(folder)) as found:
                for item in found:
                    is_folder = item.is_dir(follow_symlinks=False)
                    items.append(Item(item.name, 0 if is_folder else _size(item), is_folder))
        except (FileNotFoundError, NotADirectoryError):
            raise
        except OSError as error:
            raise self._told(error, folder) from error
        return items

    def size(self, name: str) -> int:
        try:
            return os.stat(self._path(name), follow_symlinks=False).st_size
        except (FileNotFoundError, NotADirectoryError) as error:
            raise FileNotFoundError(error.errno, error.strerror, name) from error
        except OSError as error:
            raise self._told(error, name) from error

    def read(self, name: str, offset: int, length: int) -> bytes:
        try:
            with self._lock:
                opened = self._reader(name)
                opened.readers += 1
            try:
                # Not inside of the lock: one thread reads while another one works on what it has read.
                return _read(opened.file, offset, length)
            finally:
                with self._lock:
                    opened.readers -= 1
                    opened.close_if_done_with()
        except (FileNotFoundError, NotADirectoryError) as error:
            raise FileNotFoundError(error.errno, error.strerror, name) from error
        except OSError as error:
            raise self._told(error, name) from error

    def begin(self, folder: str) -> Pending:
        try:
            self._make(folder)
            return _LocalPending(self, folder)
        except OSError as error:
            raise self._told(error, folder) from error

    def delete(self, name: str) -> None:
        self._forget(name)
        try:
            os.unlink(self._path(name))
        except FileNotFoundError:
            pass  # what is wanted is so already
        except OSError as error:
            raise self._told(error, name) from error

    def free(self) -> int:
        try:
            room = os.statvfs(self.root)
        except OSError as error:
            raise self._told(error, "") from error
        return room.f_bavail * room.f_frsize if room.f_blocks else sys.maxsize

    def hold(self, purpose: str) -> AbstractContextManager[str]:
        return hold(self.root, purpose)

    def make(self) -> None:
        """Makes the archive's own folder; the folder around it must be there."""
        try:
            os.mkdir(self.root)
            _flush_folder(os.path.dirname(self.root))
        except FileExistsError:
            pass
        except FileNotFoundError as error:
            raise NotNow(
                f"The folder in which the archive should be made is not there: {os.path.dirname(self.where)}",
                "Put the card in, or make that folder first.",
            ) from error
        except OSError as error:
            raise self._told(error, "") from error

    def _path(self, name: str) -> str:
        return os.path.join(self.root, name) if name else self.root

    def _reader(self, name: str) -> _Opened:
        opened = self._open.get(name)
        if opened is not None:
            self._open.move_to_end(name)
            return opened
        # A link or a pipe in an archive was not put there by handhold: neither followed nor waited for.
        file = os.open(self._path(name), os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
        if not stat.S_ISREG(os.fstat(file).st_mode):
            os.close(file)
            raise OSError(errno.EINVAL, "is no ordinary file", name)
        opened = self._open[name] = _Opened(file)
        if len(self._open) > _OPEN_AT_ONCE:
            self._let_go(self._open.popitem(last=False)[1])
        return opened

    def _forget(self, name: str) -> None:
        with self._lock:
            opened = self._open.pop(name, None)
            if opened is not None:
                self._let_go(opened)

    @staticmethod
    def _let_go(opened: _Opened) -> None:
        opened.wanted = False
        opened.close_if_done_with()

    def _make(self, folder: str) -> None:
        """Makes a folder of the archive; what is already there must be a folder, not a link to one."""
        if not folder:
            return
        path = self._path(folder)
        try:
            if not stat.S_ISDIR(os.lstat(path).st_mode):
                raise NotADirectoryError(errno.ENOTDIR, "is no folder", folder)
            return
        except FileNotFoundError:
            pass
        self._make(os.path.dirname(folder))
        os.mkdir(path)
        _flush_folder(os.path.dirname(path))

    def _told(self, error: OSError, name: str) -> OwnerError:
        """The same in the owner's words."""
        return told(error, self.where, name)


class _LocalPending:
    def __init__(self, storage: LocalStorage, folder: str) -> None:
        self._storage = storage
        self._folder = folder
        self._name = f"{TEMPORARY[0]}{os.urandom(8).hex()}{TEMPORARY[1]}"
        self._path = os.path.join(storage._path(folder), self._name)
        self._file = open(self._path, "x+b", buffering=_BUFFER)  # noqa: SIM115 - closed by commit or abandon
        self._done = False
        self._flushed = False

    def write(self, data: bytes) -> None:
        try:
            self._flushed = False
            self._file.write(data)
        except OSError as error:
            raise self._storage._told(error, self._folder) from error

    def read(self, offset: int, length: int) -> bytes:
        try:
            if not self._flushed:
                self._file.flush()
                os.fsync(self._file.fileno())
                # What is still in memory proves nothing about the medium.
                os.posix_fadvise(self._file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
                self._flushed = True
            return os.pread(self._file.fileno(), length, offset)
        except OSError as error:
            raise self._storage._told(error, self._folder) from error

    def commit(self, name: str) -> None:
        storage = self._storage
        folder = os.path.dirname(name)
        target = storage._path(name)
        try:
            storage._make(folder)
            self._file.flush()
            os.fsync(self._file.fileno())
            self._file.close()
            # A file of that name can only be the same bytes, or a hurt copy of them: names prove contents.
            self._rename(target)
            self._done = True
            _flush_folder(storage._path(folder))
            if folder != self._folder:
                _flush_folder(storage._path(self._folder))
        except OSError as error:
            raise storage._told(error, name) from error
        storage._forget(name)

    def _rename(self, target: str) -> None:
        try:
            os.replace(self._path, target)
        except FileNotFoundError:
            if os.path.isdir(os.path.dirname(self._path)) and not os.path.lexists(self._path):
                raise NotNow(
                    f"Another run wrote to {self._storage.where} at the same time, "
                    "and tidied up what this one had begun.",
                    "Let one machine write at a time, then run this again.",
                ) from None
            raise

    def abandon(self) -> None:
        if self._done:
            return
        self._done = True
        try:
            self._file.close()
        except OSError:
            pass  # what could not be written is thrown away anyhow
        try:
            os.unlink(self._path)
        except OSError:
            pass  # the next writer removes it


def _read(file: int, offset: int, length: int) -> bytes:
    """Up to ``length`` bytes of an open file, fewer only where it ends."""
    data = os.pread(file, length, offset)
    if len(data) == length or not data:
        return data
    runs = [data]
    while data and (length := length - len(data)):
        offset += len(data)
        data = os.pread(file, length, offset)
        runs.append(data)
    return b"".join(runs)


def _size(item: os.DirEntry[str]) -> int:
    """A file's size; 0 where the medium does not tell, so that one hurt file does not hide a whole folder."""
    try:
        return item.stat(follow_symlinks=False).st_size
    except OSError:
        return 0


def _flush_folder(path: str) -> None:
    """Flushes a folder's names to the medium, where its file system knows how to."""
    try:
        folder = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except PermissionError:
        return  # a folder that may be written but not read
    try:
        os.fsync(folder)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP, errno.ENOSYS):
            raise
    finally:
        os.close(folder)
