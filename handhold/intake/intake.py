"""Reads files of a device into an archive: many small ones at a time, a large one in pieces.

A few threads do it (the libraries let go of the interpreter lock), and, where there are many small files, a
second process (``second``) beside them, as threads that read these wait for each other's interpreter. What
was read is bounded, so memory does not grow with the size or the number of the files. All is put in the order
of the jobs, so the same files always give the same bundles.
"""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from functools import partial
from typing import Any, TypeAlias, TypeVar

from handhold.ahead import Ahead, Task
from handhold.archive.cutting import SMALL
from handhold.archive.writer import Writer
from handhold.device.reading import announce, is_at_hand
from handhold.intake.files import ALONE, Cut, Files, Stored, Whole
from handhold.intake.jobs import Content, Job, Unread
from handhold.intake.second import PLACE, Answer, Gone, Second, outcome

#: Small files go to a thread in batches of so many files or bytes.
BATCH_FILES, BATCH_BYTES = 64, PLACE
#: So many bytes may be read and not yet written, of which a batch takes some for itself.
WAITING = 16 << 20
#: With fewer files to read, a second process is not worth it.
FEW_FILES = 2_000
#: So few files, with so few bytes in all, are read in the caller's thread: others would wait for each other's
#: interpreter. They are for where a medium is waited for, as long as a processor is at work and for so many
#: seconds: a busy machine can make anybody wait for some milliseconds.
FEW_BYTES, _WAITS = 8 << 20, 0.03
#: So many batches are announced to the system before they are read.
_ANNOUNCED = 4
#: So many threads read.
THREADS = min(4, os.cpu_count() or 1)

J = TypeVar("J")
#: Puts what was read, when its turn is.
_Put: TypeAlias = Callable[[], Stored[J]]
#: What is read at a time, and its bytes.
_Batches: TypeAlias = Iterator[tuple[list[Job[J]], int]]


class Intake:
    """Takes files into an archive through one writer.

    Needs ``with``, which ends the threads, and the second process if one is given, which takes its share of
    small files if there are enough ``files`` to read, of ``size`` bytes in all as far as is known. ``read``
    may be called several times, one after the other.
    """

    def __init__(
        self,
        writer: Writer,
        *,
        threads: int | None = None,
        second: Second | None = None,
        files: int = 0,
        size: int | None = None,
    ) -> None:
        self._writer = writer
        self._files = Files(writer)
        self._begun = writer.moment
        self._threads = threads or THREADS
        self._ahead: Ahead[Any, Any] | None = None
        self._second = second
        self._few = size is not None and size <= FEW_BYTES and files < FEW_FILES
        if second is not None and files < FEW_FILES:
            second.close()

    def __enter__(self) -> Intake:
        return self

    def __exit__(self, *_: object) -> None:
        if self._second is not None:
            self._second.close()  # else threads would wait for it
        if self._ahead is not None:
            self._ahead.close()
            self._ahead = None  # it knows this one as well: what both know would stay open for a while

    def read(
        self, jobs: Iterable[Job[J]], progress: Callable[[int, int], None] | None = None
    ) -> Iterator[tuple[J, Content | Unread]]:
        """Reads each file and yields what it held, or why it could not be read, in the order of the jobs.

        The jobs are asked for in any thread, one at a time. ``progress`` is told the number of files and
        bytes that were read since the last call. An error that concerns the archive rather than the file read
        is raised.
        """
        batches = _batches(jobs)
        if self._few and (yield from self._alone(batches, progress)):
            return
        second = self._second if self._second is not None and not self._second.closed else None
        tasks: Iterator[Task[_Put[J]]] = self._tasks(_announced(batches), second)
        with Ahead(tasks, _put, most=WAITING, threads=self._threads) as stored:
            self._ahead = stored
            try:
                for outcomes, files, size in stored:
                    if progress:
                        progress(files, size)
                    yield from outcomes
            except BaseException:
                if second is not None:
                    second.close()  # nobody takes any more what it brings: threads must not wait for that
                raise

    def _alone(
        self, batches: _Batches[J], progress: Callable[[int, int], None] | None
    ) -> Generator[tuple[J, Content | Unread], None, bool]:
        """Reads in this thread until it has to wait for a medium; whether that was not before the end."""
        waited = worked = 0.0
        for batch, _ in batches:
            begun, used = time.perf_counter(), time.thread_time()
            stored = self._files.take(batch)
            used = time.thread_time() - used
            worked += used
            waited += time.perf_counter() - begun - used
            if progress:
                progress(stored.files, stored.size)
            yield from stored.outcomes
            if waited > max(worked, _WAITS):
                return False
        return True

    def _tasks(self, batches: _Batches[J], second: Second | None) -> Iterator[Task[_Put[J]]]:
        for batch, size in batches:
            if batch[0].size >= SMALL:
                yield from self._large(batch[0])
            elif second is None or (place := second.place()) is None:
                yield Task(partial(self._here, partial(self._read, batch), second), ALONE + size)
            else:
                second.ask_for(place, batch)
                yield Task(partial(partial, self._take, batch, second), ALONE)

    def _large(self, job: Job[J]) -> Iterator[Task[_Put[J]]]:
        for cut in self._files.large(job):
            if isinstance(cut, Whole):
                yield Task(partial(partial, self._files.store, cut), ALONE)
            else:
                yield Task(partial(self._seal, cut), ALONE + cut.held)

    def _read(self, batch: list[Job[J]]) -> _Put[J]:
        return partial(self._files.store, self._files.read_batch(batch))

    def _seal(self, cut: Cut[J]) -> _Put[J]:
        return partial(self._files.store, self._files.seal(cut))

    def _here(self, work: Callable[[], _Put[J]], second: Second | None) -> _Put[J]:
        try:
            return work()
        finally:
            if second is not None:
                second.done()

    def _take(self, batch: list[Job[J]], second: Second) -> Stored[J]:
        """Puts what the second process read; where it is gone, or trusts in what is hurt, it is read here."""
        answer = self._answer(second)
        if answer is None:
            return self._files.take(batch)
        read = [(job.about, outcome(one)) for job, one in zip(batch, answer.told, strict=True)]
        return Stored(read, len(read), answer.size)

    def _answer(self, second: Second) -> Answer | None:
        """What the second process tells next, once its blocks are put; None where it is of no use."""
        try:
            answer = second.answer()
        except Gone:
            if second.closed:
                raise
            return None
        try:
            # In any case: the process remembers that it has sent them, and names them alone from then on.
            self._writer.put_all(answer.blocks, self._begun)
        finally:
            answer.blocks.clear()  # they lie in its place
            second.free(answer.place)
        return answer if all(map(self._writer.known, answer.believed)) else None


def _put(waiting: _Put[J]) -> Stored[J]:
    """What a thread brought is put into the archive when its turn is."""
    return waiting()


def _announced(batches: _Batches[J]) -> _Batches[J]:
    """The same; the system fetches what lies in the next ones while those before are worked at."""
    waiting: deque[tuple[list[Job[J]], int]] = deque()
    for batch in batches:
        # To ask for each of many files takes a while, and for nothing where all are in memory.
        if not is_at_hand(batch[0][-1].place):
            for job in batch[0]:
                announce(job.place, job.size)
        waiting.append(batch)
        if len(waiting) > _ANNOUNCED:
            yield waiting.popleft()
    yield from waiting


def _batches(jobs: Iterable[Job[J]]) -> _Batches[J]:
    """Small files together, as many as a thread takes at once; large ones for themselves; and their bytes."""
    batch: list[Job[J]] = []
    held = 0
    for job in jobs:
        if batch and (len(batch) >= BATCH_FILES or held + job.size > BATCH_BYTES or job.size >= SMALL):
            yield batch, held
            batch, held = [], 0
        if job.size < SMALL:
            batch.append(job)
            held += job.size
        else:
            yield [job], job.size
    if batch:
        yield batch, held
