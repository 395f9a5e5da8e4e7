"""A second process that reads and packs some small files, where threads would wait for each other.

It keeps no file of the archive open, and puts nothing into it. A question goes to it through a pipe, with a
place in memory that both see: there it leaves what it packed, which is put here when its turn is.
"""

from __future__ import annotations

import mmap
import os
import threading
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, ExitStack, nullcontext, suppress
from itertools import accumulate, pairwise
from typing import Any, NamedTuple

from handhold.archive.blocks import Sealed
from handhold.beside import close_all_but, end, started
from handhold.intake.files import Files
from handhold.intake.jobs import Content, Job, Unread
from handhold.intake.outbox import Outbox
from handhold.messages import Told, tell

#: The memory that both see: so many places, of so many bytes each, for what is packed of some small files. So
#: many questions wait at most.
_PLACES, PLACE = 8, 5 << 18
#: It remembers so many blocks that it has packed.
_REMEMBERED = 1 << 16

#: A block that lies in a place: its name, codec, bytes there and in plain, and the checksum of those there.
_Row = tuple[bytes, int, int, int, int]


class Gone(Exception):
    """The second process has ended before its work was done."""


class Answer(NamedTuple):
    """What came of a question."""

    blocks: list[Sealed]  # what is new, packed
    told: Any  # what the files held
    size: int  # bytes that were read
    believed: list[bytes]  # names of blocks that it did not pack, for the archive lists them
    place: int  # where the blocks lie, until it is free


class Second:
    """Has files read and packed in a second process; raises ``Gone`` where none can be had.

    ``level`` is how hard it packs; what is ``listed`` it does not pack. ``here`` is how many threads of this
    process work beside it. Any thread may ask; answers are to be taken in the order of the questions, by one
    thread at a time. Needs ``with``, which leaves no process behind. To be begun early: all that this process
    holds by then the other one holds as well.
    """

    def __init__(self, level: int, listed: Callable[[bytes], bool], here: int) -> None:
        self._turn = threading.Condition()
        self._here, self._busy = here, 0
        self._free = list(range(_PLACES))
        self._asked: deque[int] = deque()  # the places of the questions that have no answer yet
        self._gone = False
        #: Whether nobody waits for anything any more.
        self.closed = False
        with ExitStack() as mine:
            memory = mmap.mmap(-1, _PLACES * PLACE)
            mine.callback(_let_go, memory)
            asked, self._ask = _pipe(mine)
            answers, answering = _pipe(mine)

            def work() -> None:
                # Should the caller die, the lock of its archive must go with it.
                close_all_but(asked, answering)
                _serve(level, listed, memory, asked, answering)

            self._process = started(work)
            if self._process is None:
                raise Gone
            os.close(asked)
            os.close(answering)
            mine.pop_all()
        self._memory, self._answers, self._told = memory, answers, Told(answers)

    def __enter__(self) -> Second:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
        os.close(self._ask)
        os.close(self._answers)
        _let_go(self._memory)

    def place(self) -> int | None:
        """A place for a question; None where it is this process's turn to do the work, until ``done``."""
        with self._turn:
            while not (self._gone or self.closed):
                if self._free:
                    return self._free.pop()
                if self._busy < self._here:
                    break
                self._turn.wait()
            self._busy += 1
            return None

    def done(self) -> None:
        """Work that this process did is done."""
        with self._turn:
            self._busy -= 1
            self._turn.notify()

    def ask_for(self, place: int, jobs: Sequence[Job[Any]]) -> None:
        """Has it read files."""
        self._asked.append(place)
        wanted = [(job.place, job.size, job.open) for job in jobs]
        with suppress(BrokenPipeError):  # whoever waits for the answer finds out
            tell(self._ask, (place, wanted))

    def answer(self) -> Answer:
        """The answer to the first question that has none yet; waits. Raises ``Gone``."""
        told = None if self._gone else self._told.next()
        if told is None:
            with self._turn:
                self._gone = True
                self._turn.notify_all()
            raise Gone
        rows, packed, read, size, believed = told
        place = self._asked.popleft()
        lying = memoryview(self._memory)[place * PLACE :] if packed is None else memoryview(packed)
        return Answer(_blocks(rows, lying), read, size, believed, place)

    def free(self, place: int) -> None:
        """What lies in the place is not needed any more."""
        with self._turn:
            self._free.append(place)
            self._turn.notify()

    def close(self) -> None:
        """Ends it, wherever it is; who waits for it is told that it is gone."""
        with self._turn:
            self.closed = True
            self._turn.notify_all()
        if self._process is not None:
            process, self._process = self._process, None
            end(process)


def begun(level: int, listed: Callable[[bytes], bool], threads: int) -> AbstractContextManager[Second | None]:
    """A second process beside so many threads, where one can be had."""
    try:
        return Second(level, listed, max(1, threads - 1))
    except (Gone, OSError):
        return nullcontext()


def _pipe(stack: ExitStack) -> tuple[int, int]:
    ends = os.pipe()
    for one in ends:
        stack.callback(os.close, one)
    return ends


def _let_go(memory: mmap.mmap) -> None:
    with suppress(BufferError):  # an error still has some of it in its hands, and lets it go
        memory.close()


def _blocks(rows: Sequence[_Row], lying: memoryview) -> list[Sealed]:
    bounds = pairwise(accumulate((row[2] for row in rows), initial=0))
    return [
        Sealed(ident, codec, lying[begin:behind], plain, check)
        for (ident, codec, _, plain, check), (begin, behind) in zip(rows, bounds, strict=True)
    ]


def _serve(
    level: int, listed: Callable[[bytes], bool], memory: mmap.mmap, asked: int, answering: int
) -> None:
    """What the second process does."""
    believed: list[bytes] = []
    blocks: list[Sealed] = []

    def before(ident: bytes) -> bool:
        there = listed(ident)
        if there:
            believed.append(ident)
        return there

    outbox = Outbox(level, before, blocks.extend)
    files = Files(outbox)
    questions = Told(asked)
    room = memoryview(memory)
    while (question := questions.next()) is not None:
        place, wanted = question
        here = room[place * PLACE : (place + 1) * PLACE]
        outcomes, _, size = files.take([Job(path, length, None, opened) for path, length, opened in wanted])
        told = [tuple(one) for _, one in outcomes]
        rows = [(one.id, one.codec, len(one.stored), one.plain_size, one.check) for one in blocks]
        packed = None
        if sum(row[2] for row in rows) <= PLACE:
            at = 0
            for one in blocks:
                here[at : at + len(one.stored)] = one.stored
                at += len(one.stored)
        else:
            packed = b"".join(one.stored for one in blocks)
        tell(answering, (rows, packed, told, size, believed))
        blocks.clear()
        believed.clear()
        outbox.forget(_REMEMBERED)


def outcome(told: Sequence[Any]) -> Content | Unread:
    """What a file held, as it was told."""
    return Content(*told) if len(told) > len(Unread._fields) else Unread(*told)
