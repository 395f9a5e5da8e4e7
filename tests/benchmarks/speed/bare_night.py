"""A first night's floor: only what cannot be left out, as a program of its own.

``python bare_night.py DEVICE FILE``: every file of the device's folder is read, named by its SHA-256, packed
with Zstandard (the large ones in pieces, each with a digest as well) and written to FILE, which is flushed at
its end. Two threads, each of which does all of that for its files. There is no layout, no order, no list of
what was kept, no record that could be read back, and nothing is looked up.
"""

from __future__ import annotations

import hashlib
import os
import sys
import threading
from collections import deque

from pyfastcdc import FastCDC

sys.path.insert(0, os.path.abspath(f"{__file__}/../../../.."))

from handhold.archive.blocks import packer
from handhold.archive.cutting import SMALL, mean_for

_TOGETHER = 64  # small files that a thread takes at a time
_WRITTEN = 1 << 20  # bytes that are written at once
_RUNS = 1000  # that is, in at most so many runs (IOV_MAX of Linux is 1024)
_ROOM = 2 << 20  # bytes that a large file is read into: a few times its longest piece


class Store:
    """What is packed, on its way into the file."""

    def __init__(self, file: int, turn: threading.Lock) -> None:
        self._file, self._turn = file, turn
        self._frames: list[bytes] = []
        self._held = 0
        self._pack = packer(3)

    def put(self, plain: bytes | memoryview) -> None:
        """Packs one block."""
        frame = self._pack(plain)
        self._frames.append(frame)
        self._held += len(frame)
        if self._held >= _WRITTEN or len(self._frames) >= _RUNS:
            self.write()

    def write(self) -> None:
        """Writes what waits."""
        with self._turn:
            if os.writev(self._file, self._frames) != self._held:
                raise SystemExit("the medium took less than all")
        self._frames.clear()
        self._held = 0


def found() -> tuple[list[str], list[str]]:
    """Small files and large ones below the folder."""
    small, large, folders = [], [], ["."]
    while folders:
        with os.scandir(folders.pop()) as names:
            for name in names:
                if name.is_dir(follow_symlinks=False):
                    folders.append(name.path)
                elif name.stat(follow_symlinks=False).st_size < SMALL:
                    small.append(name.path)
                else:
                    large.append(name.path)
    return small, large


def keep_small(paths: list[str], store: Store) -> None:
    """Reads files whole; a status before and after tells whether one changed meanwhile."""
    for path in paths:
        file = os.open(path, os.O_RDONLY)
        data = os.read(file, os.fstat(file).st_size + 1)
        os.stat(path)
        os.close(file)
        hashlib.sha256(data).hexdigest()
        store.put(data)


def keep_large(path: str, store: Store, room: memoryview) -> None:
    """Reads a file in runs, and cuts each."""
    file = os.open(path, os.O_RDONLY)
    mean = mean_for(os.fstat(file).st_size)
    longest = mean * 4
    cutter = FastCDC(mean, min_size=mean // 4, max_size=longest, normalized_chunking=2)
    whole = hashlib.sha256()
    begin = end = 0
    while True:
        room[: end - begin] = room[begin:end]
        begin, end = 0, end - begin
        got = os.readv(file, [room[end:]])
        whole.update(room[end : end + got])
        end += got
        if begin == end:
            break
        for chunk in cutter.cut_buf(room[:end]):
            piece = chunk.data
            hashlib.sha256(piece).digest()
            store.put(piece)
            begin += chunk.length
            if got and end - begin < longest:
                break
    os.stat(path)
    os.close(file)
    whole.hexdigest()


def main() -> None:
    """Keeps what lies in the device's folder."""
    file = os.open(sys.argv[2], os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.chdir(sys.argv[1])
    small, large = found()
    jobs: deque[str | list[str]] = deque(large)
    jobs.extend(small[at : at + _TOGETHER] for at in range(0, len(small), _TOGETHER))
    turn = threading.Lock()

    def work() -> None:
        store, room = Store(file, turn), memoryview(bytearray(_ROOM))
        while True:
            try:
                job = jobs.popleft()
            except IndexError:
                break
            if isinstance(job, str):
                keep_large(job, store, room)
            else:
                keep_small(job, store)
        store.write()

    threads = [threading.Thread(target=work) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    os.fsync(file)
    os.close(file)


if __name__ == "__main__":
    main()
