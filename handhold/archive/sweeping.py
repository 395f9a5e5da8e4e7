"""Gives back the room that nothing needs any more: bundles that are dead, mostly dead, or small.

What is needed of a bundle is copied into a new one in its stored form, and read back from there, before the
old one is deleted; a run that is cut off leaves a block twice and never none. A bundle in which something
that is needed cannot be read stays as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NamedTuple

import msgspec

from handhold import amounts
from handhold.archive.archive import Archive
from handhold.archive.blocks import Sealed, unseal
from handhold.archive.bundle import (
    END_SIZE,
    FULL,
    FULL_RECORDS,
    HEADER_SIZE,
    MAGIC,
    ROW,
    BundleWriter,
    Row,
    read_table,
    rows,
)
from handhold.archive.reachable import Reachable
from handhold.errors import Damaged, OwnerError

#: A bundle is written anew when no more than this share of it is needed.
WORTH = 0.5
#: Smaller bundles (bytes) are gathered when there are so many of them.
SMALL, MANY = 4 << 20, 8
#: Left free on a card, for the file system's own (bytes).
SPARE = 1 << 20
_AROUND = len(MAGIC) + END_SIZE
_EACH = HEADER_SIZE + ROW.size


class Victim(NamedTuple):
    """A bundle that goes: its size, and the records that are needed, with what they take in a new one."""

    file: str
    size: int
    needed: tuple[Row, ...]

    @property
    def room(self) -> int:
        """The bytes that what is needed takes in a new bundle."""
        return sum(_EACH + row.stored for row in self.needed)

    @property
    def gain(self) -> int:
        """The bytes that come back if it is written anew alone."""
        return self.size - self.room - _AROUND


class Swept(msgspec.Struct):
    """What was done, in bytes and in words."""

    freed: int = 0
    hurt: list[str] = []
    told: list[str] = []


class Sweep(msgspec.Struct, frozen=True):
    """The bundles that go, and how many bytes come back."""

    dead: tuple[Victim, ...] = ()
    rewritten: tuple[Victim, ...] = ()

    @property
    def freed(self) -> int:
        """Bytes that come back when all is done."""
        size = sum(one.size for one in (*self.dead, *self.rewritten))
        room = sum(one.room for one in self.rewritten)
        return max(0, size - room - (_AROUND if room else 0))

    def do(self, archive: Archive, swept: Swept, progress: Callable[[int, int], None] | None = None) -> None:
        """Does it, under the archive's lock; ``progress`` gets the bytes done, and their total.

        Raises ``OwnerError`` where the archive cannot be written; what was done until then is in ``swept``.
        """
        total = sum(one.size for one in (*self.dead, *self.rewritten))
        done = 0

        def gone(victims: Iterable[Victim]) -> None:
            nonlocal done
            for one in victims:
                archive.delete(one.file)
                swept.freed += one.size
                done += one.size
                if progress:
                    progress(done, total)

        gone(self.dead)
        waiting = sorted(self.rewritten, key=lambda one: one.room)
        while waiting:
            room = (archive.storage.free() - SPARE - _AROUND) * 10 // 11  # the rest is for its parity
            batch = _batch(waiting, min(room, FULL))
            if not batch:
                lacking = waiting[0].room * 11 // 10 + SPARE + _AROUND
                swept.told.append(
                    f"{amounts.size(sum(one.size - one.room for one in waiting))} more would come back if "
                    f"{amounts.size(lacking)} were free for a while."
                )
                return
            waiting = waiting[len(batch) :]
            if len(batch) == 1 and not batch[0].gain:
                continue
            written, hurt = _gather(archive, batch)
            if written.file:
                archive.protect(written.file, written.size)
            swept.freed -= written.size
            swept.hurt += hurt
            for file in hurt:
                swept.told.append(
                    f"{file} is hurt and was left as it is; handhold verify says what it concerns."
                )
            gone(one for one in batch if one.file not in hurt and one.file != written.file)


def survey(archive: Archive, needed: Reachable) -> Sweep:
    """What becomes of each bundle, by what is needed. Of several copies of a block one sound one is."""
    marks = bytearray(needed.needed)
    sizes = {file: size for file, size, _ in archive.index.bundles()}
    for numbers in needed.copies.values():
        places = {number: archive.index.place(number) for number in numbers}
        by_size = sorted(numbers, key=lambda number: (-sizes[places[number].file], places[number].file))
        sound = next((n for n in by_size if _sealed(archive, places[n].file, places[n].row)), None)
        if sound is not None:
            for number in numbers:
                marks[number] = number == sound
    return decide(
        (
            file,
            size,
            tuple(archive.index.place(number).row for number in numbers if marks[number]),
        )
        for file, size, numbers in archive.index.bundles()
    )


def decide(bundles: Iterable[tuple[str, int, tuple[Row, ...]]]) -> Sweep:
    """Which bundles go, by their size and the records in them that are needed. Pure."""
    dead, rewritten, small = [], [], []
    for one in (Victim(*bundle) for bundle in bundles):
        if not one.needed:
            dead.append(one)
        elif one.room <= WORTH * (one.size - _AROUND):
            rewritten.append(one)
        elif one.size < SMALL:
            small.append(one)
    if len(small) + len(rewritten) >= MANY:
        rewritten += small
    return Sweep(tuple(dead), tuple(rewritten))


class _Written(NamedTuple):
    file: str
    size: int


def _batch(waiting: list[Victim], room: int) -> list[Victim]:
    """The first ones that fit into one new bundle; a large one alone, if there is room for it."""
    batch: list[Victim] = []
    taken = records = 0
    for one in waiting:
        taken += one.room
        records += len(one.needed)
        if batch and (taken > min(room, FULL) or records > FULL_RECORDS):
            break
        if taken > room:
            break
        batch.append(one)
    return batch


def _gather(archive: Archive, batch: list[Victim]) -> tuple[_Written, set[str]]:
    """Copies what is needed into one new bundle and reads it back.

    Gives the new bundle, and the old ones in which something cannot be read, so that they stay.
    """
    storage = archive.storage
    new = BundleWriter(storage)
    hurt: set[str] = set()
    put: set[bytes] = set()
    try:
        for one in batch:
            sealed = []
            for row in one.needed:
                block = _sealed(archive, one.file, row)
                if block is None:
                    hurt.add(one.file)
                    break
                sealed.append(block)
            else:
                for block in sealed:
                    if block.id not in put:
                        put.add(block.id)
                        new.add(block)
        if not put:
            return _Written("", 0), hurt
        file, table = new.close()
    finally:
        new.abandon()
    archive.protect(file, new.size)
    if read_table(storage, file, new.size) != table or not all(
        _sealed(archive, file, row) for row in rows(table)
    ):
        raise OwnerError(
            f"{file} was just written and does not read back, so nothing that it replaces was deleted.",
            "The card may be failing: copy the archive to another one soon.",
        )
    return _Written(file, new.size), hurt


def _sealed(archive: Archive, file: str, row: Row) -> Sealed | None:
    """A record in its stored form, after every check; None if it is hurt."""
    try:
        stored = archive.storage.read(file, row.offset + HEADER_SIZE, row.stored)
        block = Sealed(row.id, row.codec, stored, row.plain, row.check)
        unseal(block)
    except ValueError:
        return None
    except Damaged:
        return None
    return block
