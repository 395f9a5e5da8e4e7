"""Watches a run at the system's own calls: records what it does to its folders, ends it, or lets calls fail.

A child is forked, does the work, and ``strace`` stands behind it. So what is seen is what the program really
asks of the system, whatever library asks for it, and a kill is a real ``kill -9``.

>>> recording = record(lambda: world.run("snapshot"), {"archive": world.archive})     # doctest: +SKIP
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.faults.disk import (
    Flush,
    FlushAll,
    Link,
    Make,
    Operation,
    Recording,
    Remove,
    Rename,
    Resize,
    Stamp,
    Tree,
    Write,
)

#: Every call by which a program changes what a disk holds, or the place where it writes.
CHANGING = (
    "open", "openat", "creat", "write", "pwrite64", "truncate", "ftruncate", "fallocate", "rename",
    "renameat", "renameat2", "link", "linkat", "symlink", "symlinkat", "unlink", "unlinkat", "mkdir",
    "mkdirat", "rmdir", "fsync", "fdatasync", "sync", "syncfs", "utimensat", "fchmod", "fchown",
)  # fmt: skip
#: Calls that would change a disk past those above; a run that uses one on its folders is refused.
_PAST = ("writev", "pwritev", "pwritev2", "sendfile", "copy_file_range", "splice", "openat2", "ftruncate64")
_PLACES = ("lseek",)
_LINE = re.compile(r"(\d+) +(.*)")
_CALL = re.compile(r"(\w+)\((.*)\) += (-?\d+|\?)(.*)", re.DOTALL)
_STRING = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
_HANDLE = re.compile(r"(?:AT_FDCWD|(\d+))<((?:\\x[0-9a-f]{2})*)>(\(deleted\))?")
_SECONDS = 120
#: Threads as well, each with the paths of its handles, every byte of what is written.
_WATCH = ("-f", "-y", "-xx", "-s", "99999999")
#: Options that have every call logged that may change a disk.
ALL_CHANGES = ("-e", f"trace={','.join((*CHANGING, *_PAST, *_PLACES))}")


def need_strace() -> None:
    """Skips the test where no process can be watched; in CI it fails instead."""
    why = ""
    if shutil.which("strace") is None:
        why = "watching a process needs strace"
    elif os.geteuid() != 0 and _scope() != "0":
        why = "watching a process needs root, or kernel.yama.ptrace_scope=0"
    if not why:
        return
    if os.environ.get("CI") == "true":
        pytest.fail(why)
    pytest.skip(why)


def _scope() -> str:
    try:
        return Path("/proc/sys/kernel/yama/ptrace_scope").read_text().strip()
    except OSError:
        return "0"


@dataclass(frozen=True)
class Ran:
    """How a watched run ended. ``status`` is its exit status, None if it was killed."""

    status: int | None
    out: str
    err: str
    log: str = ""

    @property
    def killed(self) -> bool:
        """Whether it was ended from outside."""
        return self.status is None

    @property
    def text(self) -> str:
        """All that it said."""
        return self.out + self.err


class Call(NamedTuple):
    """One call, and the how-manieth of its name in its thread it was."""

    name: str
    number: int
    thread: int
    text: str


def watched(work: Callable[[], int | None], *options: str) -> Ran:
    """Runs ``work`` in a child with strace behind it; ``options`` are strace's, as for ``--inject``.

    The child's exit status is what ``work`` returns.
    """
    need_strace()
    return _forked(work, ["strace", *_WATCH, *options])


def alone(work: Callable[[], int | None]) -> Ran:
    """Runs ``work`` in a child of its own that nobody watches."""
    return _forked(work, [])


def _forked(work: Callable[[], int | None], tracing: Sequence[str]) -> Ran:
    ready, go = os.pipe()
    with tempfile.TemporaryDirectory(prefix="watch-") as folder:
        out, err, log = (os.path.join(folder, name) for name in ("out", "err", "log"))
        Path(log).touch()
        child = os.fork()
        if child == 0:
            _be_watched(work, ready, go, out, err)
        os.close(ready)
        try:
            tracer = _traced(child, [*tracing, "-o", log, "-p", str(child)]) if tracing else None
            os.write(go, b"go")
        finally:
            os.close(go)
        status = os.waitstatus_to_exitcode(_ended(child))
        if tracer is not None:
            tracer.communicate(timeout=_SECONDS)
        said = [Path(path).read_text("utf-8", errors="backslashreplace") for path in (out, err, log)]
    assert status >= 0 or status == -signal.SIGKILL, f"ended by signal {-status}: {said[1]}"
    return Ran(None if status < 0 else status, *said)


def _traced(child: int, command: Sequence[str]) -> subprocess.Popen[bytes]:
    tracer = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )
    _await_tracer(child, tracer)
    return tracer


def watched_program(program: Sequence[str], *options: str) -> Ran:
    """Runs a program of its own, from its very first call, with strace behind it."""
    need_strace()
    with tempfile.TemporaryDirectory(prefix="watch-") as folder:
        log = os.path.join(folder, "log")
        done = subprocess.run(
            ["strace", *_WATCH, "-o", log, *options, "--", *program],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            encoding="utf-8",
            errors="backslashreplace",
            env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1", "PYTHONHASHSEED": "0"},
            timeout=_SECONDS,
            check=False,
        )
        told = Path(log).read_text("utf-8", errors="backslashreplace")
    # strace ends as what it watched did: by the same signal.
    assert done.returncode in (*range(128), -signal.SIGKILL), done.stderr
    return Ran(None if done.returncode < 0 else done.returncode, done.stdout, done.stderr, told)


def _be_watched(work: Callable[[], int | None], ready: int, go: int, out: str, err: str) -> None:
    """The child: waits until somebody watches, then works."""
    status = 70
    try:
        os.close(go)
        for number, path in ((1, out), (2, err)):
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(handle, number)
            os.close(handle)
        sys.stdout, sys.stderr = (os.fdopen(n, "w", encoding="utf-8", closefd=False) for n in (1, 2))
        if os.read(ready, 2):
            status = work() or 0
        sys.stdout.flush()
        sys.stderr.flush()
    except BaseException:
        import traceback

        traceback.print_exc()
        sys.stderr.flush()
    finally:
        os._exit(status)


def _await_tracer(child: int, tracer: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + _SECONDS
    while "TracerPid:\t0\n" in Path(f"/proc/{child}/status").read_text():
        if tracer.poll() is not None or time.monotonic() > end:
            told = tracer.stderr.read().decode() if tracer.stderr and tracer.poll() is not None else ""
            raise RuntimeError(f"strace does not watch: {told}")
        time.sleep(0.001)


def _ended(child: int) -> int:
    end = time.monotonic() + _SECONDS
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return status
        if time.monotonic() > end:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            raise AssertionError(f"a run did not end within {_SECONDS} s")
        time.sleep(0.001)


def calls(log: str) -> Iterator[Call]:
    """The calls of a log, in the order in which they ended, counted by name and thread."""
    begun: dict[int, str] = {}
    counts: dict[tuple[int, str], int] = {}
    for line in log.splitlines():
        found = _LINE.fullmatch(line)
        if found is None:
            continue
        thread, text = int(found[1]), found[2]
        if text.endswith(" <unfinished ...>"):
            begun[thread] = text.removesuffix(" <unfinished ...>")
            continue
        if text.startswith("<... "):
            text = begun.pop(thread, "") + text.partition(" resumed>")[2]
        name = text.partition("(")[0]
        if name.isidentifier():
            number = counts[thread, name] = counts.get((thread, name), 0) + 1
            yield Call(name, number, thread, text)


def record(work: Callable[[], int | None], folders: Mapping[str, str | os.PathLike[str]]) -> Recording:
    """What the work does to these folders (by name of their volume), and what they held before.

    The work must come to its end with the exit status 0 or 3.
    """
    before, times = _held(folders)
    ran = watched(work, *ALL_CHANGES)
    assert ran.status in (0, 3), ran.text
    return Recording(before, times, tuple(operations(ran.log, folders, before)))


def changing(log: str, folders: Mapping[str, str | os.PathLike[str]]) -> list[Call]:
    """The calls of a log that change what these folders hold."""
    roots = _roots(folders)
    reading = _Reading(roots, {})
    return [call for call in calls(log) if any(True for _ in reading.meaning(call))]


def operations(log: str, folders: Mapping[str, str | os.PathLike[str]], before: Tree) -> Iterator[Operation]:
    """What a log of strace says was done to these folders."""
    reading = _Reading(_roots(folders), before)
    for call in calls(log):
        yield from reading.meaning(call)


def _roots(folders: Mapping[str, str | os.PathLike[str]]) -> dict[str, str]:
    return {os.path.realpath(path): name for name, path in folders.items()}


def _held(folders: Mapping[str, str | os.PathLike[str]]) -> tuple[Tree, dict[str, int]]:
    """What the folders hold now."""
    tree: Tree = {}
    times: dict[str, int] = {}
    for name, root in folders.items():
        if os.path.isdir(root):
            tree[name] = None
        for folder, inner, files in os.walk(root):
            below = os.path.normpath(os.path.join(name, os.path.relpath(folder, root)))
            tree.update((f"{below}/{one}", None) for one in inner)
            for one in files:
                place = os.path.join(folder, one)
                tree[f"{below}/{one}"] = Path(place).read_bytes()
                times[f"{below}/{one}"] = os.stat(place).st_mtime_ns
    return tree, times


class _Reading:
    """Understands calls; keeps in mind which files are open where."""

    def __init__(self, roots: Mapping[str, str], before: Tree) -> None:
        self._roots = roots
        self._at: dict[str, int] = {}  # handle -> place where the next write goes
        self._sizes = {path: len(content or b"") for path, content in before.items()}

    def meaning(self, call: Call) -> Iterator[Operation]:
        """What a call does to the folders; nothing if it failed or does nothing to them."""
        found = _CALL.fullmatch(call.text)
        if found is None or int(found[3].replace("?", "-1")) < 0:
            return
        name, given, value, handle = found[1], found[2], int(found[3]), found[4]
        if name in ("open", "openat", "creat"):
            yield from self._opened(name, given, str(value), handle)
        elif name == "lseek":
            self._at[_handle(given)] = value
        elif name in ("write", "pwrite64"):
            yield from self._wrote(name, given, value)
        elif name in ("fsync", "fdatasync", "syncfs"):
            for path in self._inside(_handle_path(given)):
                yield FlushAll(path) if name == "syncfs" else Flush(path)
        elif name == "sync":
            yield from (FlushAll(name) for name in self._roots.values())
        elif name in ("ftruncate", "truncate"):
            for path in self._inside(_handle_path(given) if name[0] == "f" else _paths(given)[0]):
                yield self._resized(path, int(given.rpartition(",")[2]))
        elif name == "fallocate" or name in _PAST:
            if any(True for handle in _HANDLE.finditer(given) for _ in self._inside(_text(handle[2]))):
                raise NotImplementedError(f"the model knows no {name}: {call.text[:200]}")
        elif name not in ("fchmod", "fchown"):
            yield from self._named(name, given)

    def _opened(self, name: str, given: str, handle: str, shown: str) -> Iterator[Operation]:
        self._at[handle] = 0
        if name != "creat" and "O_CREAT" not in given and "O_TRUNC" not in given:
            return
        for path in self._inside(_text(_HANDLE.search(handle + shown)[2])):  # type: ignore[index]
            if path not in self._sizes:
                self._sizes[path] = 0
                yield Make(path)
            if (name == "creat" or "O_TRUNC" in given) and self._sizes[path]:
                yield self._resized(path, 0)
            if "O_APPEND" in given:
                self._at[handle] = self._sizes[path]

    def _wrote(self, name: str, given: str, count: int) -> Iterator[Operation]:
        handle = _handle(given)
        at = int(given.rpartition(",")[2]) if name == "pwrite64" else self._at.get(handle, 0)
        if name == "write":
            self._at[handle] = at + count
        for path in self._inside(_handle_path(given)):
            data = _bytes(_STRING.search(given)[1])[:count]  # type: ignore[index]
            self._sizes[path] = max(self._sizes.get(path, 0), at + count)
            yield Write(path, at, data)

    def _resized(self, path: str, size: int) -> Resize:
        self._sizes[path] = size
        return Resize(path, size)

    def _named(self, name: str, given: str) -> Iterator[Operation]:
        places = [place for path in _paths(given) for place in self._inside(path)]
        if name == "utimensat":
            told = re.findall(r"tv_sec=(-?\d+), tv_nsec=(\d+)", given)
            for path in places or list(self._inside(_handle_path(given))):
                if len(told) == 2:
                    yield Stamp(path, int(told[1][0]) * 10**9 + int(told[1][1]))
        elif not places:
            return
        elif name in ("mkdir", "mkdirat"):
            yield Make(places[0], folder=True)
        elif name in ("unlink", "unlinkat", "rmdir"):
            self._sizes.pop(places[0], None)
            yield Remove(places[0])
        elif name.startswith("rename") and len(places) == 2:
            self._sizes[places[1]] = self._sizes.pop(places[0], 0)
            yield Rename(*places)
        elif name.startswith("link") and len(places) == 2:
            self._sizes[places[1]] = self._sizes.get(places[0], 0)
            yield Link(*places)
        else:
            raise NotImplementedError(f"the model knows no {name}: {given}")

    def _inside(self, path: str | None) -> Iterator[str]:
        """The path as the model has it, if it lies in one of the folders."""
        for root, name in self._roots.items():
            if path is not None and (path == root or path.startswith(f"{root}/")):
                yield name + path[len(root) :]
                return


def handled_paths(text: str) -> list[str]:
    """Every path that a call names or has open."""
    open_ones = [_text(found[2]) for found in _HANDLE.finditer(text) if found[1] and not found[3]]
    if text.startswith(("read", "write", "pread", "pwrite", "getdents")):
        return open_ones  # their strings are contents
    return open_ones + _paths(text.rpartition(" = ")[0])


def _handle(given: str) -> str:
    return given.partition("<")[0]


def _handle_path(given: str) -> str | None:
    """The path of the file that a call's handle has open; None if it has none any more."""
    found = _HANDLE.match(given)
    return None if found is None or found[3] else _text(found[2])


def _paths(given: str) -> list[str]:
    """The paths that a call names, whole."""
    found = []
    for piece in re.finditer(rf"(?:{_HANDLE.pattern}, )?{_STRING.pattern}", given):
        folder, name = piece[2], piece[4]
        found.append(os.path.normpath(os.path.join(_text(folder) if folder else os.getcwd(), _text(name))))
    return found


def _bytes(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", ""))


def _text(text: str) -> str:
    return os.fsdecode(_bytes(text))


def inject(names: Sequence[str], what: str, when: str) -> tuple[str, str]:
    """Options for strace: these calls fail (``error=EIO``) or end the run (``signal=KILL``), ``when`` so."""
    return "-e", f"inject={','.join(names)}:{what}:when={when}"
