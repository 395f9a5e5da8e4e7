"""Brings a second archive up to date with what it lacks of the first. Nothing is deleted in either.

Both are one archive in two places: they have the same id. First go the bundles that hold what is needed, then
the manifests, so that a run that is cut off leaves whole snapshots, and the next one goes on from there.

What the second has let go stays let go there, and what only the first has let go stays whole in the second.

Sequence numbers are given by each place for itself. Where a device has taken snapshots into both places since
they were last the same, nothing tells any more in which order those were. That shows in numbers which occur
twice (see ``branches``), and then nothing is told about who is newer. Where no number does, those of that
device are not brought over, for an older save could pass for a newer one.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from typing import NamedTuple

import msgspec

from handhold import amounts
from handhold.archive.archive import Archive
from handhold.archive.branches import parted_at
from handhold.archive.copying import copy_bundle, copy_manifest, copy_plain
from handhold.archive.description import DESCRIPTION, GUIDE
from handhold.archive.head import Snapshot
from handhold.archive.index import bundle_files
from handhold.archive.parity.code import can_code
from handhold.archive.parity.keeping import begin_parity, keeps_parity
from handhold.archive.parity.shape import shape_for
from handhold.archive.parity.sheet import parity_size
from handhold.archive.reachable import Reachable
from handhold.archive.storage import Storage, is_temporary
from handhold.errors import Damaged, NotNow, OwnerError, WrongInput
from handhold.model import Kind

#: Left free at the second place, for the file system's own (bytes).
SPARE = 1 << 20
#: What a snapshot is known by in both places.
_Key = tuple[str, float, str]


class Lack(NamedTuple):
    """What the second archive lacks of the first. Pure: from the records of both.

    ``bring`` are the manifests to copy, in the order of their sequence numbers. ``apart`` are those of
    devices that went on in both places and whose numbers do not show it, ``let_go`` those that the second
    has let go, ``only_there`` those that the first lacks. ``both`` are the devices that went on in both.
    """

    bring: tuple[Snapshot, ...]
    apart: tuple[Snapshot, ...]
    both: tuple[str, ...]
    let_go: tuple[Snapshot, ...]
    only_there: tuple[Snapshot, ...]

    @property
    def diverged(self) -> bool:
        """Whether each has what the other lacks."""
        return bool(self.only_there and (self.bring or self.apart))


class Mirrored(msgspec.Struct):
    """What was done: the snapshots that are there now, files and bytes copied.

    ``held_back`` are snapshots that need what is hurt in the first archive; ``hurt`` are its files that are.
    """

    lack: Lack
    made: bool = False
    files: int = 0
    bytes: int = 0
    arrived: list[Snapshot] = []
    held_back: list[Snapshot] = []
    hurt: dict[str, str] = {}

    def upto(self, first: Archive) -> float | None:
        """The sequence number up to which the second has all that the first has; None if not one."""
        lacking = [one.sequence for one in (*self.held_back, *self.lack.apart)]
        below = min(lacking, default=float("inf"))
        return max((one.sequence for one in first.snapshots() if one.sequence < below), default=None)

    def adopted(self, first: Archive) -> tuple[str, ...]:
        """The names of the backups taken into the first that the second has."""
        lacks = {one.file for one in (*self.held_back, *self.lack.let_go)}
        return tuple(
            one.name for one in first.snapshots() if one.kind is Kind.ADOPTED and one.file not in lacks
        )


def lacking(
    here: Iterable[Snapshot],
    there: Iterable[Snapshot],
    hurt_here: Collection[str] = (),
    hurt_there: Collection[str] = (),
) -> Lack:
    """Compares the records of two archives with one id, each by sequence. Pure.

    A snapshot that one has and whose manifest is hurt in the other is no sign that they went on apart:
    ``hurt_here`` and ``hurt_there`` are the files of these.
    """
    mine, other = {_key(one): one for one in here}, {_key(one): one for one in there}
    new = [one for key, one in mine.items() if key not in other]
    only_there = [one for key, one in other.items() if key not in mine]
    gone = [one for key, one in mine.items() if not one.let_go and key in other and other[key].let_go]
    both = _going_on(new, hurt_there) & _going_on(only_there, hurt_here)
    first = parted_at([*mine.values(), *only_there])
    later = [one.sequence for one in (*new, *only_there) if one.kind is not Kind.ADOPTED]
    mixed = both if first is None or first > min(later, default=first) else frozenset()
    return Lack(
        tuple(one for one in new if one.device not in mixed or one.kind is Kind.ADOPTED),
        tuple(one for one in new if one.device in mixed and one.kind is not Kind.ADOPTED),
        tuple(sorted(both)),
        tuple(gone),
        tuple(only_there),
    )


def _going_on(snapshots: Iterable[Snapshot], hurt: Collection[str]) -> frozenset[str]:
    """The devices that took snapshots; what was adopted stands where its time puts it, in both places."""
    known = {_but_for_its_digest(file) for file in hurt}
    return frozenset(
        one.device
        for one in snapshots
        if one.kind is not Kind.ADOPTED and _but_for_its_digest(one.file) not in known
    )


def _but_for_its_digest(file: str) -> str:
    """Device and time: a manifest has them whether it is whole or tells of a snapshot that was let go."""
    return file.rsplit(".", 2)[0]


def _key(one: Snapshot) -> _Key:
    return one.device, one.sequence, one.name


def open_second(first: Archive, storage: Storage) -> Archive | None:
    """The archive at the second place, or None if an empty folder is there.

    Raises ``NotNow`` if nothing is there (card out?), ``WrongInput`` if it is another archive or none.
    """
    try:
        items = storage.list("")
    except FileNotFoundError:
        raise NotNow(
            f"There is no folder {storage.where}.",
            "Look whether the card is in. For a new second archive, make an empty folder there first.",
        ) from None
    except NotADirectoryError:
        raise WrongInput(f"This is a file and no folder: {storage.where}", "Name a folder.") from None
    names = {one.name for one in items if not one.name.startswith(".") and one.name != "lost+found"}
    if not {name for name in names if not is_temporary(name)} - {GUIDE}:
        return None
    second = Archive.open(storage)
    if second.id != first.id:
        raise WrongInput(
            f"{storage.where} is another archive, and no second one of this.",
            "Name an empty folder for a second archive. Two different ones are not mixed.",
        )
    return second


def mirror(first: Archive, storage: Storage, progress: Callable[[int, int], None] | None = None) -> Mirrored:
    """Does it; the caller holds the first. ``progress`` gets the bytes copied, and their total.

    Raises ``OwnerError`` where there is no room, or the second place cannot be written.
    """
    second = open_second(first, storage)
    made = second is None
    if second is None:
        with storage.hold("mirror"):
            copy_plain(first.storage, storage, GUIDE)
            copy_plain(first.storage, storage, DESCRIPTION)
            if keeps_parity(first.storage) and can_code():
                begin_parity(storage)
        second = Archive.open(storage)
    with second.locked("mirror"):
        with second.writer():
            pass  # takes away what was left by runs that were cut off
        result = Mirrored(_compared(first, second), made)
        _bring(first, second, result, progress)
    return result


def _compared(first: Archive, second: Archive) -> Lack:
    here, there = first.records(), second.records()
    return lacking(here, there, first.unreadable, second.unreadable)


def _bring(
    first: Archive, second: Archive, result: Mirrored, progress: Callable[[int, int], None] | None
) -> None:
    storage = second.storage
    result.hurt.update(dict.fromkeys(first.unreadable, "it cannot be read"))
    result.hurt.update({file: why.rstrip(".") for file, why in first.index.hurt.items()})
    bring = [
        *_put_aside(first, second, result.lack.bring),
        *_cut_off(first, second),
        *result.lack.bring,
    ]
    wanted, needy = _wanted(first, second, bring, result)
    sizes = bundle_files(first.storage)
    manifests = [one for one in bring if one.file not in needy]
    lengths = [sizes[file] for file in wanted] + [first.storage.size(one.file) for one in manifests]
    total = sum(lengths)
    parity = sum(parity_size(shape_for(length)) for length in lengths) if keeps_parity(storage) else 0
    if total and total + parity + SPARE > storage.free():
        raise OwnerError(
            f"{storage.where} has not enough room: {amounts.size(total + parity)} are to be written, and "
            f"{amounts.size(max(0, storage.free()))} are free.",
            "Make room there (handhold thin), or use a larger card.",
        )

    def arrived(size: int) -> None:
        result.files += 1
        result.bytes += size
        if progress:
            progress(result.bytes, total)

    broken: set[str] = set()
    for file in wanted:
        try:
            copy_bundle(first.storage, storage, file, sizes[file])
            second.protect(file, sizes[file])
            arrived(sizes[file])
        except ValueError as error:
            result.hurt[file] = str(error)
            broken.add(file)
    second.look_anew()
    for one in bring:
        if one.file in needy or (broken and not _arrived_whole(first, second, one)):
            result.held_back.append(one)
            continue
        try:
            copy_manifest(first.storage, storage, one.file)
        except ValueError as error:
            result.hurt[one.file] = str(error)
            result.held_back.append(one)
            continue
        second.protect(one.file, storage.size(one.file))
        arrived(first.storage.size(one.file))
        result.arrived.append(one)


def _cut_off(first: Archive, second: Archive) -> list[Snapshot]:
    """What the second has, and not in the length that it has here."""
    files = {one.file for one in second.records()}
    return [
        one
        for one in first.records()
        if one.file in files and first.storage.size(one.file) != second.storage.size(one.file)
    ]


def _put_aside(first: Archive, second: Archive, bring: Sequence[Snapshot]) -> list[Snapshot]:
    """What restores put aside that were let go since, and of which the second has only that, still whole."""
    files = {one.file for one in (*second.manifests(), *bring)}
    named = {
        first.read(one).safety for one in bring if one.let_go and one.kind is Kind.RESTORED
    } - files  # fmt: skip
    return [one for one in first.records() if one.file in named]


def _wanted(
    first: Archive, second: Archive, bring: Sequence[Snapshot], result: Mirrored
) -> tuple[list[str], set[str]]:
    """The bundles to copy, and the manifests (by file) of which it is not known what they need.

    Needed is what the snapshots need that come, and those that are whole in both places: what the second
    lost of those comes again.
    """
    let_go = {_key(one) for one in second.records() if one.let_go}
    coming = {one.file for one in bring}
    needed = Reachable(first)
    needy: set[str] = set()
    there = {_key(one) for one in second.records()}
    for one in first.records():
        if one.file in coming or (_key(one) in there and not one.let_go):
            try:
                needed.follow(one, content=_key(one) not in let_go)
            except NotNow:
                raise
            except Damaged as error:
                needy.add(one.file)
                result.hurt[one.file] = error.what.rstrip(".")
    wanted = [
        file
        for file, _, numbers in first.index.bundles()
        if any(
            needed.needed[number] and first.index.place(number).row.id not in second.index
            for number in numbers
        )
    ]
    return sorted(wanted), needy


def _arrived_whole(first: Archive, second: Archive, one: Snapshot) -> bool:
    """Whether all that a snapshot needs is in the second archive."""
    needed = Reachable(first)
    needed.follow(one)
    return all(
        first.index.place(number).row.id in second.index for number, mark in enumerate(needed.needed) if mark
    )
