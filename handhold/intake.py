"""Reads files of a device into an archive: many small ones at a time, a large one in pieces.

A few threads do it (the libraries let go of the interpreter lock). A thread takes some small files, or goes
on with a large one where the last thread stopped: it reads and cuts the next pieces, lets the next thread go
on, hashes and compresses these, and appends them to the archive when it is their turn. So a piece stays near
one processor. What was read is bounded, so memory does not grow with the size or the number of the files.
All is put in the order of the jobs, so the same files always give the same bundles.
"""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Callable, Generator, Iterable, Iterator
from functools import partial
from typing import Any, Generic, NamedTuple, TypeAlias, TypeVar

from handhold.ahead import Ahead, Task
from handhold.archive import members, zipcut
from handhold.archive.blocks import Sealed, block_id, seal_all
from handhold.archive.cutting import SMALL, pieces, sparse_pieces
from handhold.archive.writer import Writer
from handhold.archive.zipcut import Gathering, Run, Span, beside_pieces
from handhold.archive.ziptree import Held, NoZip, ZipTree, parse
from handhold.device.reading import Grown, Moving, ends_early, read_whole
from handhold.device.source import Refused, Source
from handhold.device.trouble import why_unreadable

#: How often a file that changes while it is read is read again.
TRIES = 4
#: Small files go to a thread in batches of so many files or bytes.
BATCH_FILES, BATCH_BYTES = 64, 4 << 20
#: A thread takes so many bytes of a large file at a time, for changing over costs as much as a piece takes.
BATCH_PIECES = 1 << 20
#: So many bytes may be read and not yet written, of which a batch takes some for itself.
WAITING, _ALONE = 16 << 20, 256 << 10

J = TypeVar("J")


class Job(NamedTuple, Generic[J]):
    """A file to read; ``about`` is the caller's own and comes back with the result."""

    place: str  # absolute path as the operating system writes it
    size: int  # bytes, as far as is known
    about: J
    open: bool = False  # a zip is cut at its members, and they are listed


class Content(NamedTuple):
    """What a file held when it was read."""

    sha256: str
    size: int
    modified: int  # nanoseconds
    recipe: str | None
    members: str | None = None  # the list of what lies in it
    odd: tuple[str, ...] = ()  # what is wrong with it as a zip, in words that fit behind a colon


class Unread(NamedTuple):
    """Why a file could not be read, in the owner's words."""

    why: str
    advice: str | None = None


class Intake:
    """Takes files into an archive through one writer.

    Needs ``with``, which ends the threads. ``read`` may be called several times, one after the other.
    """

    def __init__(self, writer: Writer, *, level: int = 3, threads: int | None = None) -> None:
        self._writer = writer
        self._level = level
        self._threads = threads or min(4, os.cpu_count() or 1)
        self._ahead: Ahead[Any, Any] | None = None
        self._last = b"", block_id(b"")  # the last piece and its name

    def __enter__(self) -> Intake:
        return self

    def __exit__(self, *_: object) -> None:
        if self._ahead is not None:
            self._ahead.close()
            self._ahead = None  # it knows this one as well: what both know would stay open for a while

    def read(
        self, jobs: Iterable[Job[J]], progress: Callable[[int, int], None] | None = None
    ) -> Iterator[tuple[J, Content | Unread]]:
        """Reads each file and yields what it held, or why it could not be read, in the order of the jobs.

        The jobs are asked for in other threads, one at a time. ``progress`` is told the number of files and
        bytes that were read since the last call. An error that concerns the archive rather than the file read
        is raised.
        """
        tasks: Iterator[Task[_Step[J]]] = self._tasks(jobs)
        store: Callable[[_Step[J]], _Stored[J]] = self._store
        with Ahead(tasks, store, most=WAITING, threads=self._threads) as stored:
            self._ahead = stored
            for outcomes, files, size in stored:
                if progress:
                    progress(files, size)
                yield from outcomes

    def _tasks(self, jobs: Iterable[Job[J]]) -> Iterator[Task[_Step[J]]]:
        batch: list[Job[J]] = []
        held = 0
        for job in jobs:
            if job.size < SMALL:
                batch.append(job)
                held += job.size
                if len(batch) < BATCH_FILES and held < BATCH_BYTES:
                    continue
            if batch:
                yield Task(partial(self._read_batch, batch), _ALONE + held)
                batch, held = [], 0
            if job.size >= SMALL:
                yield from self._large(job)
        if batch:
            yield Task(partial(self._read_batch, batch), _ALONE + held)

    def _store(self, step: _Step[J]) -> _Stored[J]:
        """Puts what was read and packed into the archive."""
        if isinstance(step, _Batch):
            return self._store_batch(step)
        content = self._store_large(step)
        outcomes = [] if content is None else [(step.job.about, content)]
        return _Stored(outcomes, len(outcomes), step.read)

    def _store_batch(self, batch: _Batch[J]) -> _Stored[J]:
        self._writer.put_all(batch.fresh, batch.moment)
        outcomes: list[tuple[J, Content | Unread]] = []
        size = 0
        for job, small in batch.read:
            if small is None:  # it has grown since it was seen
                for task in self._large(job):
                    step = task.work()
                    size += step.read
                    if (content := self._store_large(step)) is not None:
                        outcomes.append((job.about, content))
                continue
            if isinstance(small, _Zip):
                small = self._put_zip(small)
            if isinstance(small, Content):
                size += small.size
            outcomes.append((job.about, small))
        return _Stored(outcomes, len(outcomes), size)

    def _read_batch(self, jobs: list[Job[J]]) -> _Batch[J]:
        """Small files: first all are read, then all are named, and what is new of them is packed."""
        moment = self._writer.moment
        found = [_read_small(job.place) for job in jobs]
        idents = [b"" if one is None or isinstance(one, Unread) else block_id(one[0]) for one in found]
        read: list[tuple[Job[J], Content | _Zip | Unread | None]] = []
        fresh: dict[bytes, bytes] = {}
        for job, one, ident in zip(jobs, found, idents, strict=True):
            if one is None or isinstance(one, Unread):
                read.append((job, one))
                continue
            data, modified = one
            content = Content(ident.hex(), len(data), modified, None)
            zipped = None
            if job.open and zipcut.may_be_zip(job.place, data):
                zipped = zipcut.cut_small(data, self._writer.known, self._level)
            read.append((job, content if zipped is None else _Zip(content, zipped)))
            if data and (zipped is None or not zipped.ranges) and not self._writer.known(ident):
                fresh[ident] = data
        return _Batch(read, self._seal(fresh), moment)

    def _put_zip(self, file: _Zip) -> Content:
        for block in file.zipped.fresh:
            self._writer.put(block)
        ranges, listing, odd = file.zipped.ranges, file.zipped.listing, file.zipped.odd
        recipe = self._writer.put_recipe(ranges) if ranges else None
        listed = self._writer.put_list(listing) if listing else None
        return file.content._replace(recipe=recipe, members=listed, odd=odd)

    def _large(self, job: Job[J]) -> Iterator[Task[_Pieces[J] | _Whole[J]]]:
        """A large file; where it does not hold still, also pieces of readings that count for nothing."""
        outcome: _Still | Unread = MOVING
        for _ in range(TRIES):
            try:
                outcome = yield from self._cut(job)
                break
            except Moving:
                continue
            except Refused as refused:
                outcome = unread(refused.error)
                break
        yield Task(partial(_Whole, job, outcome), _ALONE)

    def _cut(self, job: Job[J]) -> Generator[Task[_Pieces[J] | _Whole[J]], None, _Still]:
        parts = _Parts(hashlib.sha256(), Gathering(), [])
        early = hashlib.sha256()  # of the whole as well, where it is asked for before the last piece is put
        run: list[bytes] = []  # what was read since the last pieces were handed over
        batch: list[_Cut] = []
        size = held = 0

        def hand_over() -> Task[_Pieces[J] | _Whole[J]]:
            nonlocal batch, held, size, run
            size += sum(map(len, run))
            if not file.settled:
                for piece in run:
                    early.update(piece)
            work = partial(self._seal_pieces, job, parts, run, batch)
            task: Task[_Pieces[J] | _Whole[J]] = Task(work, _ALONE + held)
            run, batch, held = [], [], 0
            return task

        with Source(job.place) as file:
            tree, spans = _spans(job, file, parts.odd)
            for span in spans:
                for piece in _pieces(file, span, spans):
                    run.append(piece)
                    length = len(piece)
                    if span.beside:
                        parts.gathered.between(piece)
                        continue
                    number = parts.gathered.piece(length)
                    batch.append(_Cut(number, piece, span.member if length == span.length else None))
                    held += length
                    if held >= BATCH_PIECES:
                        yield hand_over()
            if run:
                yield hand_over()
            file.check(early.digest())
            if size != file.size:
                raise Refused(ends_early(job.place))
        return _Still(parts, size, file.modified, tree)

    def _store_large(self, step: _Pieces[J] | _Whole[J]) -> Content | Unread | None:
        """Puts pieces; what the file held, when it is through."""
        if isinstance(step, _Whole):
            return step.outcome if isinstance(step.outcome, Unread) else self._put_large(step.outcome)
        self._writer.put_all(step.fresh, step.moment)
        step.parts.odd.extend(step.odd)
        # Here, and not where it is cut: nobody has to wait for a thread that is at this.
        for piece in step.run:
            step.parts.whole.update(piece)
        return None

    def _put_large(self, file: _Still) -> Content:
        whole, gathered, odd = file.parts
        blocks, ranges = gathered.finish()
        for block in blocks:
            self._writer.put_plain(block)
        recipe = self._writer.put_recipe(ranges) if len(ranges) > 1 else None
        listed = None
        if file.tree is not None and file.tree.members:
            try:
                listed = self._writer.put_list(members.encode(members.members_of(file.tree)))
            except ValueError as trouble:
                odd.append(str(trouble))
        return Content(whole.hexdigest(), file.size, file.modified, recipe, listed, zipcut.few(odd))

    def _seal_pieces(self, job: Job[J], parts: _Parts, run: list[bytes], batch: list[_Cut]) -> _Pieces[J]:
        """Pieces: first all are named, then what is new of them is packed."""
        moment = self._writer.moment
        odd: list[str] = []
        idents = [self._name(cut.piece) for cut in batch]
        fresh: dict[bytes, bytes] = {}
        for (number, piece, held), ident in zip(batch, idents, strict=True):
            parts.gathered.named(number, ident)
            if not self._writer.known(ident):
                fresh[ident] = piece
                if held is not None:
                    odd.append(zipcut.trouble_in(held, piece))
        return _Pieces(job, parts, run, self._seal(fresh), moment, odd)

    def _seal(self, fresh: dict[bytes, bytes]) -> list[Sealed]:
        return seal_all([*fresh.values()], self._level, [*fresh])

    def _name(self, piece: bytes) -> bytes:
        before, identity = self._last
        if before is not piece:  # in holes it is one and the same
            identity = block_id(piece)
            self._last = piece, identity
        return identity


def _read_small(place: str) -> tuple[bytes, int] | Unread | None:
    """What a small file held, and its time; None if it is a large one by now."""
    try:
        return read_whole(place, most=SMALL)
    except Grown:
        return None
    except Moving:
        return MOVING
    except OSError as error:
        return unread(error)


def _spans(job: Job[J], file: Source, odd: list[str]) -> tuple[ZipTree | None, list[Span]]:
    """How a large file is cut: as one, or as the zip that it is; what is odd about the zip is added."""
    try:
        if job.open and zipcut.may_be_zip(job.place, file.read_at(0, 4)):
            tree = parse(file.read_at, file.size)
            return tree, zipcut.spans(tree, file.size)
    except NoZip as trouble:
        odd.append(str(trouble))
    return None, [Span(0, file.size)]


def _pieces(file: Source, span: Span, spans: list[Span]) -> Iterator[bytes]:
    if spans == [Span(0, file.size)]:
        return sparse_pieces(file, file.size, file.holes())
    run = Run(file, span.length)
    return beside_pieces(run) if span.beside else pieces(run, span.length)


class _Zip(NamedTuple):
    """A small file that is a zip, taken apart."""

    content: Content
    zipped: zipcut.SmallZip


class _Cut(NamedTuple):
    number: int  # of the pieces of its file
    piece: bytes
    held: Held | None  # what a zip says of it, if it is a whole member


class _Batch(NamedTuple, Generic[J]):
    """Small files that were read; None for one that is a large one by now."""

    read: list[tuple[Job[J], Content | _Zip | Unread | None]]
    fresh: list[Sealed]
    moment: int  # see ``Writer.put_all``


class _Parts(NamedTuple):
    """What is known of one reading of a large file, as far as its pieces were put."""

    whole: hashlib._Hash
    gathered: Gathering
    odd: list[str]  # what is wrong with it as a zip


class _Pieces(NamedTuple, Generic[J]):
    """The next pieces of a large file: they are cut out of ``run``, which has also what lies between them."""

    job: Job[J]
    parts: _Parts
    run: list[bytes]
    fresh: list[Sealed]
    moment: int
    odd: list[str]  # what is wrong with these

    @property
    def read(self) -> int:
        """The number of bytes that were read for it."""
        return sum(map(len, self.run))


class _Still(NamedTuple):
    """A large file that was read to its end, and held still."""

    parts: _Parts
    size: int
    modified: int
    tree: ZipTree | None


class _Whole(NamedTuple, Generic[J]):
    """A large file is through; its pieces came before."""

    job: Job[J]
    outcome: _Still | Unread
    read: int = 0


class _Stored(NamedTuple, Generic[J]):
    """What came of files that are through; so many ``files``, and bytes (``size``) that were read."""

    outcomes: list[tuple[J, Content | Unread]]
    files: int
    size: int


_Step: TypeAlias = _Batch[J] | _Pieces[J] | _Whole[J]


MOVING = Unread(
    "it kept changing while it was read",
    "Close the emulator that writes it, then take the snapshot again.",
)


def unread(error: OSError) -> Unread:
    """An error of the operating system in words that help a player."""
    return Unread(why_unreadable(error), _ADVICE.get(error.errno or 0))


_ADVICE = {
    errno.EACCES: "Run handhold as a user who may read it.",
    errno.EPERM: "Run handhold as a user who may read it.",
    errno.EIO: "Copy what you can from that card and replace it.",
}
