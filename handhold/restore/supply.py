"""The contents of files that are to be written: read and unpacked in a thread ahead of that."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from handhold.ahead import Ahead, Task
from handhold.archive.archive import Archive
from handhold.archive.inorder import InOrder
from handhold.errors import OwnerError
from handhold.model import Entry

#: Bytes that are read before they are needed, at the most, if not one block is larger.
_MOST = 8 << 20
#: Bytes, and files, that are handed over at once.
_TOGETHER, _FILES = 1 << 20, 64
#: Bytes that are written at once. For a mebibyte at a time the system took half as long again: it looks for
#: as much memory in one piece (by perf stat, Linux 6.18, ext4).
_AT_ONCE = 256 << 10

#: A run of the content of an entry of this number: its bytes; None behind the last; or why there is none.
_Run = tuple[int, bytes | OwnerError | None]


class Supply:
    """The contents of entries, in their order; use it as ``with Supply(archive, entries) as supply``."""

    def __init__(self, archive: Archive, entries: Sequence[Entry]) -> None:
        self._archive = archive
        self._entries = entries
        # A system that has seen so large a piece come and go keeps what a run leaves for the next one: pages
        # that are asked for anew have to be cleared.
        bytes(2 * _MOST)
        self._ahead = Ahead(map(_task, self._together()), _as_it_is, most=_MOST, threads=1)
        self._runs: Iterator[_Run] = (run for runs in self._ahead for run in runs)

    def __enter__(self) -> Supply:
        return self

    def __exit__(self, *_: object) -> None:
        self._ahead.close()

    def content(self, number: int) -> Iterator[bytes]:
        """The bytes of the entry of this number, run by run; held against its digest by whoever takes them.

        Numbers rise from 0; those that are left out are passed over. Raises ``OwnerError``, also after the
        last run: believe nothing before the end.
        """
        return self._archive.proven(self._entries[number], self._of(number))

    def _of(self, number: int) -> Iterator[bytes]:
        for of, run in self._runs:
            if of != number:
                continue  # the rest of one that was given up
            if run is None:
                return
            if isinstance(run, OwnerError):
                raise run
            yield run

    def _each(self) -> Iterator[_Run]:
        blocks = InOrder(self._archive)
        for number, entry in enumerate(self._entries):
            try:
                for run in _joined(self._archive.unproven(entry, blocks)):
                    yield number, run
            except OwnerError as error:
                yield number, error
            else:
                yield number, None

    def _together(self) -> Iterator[list[_Run]]:
        """Runs in lists, for to hand something over takes longer than to read a small file."""
        runs: list[_Run] = []
        size = 0
        for one in self._each():
            runs.append(one)
            size += len(one[1]) if isinstance(one[1], bytes) else 0
            if size >= _TOGETHER or len(runs) >= 2 * _FILES:
                yield runs
                runs, size = [], 0
        if runs:
            yield runs


def _joined(runs: Iterable[bytes]) -> Iterator[bytes]:
    """The same bytes in longer runs: whoever takes one may have to wait for the interpreter."""
    some: list[bytes] = []
    size = 0
    for run in runs:
        some.append(run)
        size += len(run)
        if size >= _AT_ONCE:
            yield b"".join(some)
            some, size = [], 0
    if some:
        yield b"".join(some)


def _task(runs: list[_Run]) -> Task[list[_Run]]:
    """What was read already, with its weight."""
    return Task(lambda: runs, sum(len(run) for _, run in runs if isinstance(run, bytes)))


def _as_it_is(runs: list[_Run]) -> list[_Run]:
    return runs
