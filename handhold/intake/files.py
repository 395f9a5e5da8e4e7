"""Reads files of a device, names and packs what is new of them, and puts it into an archive's store.

In steps, each of which one thread does for itself: it takes some small files, or goes on with a large one
where the last thread stopped and reads and cuts the next pieces; it hashes and compresses these; and puts
them when it is their turn.
"""

from __future__ import annotations

import hashlib
from collections.abc import Generator, Iterator, Mapping, Sequence
from typing import Generic, NamedTuple, TypeAlias, TypeVar

from handhold.archive import members, zipcut
from handhold.archive.blocks import Sealed, block_id, seal_all
from handhold.archive.cutting import SMALL, pieces, sparse_pieces
from handhold.archive.putting import Putting
from handhold.archive.zipcut import Gathering, Run, Span, beside_pieces
from handhold.archive.ziptree import Held, NoZip, ZipTree, parse
from handhold.device.reading import Grown, Moving, ends_early, read_whole
from handhold.device.source import Refused, Source
from handhold.intake.jobs import MOVING, Content, Job, Unread, unread

#: How often a file that changes while it is read is read again.
TRIES = 4
#: A thread takes so many bytes of a large file at a time, for changing over costs as much as a piece takes.
BATCH_PIECES = 2 << 20
#: What a task takes for itself, beside what it reads (bytes).
ALONE = 256 << 10

J = TypeVar("J")


class Files:
    """Reads files and has what is new of them put into ``store``."""

    def __init__(self, store: Putting) -> None:
        self._into = store
        self._last = b"", block_id(b"")  # the last piece and its name

    def take(self, jobs: Sequence[Job[J]]) -> Stored[J]:
        """Reads small files, or a large one, and puts them at once: all steps, one after the other."""
        if len(jobs) > 1 or jobs[0].size < SMALL:
            return self.store(self.read_batch(jobs))
        read = 0
        for cut in self.large(jobs[0]):
            stored = self.store(self.seal(cut))
            read += stored.size
        return stored._replace(size=read)

    def store(self, step: Step[J]) -> Stored[J]:
        """Puts what was read and packed into the archive."""
        if isinstance(step, _Batch):
            return self._store_batch(step)
        content = self._store_large(step)
        outcomes = [] if content is None else [(step.job.about, content)]
        return Stored(outcomes, len(outcomes), step.read)

    def _store_batch(self, batch: _Batch[J]) -> Stored[J]:
        self._into.put_all(batch.fresh, batch.moment)
        outcomes: list[tuple[J, Content | Unread]] = []
        size = 0
        for job, small in batch.read:
            if small is None:  # it has grown since it was seen
                for cut in self.large(job):
                    step = self.seal(cut)
                    size += step.read
                    if (content := self._store_large(step)) is not None:
                        outcomes.append((job.about, content))
                continue
            if isinstance(small, _Zip):
                small = self._put_zip(small)
            if isinstance(small, Content):
                size += small.size
            outcomes.append((job.about, small))
        return Stored(outcomes, len(outcomes), size)

    def read_batch(self, jobs: Sequence[Job[J]]) -> _Batch[J]:
        """Small files: first all are read, then all are named, and what is new of them is packed."""
        moment = self._into.moment
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
                zipped = zipcut.cut_small(data, self._into.known, self._into.level)
            read.append((job, content if zipped is None else _Zip(content, zipped)))
            if data and (zipped is None or not zipped.ranges) and not self._into.known(ident):
                fresh[ident] = data
        return _Batch(read, self._seal(fresh), moment)

    def _put_zip(self, file: _Zip) -> Content:
        for block in file.zipped.fresh:
            self._into.put(block)
        ranges, listing, odd = file.zipped.ranges, file.zipped.listing, file.zipped.odd
        recipe = self._into.put_recipe(ranges) if ranges else None
        listed = self._into.put_list(listing) if listing else None
        return file.content._replace(recipe=recipe, members=listed, odd=odd)

    def large(self, job: Job[J]) -> Iterator[Cut[J] | Whole[J]]:
        """A large file, cut; where it does not hold still, also pieces of readings that count for nothing."""
        outcome: Still | Unread = MOVING
        for _ in range(TRIES):
            try:
                outcome = yield from self._cut(job)
                break
            except Moving:
                continue
            except Refused as refused:
                outcome = unread(refused.error)
                break
        yield Whole(job, outcome)

    def _cut(self, job: Job[J]) -> Generator[Cut[J], None, Still]:
        parts = Parts(hashlib.sha256(), Gathering(), [])
        early = hashlib.sha256()  # of the whole as well, where it is asked for before the last piece is put
        run: list[bytes] = []  # what was read since the last pieces were handed over
        batch: list[Piece] = []
        size = held = 0

        def hand_over() -> Cut[J]:
            nonlocal batch, held, size, run
            size += sum(map(len, run))
            if not file.settled:
                for piece in run:
                    early.update(piece)
            cut = Cut(job, parts, run, batch, held)
            run, batch, held = [], [], 0
            return cut

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
                    batch.append(Piece(number, piece, span.member if length == span.length else None))
                    held += length
                    if held >= BATCH_PIECES:
                        yield hand_over()
            if run:
                yield hand_over()
            file.check(early.digest())
            if size != file.size:
                raise Refused(ends_early(job.place))
        return Still(parts, size, file.modified, tree)

    def _store_large(self, step: Sealing[J] | Whole[J]) -> Content | Unread | None:
        """Puts pieces; what the file held, when it is through."""
        if isinstance(step, Whole):
            return step.outcome if isinstance(step.outcome, Unread) else self._put_large(step.outcome)
        self._into.put_all(step.fresh, step.moment)
        step.parts.odd.extend(step.odd)
        # Here, and not where it is cut: nobody has to wait for a thread that is at this.
        for piece in step.run:
            step.parts.whole.update(piece)
        return None

    def _put_large(self, file: Still) -> Content:
        whole, gathered, odd = file.parts
        blocks, ranges = gathered.finish()
        for block in blocks:
            self._into.put_plain(block)
        recipe = self._into.put_recipe(ranges) if len(ranges) > 1 else None
        listed = None
        if file.tree is not None and file.tree.members:
            try:
                listed = self._into.put_list(members.encode(members.members_of(file.tree)))
            except ValueError as trouble:
                odd.append(str(trouble))
        return Content(whole.hexdigest(), file.size, file.modified, recipe, listed, zipcut.few(odd))

    def seal(self, cut: Cut[J] | Whole[J]) -> Sealing[J] | Whole[J]:
        """Pieces: first all are named, then what is new of them is packed."""
        if isinstance(cut, Whole):
            return cut
        job, parts, run, batch, _ = cut
        moment = self._into.moment
        odd: list[str] = []
        idents = [self._name(piece.plain) for piece in batch]
        fresh: dict[bytes, bytes] = {}
        for (number, piece, held), ident in zip(batch, idents, strict=True):
            parts.gathered.named(number, ident)
            if not self._into.known(ident):
                fresh[ident] = piece
                if held is not None:
                    odd.append(zipcut.trouble_in(held, piece))
        return Sealing(job, parts, run, self._seal(fresh), moment, odd)

    def _seal(self, fresh: Mapping[bytes, bytes | memoryview]) -> list[Sealed]:
        return seal_all([*fresh.values()], self._into.level, [*fresh])

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


class Piece(NamedTuple):
    """A piece of a large file that is a block of its own."""

    number: int  # of the pieces of its file
    plain: bytes
    held: Held | None  # what a zip says of it, if it is a whole member


class _Batch(NamedTuple, Generic[J]):
    """Small files that were read; None for one that is a large one by now."""

    read: list[tuple[Job[J], Content | _Zip | Unread | None]]
    fresh: list[Sealed]
    moment: int  # see ``Writer.put_all``


class Parts(NamedTuple):
    """What is known of one reading of a large file, as far as its pieces were put."""

    whole: hashlib._Hash
    gathered: Gathering
    odd: list[str]  # what is wrong with it as a zip


class Cut(NamedTuple, Generic[J]):
    """The next pieces of a large file: they are cut out of ``run``, which has also what lies between them."""

    job: Job[J]
    parts: Parts
    run: list[bytes]
    pieces: list[Piece]
    held: int  # bytes, in these


class Sealing(NamedTuple, Generic[J]):
    """The same, named and packed."""

    job: Job[J]
    parts: Parts
    run: list[bytes]
    fresh: list[Sealed]
    moment: int
    odd: list[str]  # what is wrong with these

    @property
    def read(self) -> int:
        """The number of bytes that were read for it."""
        return sum(map(len, self.run))


class Still(NamedTuple):
    """A large file that was read to its end, and held still."""

    parts: Parts
    size: int
    modified: int
    tree: ZipTree | None


class Whole(NamedTuple, Generic[J]):
    """A large file is through; its pieces came before."""

    job: Job[J]
    outcome: Still | Unread
    read: int = 0


class Stored(NamedTuple, Generic[J]):
    """What came of files that are through; so many ``files``, and bytes (``size``) that were read."""

    outcomes: list[tuple[J, Content | Unread]]
    files: int
    size: int


Step: TypeAlias = _Batch[J] | Sealing[J] | Whole[J]
