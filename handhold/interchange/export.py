"""Writes a snapshot, or a selection of it, for people without handhold."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from handhold.errors import Damaged
from handhold.interchange.items import Item, LeftOut, checked
from handhold.interchange.sink import MISSING, Refused, Sink
from handhold.model import Gap

#: files, bytes
Progress = Callable[[int, int], None]


class Exported(NamedTuple):
    """What an export holds, and what it does not."""

    files: int
    bytes: int
    left: tuple[LeftOut, ...]


def export(
    items: Iterable[Item | LeftOut], sink: Sink, gaps: Sequence[Gap], progress: Progress | None = None
) -> Exported:
    """Writes every item into the sink, and a text that names what is not in it.

    ``gaps`` are those of the snapshot. What the archive does not give back, and what cannot be written there,
    is left out and told. Raises ``OSError`` where the storage takes nothing more.
    """
    left: list[LeftOut] = []
    count = written = 0
    for item in items:
        if isinstance(item, LeftOut):
            left.append(item)
            continue
        try:
            sink.add(item.path, item.entry, checked(item))
        except Refused as error:
            left.append(LeftOut(item.entry.emulator, item.entry.path, str(error)))
            continue
        except Damaged as error:
            left.append(LeftOut(item.entry.emulator, item.entry.path, error.what, damage=True))
            continue
        count += 1
        written += item.entry.size
        if progress is not None:
            progress(count, written)
    if text := missing(left, gaps):
        sink.note(MISSING, text)
    sink.finish()
    return Exported(count, written, tuple(left))


def missing(left: Sequence[LeftOut], gaps: Sequence[Gap]) -> str:
    """The text that names what an export does not hold; empty where it holds all. Pure."""
    lines: list[str] = []
    if left:
        lines.append("Left out of this export:")
        lines += [f"- {one.emulator}: {one.path}: {one.why}" for one in left]
    if gaps:
        lines.append("Could not be kept that night:")
        lines += [f"- {gap.volume}: {gap.path or 'everything'}: {gap.why}" for gap in gaps]
    return "\n".join(lines) + "\n" if lines else ""
