"""How a zip is cut: each member's stored bytes for themselves, and all that stands between them together.

A writer that stamps every member anew changes only headers and directory. They are gathered, and the recipe
takes them from there in ranges, so that a nightly export costs what changed in it.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from handhold.archive import members, recipe
from handhold.archive.blocks import Sealed, block_id, seal
from handhold.archive.cutting import SMALL, SupportsRead, pieces
from handhold.archive.recipe import Range
from handhold.archive.unpacking import DEFLATED, STORED, Hurt, unpacked
from handhold.archive.ziptree import Held, NoZip, ZipTree, is_zip_start, parse

#: Members with fewer stored bytes go with what stands between: naming a block of their own costs as much.
OWN = 128
#: Smaller zips are one block: a recipe would cost more than it saves.
CUT_FROM = 16 << 10
#: What stands between the members is held in memory until the end (bytes).
MOST_BETWEEN = 64 << 20
#: Larger members are not unpacked only to look whether they are sound (bytes).
MOST_CHECKED = 64 << 20
MOST_TOLD = 10


class Span(NamedTuple):
    """A run of the file: the stored bytes of a member, or what stands between members."""

    start: int
    length: int
    member: Held | None = None
    beside: bool = False  # between members


def spans(tree: ZipTree, size: int) -> list[Span]:
    """The whole file of ``size`` bytes in runs, one behind the other. Raises ``NoZip`` if it is not worth it.

    >>> spans(ZipTree((), b"", 0, 0, b""), 22)
    [Span(start=0, length=22, member=None, beside=True)]
    """
    found: list[Span] = []
    done = between = 0
    for held in tree.in_file_order():
        if held.stored < OWN:
            continue
        if held.data > done:
            found.append(Span(done, held.data - done, beside=True))
            between += held.data - done
        found.append(Span(held.data, held.stored, held))
        done = held.data + held.stored
    if size > done:
        found.append(Span(done, size - done, beside=True))
        between += size - done
    if between > MOST_BETWEEN:
        raise NoZip("there is far more between its members than in them")
    if len(found) > recipe.MOST // 2:
        raise NoZip("it has too many members")
    return found


class Run:
    """The next ``length`` bytes of a stream, as a stream."""

    def __init__(self, stream: SupportsRead, length: int) -> None:
        self._stream = stream
        self._left = length

    def read(self, size: int = -1, /) -> bytes:
        """Up to ``size`` bytes."""
        wanted = self._left if size < 0 else min(size, self._left)
        data = self._stream.read(wanted) if wanted else b""
        self._left -= len(data)
        return data


def beside_pieces(run: Run) -> Iterator[bytes]:
    """What stands between members, in runs as large as memory likes."""
    while piece := run.read(SMALL):
        yield piece


def may_be_zip(name: str, head: bytes) -> bool:
    """Whether a file is worth a look: it begins as a zip, or is called one."""
    return is_zip_start(head) or name[-4:].lower() == ".zip"


class SmallZip(NamedTuple):
    """A zip in memory, taken apart; no ranges where it is kept as one block."""

    fresh: tuple[Sealed, ...]
    ranges: tuple[Range, ...]
    listing: bytes
    odd: tuple[str, ...]


def cut_small(data: bytes, known: Callable[[bytes], bool], level: int) -> SmallZip:
    """Takes a zip apart that is whole in memory. Never raises: what is odd about it is said."""
    try:
        tree = parse(lambda at, size: data[at : at + size], len(data))
        listing = members.encode(members.members_of(tree))
        runs = spans(tree, len(data)) if len(data) >= CUT_FROM else []
    except ValueError as error:
        return SmallZip((), (), b"", (str(error),))
    odd: list[str] = []
    fresh: dict[bytes, Sealed] = {}
    gathered = Gathering()

    def block(plain: bytes, held: Held | None) -> bytes:
        ident = block_id(plain)
        if ident not in fresh and not known(ident):
            fresh[ident] = seal(plain, level, ident)
            if held is not None:
                odd.append(trouble_in(held, plain))
        return ident

    for run in runs:
        stored = data[run.start : run.start + run.length]
        if run.beside:
            gathered.between(stored)
        else:
            gathered.named(gathered.piece(run.length), block(stored, run.member))
    blocks, ranges = gathered.finish()
    if len(ranges) < 2:
        looked_at = () if known(block_id(data)) else tree.members
        odd = [trouble_in(held, data[held.data : held.data + held.stored]) for held in looked_at]
        return SmallZip((), (), listing, few(odd))
    for plain in blocks:
        block(plain, None)
    return SmallZip(tuple(fresh.values()), tuple(ranges), listing, few(odd))


def trouble_in(held: Held, stored: bytes) -> str:
    """What is wrong with a member's content, or nothing; only for members that are quickly unpacked."""
    if held.encrypted or held.method not in (STORED, DEFLATED) or held.size > MOST_CHECKED:
        return ""
    try:
        for _ in unpacked([stored], held.method, held.size, held.crc):
            pass
    except Hurt as hurt:
        return f'its member "{members.name_of(held)}" {hurt}'
    return ""


def few(odd: Iterable[str]) -> tuple[str, ...]:
    """The first of many things that are wrong, and how many more there are; empty ones do not count."""
    told = [one for one in odd if one]
    more = [f"and {len(told) - MOST_TOLD:,} more of its members"] if len(told) > MOST_TOLD else []
    return (*told[:MOST_TOLD], *more)


class Gathering:
    """Collects the ranges of one file, in the file's order."""

    def __init__(self) -> None:
        self._between = bytearray()
        self._rows: list[
            tuple[bytes, int, int]
        ] = []  # (id, or empty: from what stands between; offset; length)

    def between(self, data: bytes) -> None:
        """The next bytes of the file stand between members."""
        if data:
            self._rows.append((b"", len(self._between), len(data)))
            self._between += data

    def piece(self, length: int) -> int:
        """The next bytes of the file are a block whose name is not known yet; its number for ``named``."""
        self._rows.append((b"", -1, length))
        return len(self._rows) - 1

    def named(self, number: int, ident: bytes) -> None:
        """The name of that block."""
        self._rows[number] = (ident, 0, self._rows[number][2])

    def finish(self) -> tuple[list[bytes], list[Range]]:
        """The blocks that hold what stands between, and the ranges of the whole file."""
        blocks = list(pieces(io.BytesIO(self._between), len(self._between)))
        return blocks, list(self._ranges(blocks))

    def _ranges(self, blocks: list[bytes]) -> Iterator[Range]:
        names = [block_id(block) for block in blocks]
        at = begin = 0  # the block that holds what is next between members, and where it begins
        for ident, offset, length in self._rows:
            if ident:
                yield Range(ident, offset, length)
                continue
            while length:
                while offset >= begin + len(blocks[at]):
                    begin += len(blocks[at])
                    at += 1
                taken = min(length, begin + len(blocks[at]) - offset)
                yield Range(names[at], offset - begin, taken)
                offset += taken
                length -= taken
