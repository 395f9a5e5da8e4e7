"""What an export writes: files with their place in it, and content that is checked before it is believed."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator
from datetime import tzinfo
from typing import NamedTuple

from handhold.archive.archive import Archive
from handhold.archive.slices import Slices
from handhold.errors import Damaged, OwnerError
from handhold.model import Entry
from handhold.restore.inside import Inner
from handhold.restore.making import files
from handhold.restore.select import Chosen

#: Up to this size, in bytes, a content is held in memory while it is checked; a larger one is read twice.
_HELD = 16 << 20


class Item(NamedTuple):
    """One file of an export. ``path`` is in written form: ``emulator/home/path``."""

    path: str
    entry: Entry
    runs: Callable[[], Iterator[bytes]]


class LeftOut(NamedTuple):
    """A file that is not in the export, and why; ``damage`` where the archive does not give it back."""

    emulator: str
    path: str
    why: str
    damage: bool = False


def items(archive: Archive, chosen: Chosen, zone: tzinfo | None) -> Iterator[Item | LeftOut]:
    """What the selection comes to, by key. Of a zip that is picked in part, the members become files.

    ``zone`` is where members without an offset got their time.
    """
    for entry in chosen.entries:
        yield _item(archive, entry)
    for entry, inners in chosen.members:
        yield from _members(archive, entry, inners, zone)


def _item(archive: Archive, entry: Entry) -> Item:
    return Item(place_of(entry), entry, lambda: archive.content(entry))


def _members(
    archive: Archive, entry: Entry, inners: tuple[Inner, ...], zone: tzinfo | None
) -> Iterator[Item | LeftOut]:
    try:
        making = files(Slices(archive, entry), inners, sum(one.member.size for one in inners), zone)
    except Damaged as error:
        yield LeftOut(entry.emulator, entry.path, error.what, damage=True)
        return
    for made in making.made:
        yield Item(place_of(made.entry), made.entry, made.content)
    for left in making.left:
        yield LeftOut(entry.emulator, f"{entry.path}/{left.inner.member.name}", left.why)


def place_of(entry: Entry) -> str:
    """Where an entry lies in an export.

    >>> from handhold.model import Part
    >>> place_of(Entry("tinplate", Part.SAVES, "main", "saves/Moss Garden.sav", 1, 0, "00"))
    'tinplate/main/saves/Moss Garden.sav'
    """
    return f"{entry.emulator}/{entry.home}/{entry.path}"


def checked(item: Item) -> Iterable[bytes]:
    """The content of an item, proven before the first byte of it is handed on. Raises ``Damaged``.

    An export that has begun to write a file cannot take it back, so the whole of it is read first.
    """
    entry = item.entry
    if entry.size <= _HELD:
        held = b"".join(_proven(item))
        return (held,) if held else ()
    for _ in _proven(item):
        pass
    return _proven(item)


def _proven(item: Item) -> Iterator[bytes]:
    digest = hashlib.sha256()
    size = 0
    try:
        for run in item.runs():
            size += len(run)
            digest.update(run)
            yield run
    except OwnerError:
        raise
    except ValueError as error:  # a member that does not come out sound
        raise Damaged(f"{item.entry.path} ({item.entry.emulator}) cannot be read: it {error}.") from error
    if size != item.entry.size or digest.hexdigest() != item.entry.sha256:
        raise Damaged(f"{item.entry.path} ({item.entry.emulator}) does not come out as it went in.")
