"""Damage by damage: held against what the check of the archive says of it, and counted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from handhold.archive.verify import verify
from tests.archive.damaged import World, check_truth

#: What becomes of files of an archive: other bytes, or None for one that is taken away.
Changes = dict[str, bytes | None]


@dataclass
class Counts:
    """How many damages of each kind there were, and in which the check said too little or too much."""

    kinds: Counter[str] = field(default_factory=Counter)
    missed: list[str] = field(default_factory=list)
    nights: int = 0  # that were whole in spite of the damage, and gave back what was put into them

    def __str__(self) -> str:
        kinds = ", ".join(f"{kind} {count:,}" for kind, count in self.kinds.items())
        return f"{kinds}; nights given back whole {self.nights:,}; missed {len(self.missed)}"


def damages(counts: Counts, world: World, changes: Iterable[tuple[str, Changes]], truth_every: int) -> None:
    """Does each damage in turn: it is told, by the names of what is hurt, and nothing else is lost.

    Everything that the archive still gives is compared with what was put into it, with the first of
    ``truth_every`` damages: what is named as lost is lost, and all else comes back, byte for byte.
    """
    for number, (kind, changed) in enumerate(changes):
        counts.kinds[kind] += 1
        deep = kind in ("lies", "swaps") or number % 16 == 0
        storage = world.memory(changed)
        try:
            report = verify(storage, deep)
            assert not report.ok, "not told"
            if number % truth_every == 0:
                check_truth(world, storage, report)
                counts.nights += len(report.whole)
        except Exception as error:
            counts.missed.append(f"{kind} {list(changed)}: {type(error).__name__}: {str(error)[:300]}")


def flips(world: World, step: int = 1, bits: Iterable[int] = range(8)) -> Iterator[tuple[str, Changes]]:
    """Every bit of every file turned, or those of every ``step``-th byte."""
    for file, data in world.files.items():
        for at in range(len(file) % step, len(data), step):
            for bit in bits:
                turned = bytearray(data)
                turned[at] ^= 1 << bit
                yield "flips", {file: bytes(turned)}


def cuts(world: World, step: int = 1) -> Iterator[tuple[str, Changes]]:
    """Every file cut at every byte, or at every ``step``-th."""
    for file, data in world.files.items():
        for length in range(len(file) % step, len(data), step):
            yield "cuts", {file: data[:length]}
