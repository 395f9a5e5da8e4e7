"""What a check of an archive found: damage in the owner's words, harmless leftovers, and what is whole."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import msgspec

from handhold.model import Part

#: Beyond so many lines an owner reads none of them: from there on only emulators are told, not files.
MOST_AFFECTED = 200_000


class Affected(NamedTuple):
    """A file that can no longer be given back.

    Where ``path`` is None it cannot be told which: any file of that emulator in that snapshot, or, where
    ``emulator`` is None too, any file of the snapshot.
    """

    snapshot: str
    device: str
    emulator: str | None = None
    part: Part | None = None
    game: str | None = None
    path: str | None = None


class Damage(msgspec.Struct, frozen=True):
    """A file of the archive that is not as it was written, and what is lost because of it."""

    file: str
    what: str
    affects: tuple[Affected, ...]


class Report(msgspec.Struct, frozen=True):
    """The result of a check.

    ``snapshots``, ``bundles`` and ``blocks`` are counts of what was found, hurt or not; ``bytes`` is the size
    of the archive's own files. ``notes`` names harmless leftovers. ``whole`` has the names of the nights of
    which every file can be given back, in the order of their sequence numbers.
    """

    ok: bool
    deep: bool
    snapshots: int
    bundles: int
    blocks: int
    bytes: int
    damage: tuple[Damage, ...]
    notes: tuple[str, ...]
    whole: tuple[str, ...]


class Findings:
    """Damage and notes, as they are found."""

    def __init__(self) -> None:
        self._troubles: dict[str, dict[str, None]] = {}
        self._affected: dict[str, set[Affected]] = {}
        self._count = 0
        self.notes: set[str] = set()
        #: Whether there is too much for naming every file.
        self.coarse = False

    def damage(self, file: str, what: str) -> None:
        """A file of the archive is hurt; ``what`` is a part of a sentence about it, without a full stop."""
        self._troubles.setdefault(file, {})[what] = None

    def affects(self, file: str, affected: Affected) -> None:
        """What is lost because a file of the archive is hurt."""
        rows = self._affected.setdefault(file, set())
        before = len(rows)
        rows.add(coarsened(affected) if self.coarse else affected)
        self._count += len(rows) - before
        if self._count > MOST_AFFECTED and not self.coarse:
            self.coarse = True
            self._affected = {file: set(map(coarsened, rows)) for file, rows in self._affected.items()}
            self.notes.add("So many files are hurt that only their emulators are named.")

    @property
    def damaged(self) -> bool:
        """Whether anything is hurt, as far as is known."""
        return bool(self._troubles or self._affected)

    def is_hurt(self, file: str) -> bool:
        """Whether damage of this file was found."""
        return file in self._troubles or file in self._affected

    def hurt_files(self) -> list[str]:
        """All files of which damage was found, sorted."""
        return sorted(self._troubles.keys() | self._affected.keys())

    def damages(self) -> Iterator[Damage]:
        """All damage, sorted."""
        for file in sorted(self._troubles.keys() | self._affected.keys()):
            affected = tuple(sorted(self._affected.get(file, ()), key=_order))
            what = "; ".join(self._troubles.get(file, ["it is hurt"])) + "."
            yield Damage(file, what if affected else f"{what} No snapshot loses a file by it.", affected)


def coarsened(affected: Affected) -> Affected:
    """The same without the file."""
    return affected._replace(part=None, game=None, path=None)


def _order(affected: Affected) -> tuple[str, ...]:
    return tuple(text or "" for text in affected)
