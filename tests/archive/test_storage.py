"""The local storage: temporary names, the order of flushing and renaming, what goes wrong on cards."""

from __future__ import annotations

import errno
import gc
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest

from handhold.archive.storage import Item, LocalStorage, is_temporary
from handhold.errors import Damaged, NotNow, OwnerError, WrongInput


@pytest.fixture
def storage(tmp_path: object) -> LocalStorage:
    return LocalStorage(str(tmp_path))


def _put(storage: LocalStorage, name: str, data: bytes) -> None:
    pending = storage.begin(os.path.dirname(name))
    pending.write(data)
    pending.commit(name)


def test_a_file_is_written_and_read(storage: LocalStorage) -> None:
    _put(storage, "manifests/one", b"0123456789")
    assert storage.size("manifests/one") == 10
    assert storage.read("manifests/one", 0, 10) == b"0123456789"
    assert storage.read("manifests/one", 3, 4) == b"3456"
    assert storage.read("manifests/one", 8, 100) == b"89"
    assert storage.read("manifests/one", 100, 1) == b""
    assert storage.list("manifests") == [Item("one", 10, False)]
    assert storage.list("") == [Item("manifests", 0, True)]
    storage.delete("manifests/one")
    storage.delete("manifests/one")
    assert storage.list("manifests") == []
    assert storage.free() > 0


def test_it_has_a_temporary_name_until_it_is_committed(storage: LocalStorage) -> None:
    pending = storage.begin("bundles")
    pending.write(b"half")
    (item,) = storage.list("bundles")
    assert item.name.startswith("new-")
    assert item.name.endswith(".part")
    assert is_temporary(item.name)
    pending.commit("bundles/ab/whole")
    assert [one.name for one in storage.list("bundles")] == ["ab"]
    assert storage.read("bundles/ab/whole", 0, 9) == b"half"
    pending.abandon()
    assert storage.read("bundles/ab/whole", 0, 9) == b"half"


def test_what_is_abandoned_leaves_nothing(storage: LocalStorage) -> None:
    pending = storage.begin("bundles")
    pending.write(b"half")
    pending.abandon()
    pending.abandon()
    assert storage.list("bundles") == []


def test_a_file_that_took_the_place_of_another_is_read_anew(storage: LocalStorage) -> None:
    _put(storage, "x", b"hurt")
    assert storage.read("x", 0, 9) == b"hurt"
    _put(storage, "x", b"mended")
    assert storage.read("x", 0, 9) == b"mended"
    storage.delete("x")
    with pytest.raises(FileNotFoundError):
        storage.read("x", 0, 9)


def test_only_a_few_files_are_kept_open(storage: LocalStorage) -> None:
    for n in range(40):
        _put(storage, f"{n}", b"%d" % n)
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(2):
        assert [storage.read(f"{n}", 0, 9) for n in range(40)] == [b"%d" % n for n in range(40)]
    assert len(os.listdir("/proc/self/fd")) <= before + 8
    storage.close()
    assert len(os.listdir("/proc/self/fd")) <= before


def test_a_ctrl_c_while_files_are_let_go_of_stops_the_caller(
    storage: LocalStorage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was lost, and a trace of the program was shown in its place."""
    _put(storage, "x", b"a save")
    storage.read("x", 0, 9)
    close, before = os.close, signal.signal(signal.SIGINT, signal.default_int_handler)

    def stopped(file: int) -> None:
        close(file)
        os.kill(os.getpid(), signal.SIGINT)

    try:
        with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
            patch.setattr(os, "close", stopped)
            storage.close()
    finally:
        signal.signal(signal.SIGINT, before)


def test_a_file_that_is_let_go_of_is_read_to_its_end(
    storage: LocalStorage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One thread reads it while others have read so many that it is none of those that are kept open."""
    for n in range(40):
        _put(storage, f"{n}", b"%d" % n * 9)
    before = len(os.listdir("/proc/self/fd"))
    begun, go_on = threading.Event(), threading.Event()
    read = os.pread

    def slow(file: int, length: int, offset: int) -> bytes:
        if length == 99:
            begun.set()
            assert go_on.wait(30)
        return read(file, length, offset)

    monkeypatch.setattr(os, "pread", slow)
    with ThreadPoolExecutor(1) as thread:
        reading = thread.submit(storage.read, "0", 0, 99)
        assert begun.wait(30)
        for n in range(1, 40):
            storage.read(f"{n}", 0, 9)
        storage.close()
        for n in range(1, 40):  # their handles would be the first one's, were that closed
            storage.read(f"{n}", 0, 9)
        go_on.set()
        assert reading.result() == b"0" * 9
    storage.close()
    assert len(os.listdir("/proc/self/fd")) <= before


class _Recorder:
    """Every system call that decides what is on the medium, in order; one of them can be made to fail."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, fail: str = "", number: int = errno.EIO) -> None:
        self.calls: list[str] = []
        self._fail, self._number = fail, number
        fsync, replace, mkdir, unlink = os.fsync, os.replace, os.mkdir, os.unlink

        def told(call: str) -> None:
            self.calls.append(call)
            if self._fail and call.startswith(self._fail):
                raise OSError(self._number, os.strerror(self._number))

        def flush(file: int) -> None:
            told(f"flush {_short(os.readlink(f'/proc/self/fd/{file}'))}")
            fsync(file)

        def rename(source: str, target: str) -> None:
            told(f"rename {_short(source)} {_short(target)}")
            replace(source, target)

        def make(path: str) -> None:
            told(f"make {_short(path)}")
            mkdir(path)

        def remove(path: str) -> None:
            told(f"remove {_short(path)}")
            unlink(path)

        monkeypatch.setattr(os, "fsync", flush)
        monkeypatch.setattr(os, "replace", rename)
        monkeypatch.setattr(os, "mkdir", make)
        monkeypatch.setattr(os, "unlink", remove)


def _short(path: str) -> str:
    name = os.path.basename(path)
    return "temporary" if is_temporary(name) else name


def test_the_order_is_flush_rename_flush(storage: LocalStorage, monkeypatch: pytest.MonkeyPatch) -> None:
    root = os.path.basename(storage.root)
    calls = _Recorder(monkeypatch).calls
    _put(storage, "manifests/m", b"1")
    assert calls == [
        "make manifests",
        f"flush {root}",
        "flush temporary",
        "rename temporary m",
        "flush manifests",
    ]
    calls.clear()
    pending = storage.begin("bundles")
    pending.commit("bundles/ab/b")
    assert calls == [
        "make bundles",
        f"flush {root}",
        "make ab",
        "flush bundles",
        "flush temporary",
        "rename temporary b",
        "flush ab",
        "flush bundles",
    ]
    calls.clear()
    _put(storage, "manifests/n", b"1")
    assert calls == ["flush temporary", "rename temporary n", "flush manifests"]


@pytest.mark.parametrize("fail", ["flush temporary", "rename", "make ab"])
def test_a_commit_that_fails_leaves_nothing(
    storage: LocalStorage, monkeypatch: pytest.MonkeyPatch, fail: str
) -> None:
    _Recorder(monkeypatch, fail)
    pending = storage.begin("bundles")
    pending.write(b"x")
    with pytest.raises(Damaged, match="medium"):
        pending.commit("bundles/ab/b")
    pending.abandon()
    monkeypatch.undo()
    left = [os.path.join(folder, name) for folder, _, names in os.walk(storage.root) for name in names]
    assert left == []


def test_a_file_system_that_cannot_flush_folders_is_good_enough(
    storage: LocalStorage, monkeypatch: pytest.MonkeyPatch
) -> None:
    _Recorder(monkeypatch, "flush manifests", errno.EINVAL)
    _put(storage, "manifests/m", b"1")
    assert storage.read("manifests/m", 0, 9) == b"1"


@pytest.mark.parametrize(
    ("number", "kind", "says"),
    [
        (errno.ENOSPC, OwnerError, "no room left"),
        (errno.EDQUOT, OwnerError, "no room left"),
        (errno.EROFS, OwnerError, "Read-only"),
        (errno.EACCES, OwnerError, "Permission denied"),
        (errno.EIO, Damaged, "medium reports an error"),
        (errno.ENODEV, NotNow, "gone"),
        (errno.EFBIG, OwnerError, "too large"),
    ],
)
def test_what_goes_wrong_is_said_in_the_owners_words(
    storage: LocalStorage, monkeypatch: pytest.MonkeyPatch, number: int, kind: type[OwnerError], says: str
) -> None:
    _Recorder(monkeypatch, "flush temporary", number)
    pending = storage.begin("")
    with pytest.raises(kind, match=says) as told:
        pending.commit("x")
    assert type(told.value) is kind
    assert storage.root in told.value.what
    assert told.value.advice
    pending.abandon()


def test_a_full_card_is_told_while_writing(tmp_path: object) -> None:
    # Common practice, no source: /dev/full answers every write with "no space left".
    storage = LocalStorage(str(tmp_path))
    pending = storage.begin("")
    with open("/dev/full", "wb", buffering=0) as full:
        os.dup2(full.fileno(), pending._file.fileno())  # type: ignore[attr-defined]
    with pytest.raises(OwnerError, match="no room left"):
        for _ in range(4):
            pending.write(bytes(1 << 20))
    pending.abandon()
    assert storage.list("") == []


def test_missing_and_wrong_things_are_told_apart(storage: LocalStorage) -> None:
    _put(storage, "file", b"1")
    for look in (storage.list, storage.size, lambda name: storage.read(name, 0, 1)):
        with pytest.raises(FileNotFoundError):
            look("missing")
    with pytest.raises(NotADirectoryError):
        storage.list("file")
    for look in (storage.size, lambda name: storage.read(name, 0, 1)):
        with pytest.raises(FileNotFoundError):
            look("file/inside")


def _link(path: str) -> None:
    os.symlink("/etc/passwd", path)


def _socket(path: str) -> None:
    with socket.socket(socket.AF_UNIX) as made:
        here = os.getcwd()
        os.chdir(os.path.dirname(path))  # socket paths are short
        try:
            made.bind(os.path.basename(path))
        finally:
            os.chdir(here)


@pytest.mark.parametrize("make", [_link, os.mkfifo, _socket, os.mkdir])
def test_what_is_no_file_is_neither_followed_nor_waited_for(
    storage: LocalStorage, make: Callable[[str], None]
) -> None:
    make(os.path.join(storage.root, "odd"))
    with pytest.raises(OwnerError):
        storage.read("odd", 0, 10)


def test_a_link_in_the_place_of_a_folder_is_not_written_through(
    storage: LocalStorage, tmp_path: object
) -> None:
    elsewhere = os.path.join(str(tmp_path), "elsewhere")
    os.mkdir(elsewhere)
    os.symlink(elsewhere, os.path.join(storage.root, "manifests"))
    with pytest.raises(OwnerError):
        storage.begin("manifests")
    assert os.listdir(elsewhere) == []


def test_names_that_are_no_text_do_no_harm(storage: LocalStorage) -> None:
    with open(os.path.join(os.fsencode(storage.root), b"caf\xe9"), "wb"):
        pass
    assert [one.name for one in storage.list("")] == ["caf\udce9"]
    LocalStorage(os.path.join(storage.root, "caf\udce9")).where.encode("utf-8")


@pytest.mark.parametrize("root", ["", "a\0b"])
def test_a_path_that_is_none_is_refused(root: str) -> None:
    with pytest.raises(WrongInput):
        LocalStorage(root)


def test_a_path_that_is_too_long_is_told(tmp_path: object) -> None:
    with pytest.raises(OwnerError, match="too long"):
        LocalStorage(os.path.join(str(tmp_path), "x" * 300)).list("")


def test_a_thread_reads_on_from_a_file_that_was_let_go_of(
    storage: LocalStorage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between opening and reading other threads may open so many files that this one is not kept any more."""
    for n in range(40):
        _put(storage, f"{n}", b"%d" % n)
    pread, busy = os.pread, False

    def late(file: int, length: int, offset: int) -> bytes:
        nonlocal busy
        if not busy:
            busy = True
            for n in range(1, 40):
                assert storage.read(f"{n}", 0, 9) == b"%d" % n
            storage.close()
        return pread(file, length, offset)

    monkeypatch.setattr(os, "pread", late)
    before = len(os.listdir("/proc/self/fd"))
    assert storage.read("0", 0, 9) == b"0"
    assert busy
    assert len(os.listdir("/proc/self/fd")) <= before


def test_one_that_was_cut_off_while_it_was_made_is_let_go_of_in_silence(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """By a Ctrl-C before its first line."""
    heard: list[object] = []
    monkeypatch.setattr(sys, "unraisablehook", heard.append)
    storage = LocalStorage.__new__(LocalStorage)
    del storage
    gc.collect()
    assert heard == []
