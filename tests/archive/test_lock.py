"""One writer at a time: two processes, one that is killed, and who the message names."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import tempfile
import time

import pytest

from handhold.archive.lock import LOCK, NOTE, hold
from handhold.errors import Exit, NotNow, OwnerError
from tests.archive.fixtures import again, files, make

_HOLDER = """
import sys, time
from handhold.archive.lock import hold
with hold(sys.argv[1], sys.argv[2]):
    print("held", flush=True)
    sys.stdin.readline()
"""


def _holder(root: str, purpose: str) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", _HOLDER, root, purpose],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def _end(process: subprocess.Popen[str]) -> None:
    process.communicate("\n", timeout=20)


def test_the_second_is_told_who_holds_it(tmp_path: object) -> None:
    root = str(tmp_path)
    holder = _holder(root, "snapshot of meadow")
    try:
        with pytest.raises(NotNow) as told, hold(root, "restore"):
            raise AssertionError("two at once")
        assert told.value.status is Exit.NOT_NOW
        for word in (root, "snapshot of meadow", socket.gethostname(), f"process {holder.pid}", "since 20"):
            assert word in told.value.what
        # The one that was turned away must not have taken the note away either.
        with pytest.raises(NotNow, match=f"process {holder.pid}"), hold(root, "restore"):
            raise AssertionError("two at once")
    finally:
        _end(holder)
    with hold(root, "restore"):
        pass


def test_the_lock_of_a_killed_run_does_not_hold(tmp_path: object) -> None:
    root = str(tmp_path)
    holder = _holder(root, "snapshot of meadow")
    holder.send_signal(signal.SIGKILL)
    _end(holder)
    assert os.path.exists(os.path.join(root, NOTE))
    with hold(root, "restore"):
        pass
    assert not os.path.exists(os.path.join(root, NOTE))


def test_it_is_free_after_an_exception_and_not_twice_in_one_process(tmp_path: object) -> None:
    root = str(tmp_path)
    with pytest.raises(KeyError), hold(root, "first"):
        with pytest.raises(NotNow, match="first"), hold(root, "second"):
            raise AssertionError("two at once")
        raise KeyError
    with hold(root, "third"):
        pass


@pytest.mark.parametrize(
    "note",
    [b"", b"{", b"[]", b"null", b"7", b"[" * 5000, b'{"host": 1}', b"\xff\xfe", b"x" * 100_000],
    ids=range(9),
)
def test_a_note_that_says_nothing_does_no_harm(tmp_path: object, note: bytes) -> None:
    root = str(tmp_path)
    holder = _holder(root, "x")
    try:
        with open(os.path.join(root, NOTE), "wb") as out:
            out.write(note)
        with pytest.raises(NotNow, match="another run of handhold"), hold(root, "restore"):
            raise AssertionError("two at once")
    finally:
        _end(holder)


def test_a_note_cannot_write_on_the_terminal(tmp_path: object) -> None:
    root = str(tmp_path)
    holder = _holder(root, "\x1b[2J" + "long" * 100)
    try:
        with pytest.raises(NotNow) as told, hold(root, "restore"):
            raise AssertionError("two at once")
        assert told.value.what.removeprefix(f"The archive {root}").isprintable()
        assert len(told.value.what) < len(root) + 300
    finally:
        _end(holder)


def test_a_note_that_is_a_link_or_a_pipe_is_left_alone(tmp_path: object) -> None:
    root = str(tmp_path)
    victim = os.path.join(root, "victim")
    with open(victim, "w") as out:
        out.write("precious")
    os.symlink(victim, os.path.join(root, NOTE))
    with hold(root, "x"), open(victim) as read:
        assert read.read() == "precious"
    os.mkfifo(os.path.join(root, NOTE))
    with hold(root, "x"):
        began = time.monotonic()
        with pytest.raises(NotNow), hold(root, "y"):
            raise AssertionError("two at once")
        assert time.monotonic() - began < 5


def test_a_folder_that_is_gone_or_closed_is_told(tmp_path: object) -> None:
    with pytest.raises(NotNow, match="gone"), hold(os.path.join(str(tmp_path), "missing"), "x"):
        raise AssertionError
    if os.geteuid():
        pytest.skip("needs root, to become somebody else")
    with tempfile.TemporaryDirectory() as closed:
        os.chmod(closed, 0o755)
        child = os.fork()
        if child == 0:
            status = 1
            try:
                os.setuid(65534)
                with hold(closed, "x"):
                    pass
            except NotNow:
                status = 2
            except OwnerError as error:
                status = 0 if "cannot be written to" in error.what else 3
            finally:
                os._exit(status)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


def test_an_archive_that_is_held_can_be_read(tmp_path: object) -> None:
    archive = make(tmp_path)
    with archive.locked("snapshot"):
        other = again(archive)
        assert other.snapshots() == []
        with pytest.raises(NotNow, match="snapshot"), other.locked("restore"):
            raise AssertionError("two at once")
    with other.locked("restore"):
        pass


def test_a_writer_needs_the_lock(tmp_path: object) -> None:
    archive = make(tmp_path)
    with pytest.raises(RuntimeError):
        archive.writer()
    with archive.locked("x"):
        pass
    with pytest.raises(RuntimeError):
        archive.writer()
    assert not [name for name in files(archive) if "manifest" in name]
    assert LOCK in os.listdir(os.path.join(str(tmp_path), "archive"))
