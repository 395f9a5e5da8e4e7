"""One benchmark: its folders, the commands over them, and the rows of its table."""

from __future__ import annotations

import compileall
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import NamedTuple

import handhold
from tests.benchmarks.speed import corpora, measure
from tests.benchmarks.speed.corpora import LAYOUTS, Size
from tests.benchmarks.speed.measure import HANDHOLD, Pair, Side, Took

MEBI = 1 << 20


class Row(NamedTuple):
    """A line of the table; ``met`` is None for a figure without a target."""

    figure: str
    ours: str
    reference: str
    ratio: str
    target: str
    met: bool | None
    spread: str = ""
    peak: int = 0  # bytes, of handhold's processes


@dataclass
class Bench:
    """What all figures work with."""

    work: Path
    size: Size
    seed: int
    rounds: int
    cold: bool
    rows: list[Row] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.layouts = self.work / "layouts"
        corpora.empty(self.layouts)
        for name, text in LAYOUTS.items():
            (self.layouts / f"{name}.yaml").write_text(text)
        self.log = self.work / "last errors"
        # Modules are compiled beforehand, as where a program was installed.
        compileall.compile_dir(Path(handhold.__file__).parent, quiet=1)
        self.env = dict(os.environ) | {"XDG_CONFIG_HOME": str(self.work / "config"), "TZ": "UTC"}

    def handhold(self, device: Path, archive: Path, *command: str, accept: Sequence[int] = (0,)) -> Took:
        """Runs a command of handhold on a device with an archive."""
        options = ("--archive", str(archive), "--device", "lamp", "--volume", f"internal={device}")
        line = (*HANDHOLD, *options, "--layouts", str(self.layouts), *command)
        return measure.run(line, at=self.work, log=self.log, accept=accept, env=self.env)

    def bare(self, *command: str) -> Took:
        """Runs a command of handhold without any option in front."""
        return measure.run((*HANDHOLD, *command), at=self.work, log=self.log, env=self.env)

    def shell(self, line: str, at: Path) -> Took:
        """Runs a line of the shell in a folder."""
        return measure.run(line, at=at, log=self.log, env=self.env)

    def python(self, program: str, at: Path) -> Took:
        """Runs a program in this interpreter, in a folder."""
        return measure.run((sys.executable, "-c", program), at=at, log=self.log, env=self.env)

    def program(self, file: str, *given: Path | str) -> Took:
        """Runs a program of its own in this interpreter."""
        line = (sys.executable, file, *map(str, given))
        return measure.run(line, at=self.work, log=self.log, env=self.env)

    def setup(self, device: Path, archive: Path) -> None:
        """Makes an archive."""
        corpora.empty(archive)
        self.handhold(device, archive, "setup", "--yes")

    def time(
        self,
        figure: str,
        ours: Side,
        reference: Side,
        target: float | None,
        *,
        floors: Mapping[str, Side] = MappingProxyType({}),
        both: bool = False,
        most: int | None = None,
        least: int = 1,
    ) -> Pair:
        """Measures a pair and adds its row; ``both`` also with an empty cache, where that can be had.

        ``floors`` do only what cannot be left out, by the figures of their rows; they run in the same turns.
        ``most`` is the number of rounds that are enough, if it is fewer; ``least`` see ``turns``, for a warm
        cache.
        """
        sides = (ours, reference, *floors.values())
        rounds = min(self.rounds, most or self.rounds)
        runs = measure.turns(max(rounds, self.turns(least)), sides, emptied=self.cold)
        assert runs is not None
        self._add_all(figure, runs, target, floors)
        if both and self.cold:
            cold = measure.turns(rounds, sides, cold=True)
            if cold is not None:
                self._add_all(f"{figure}, cold", cold, target, floors, ", cold")
        return Pair(runs[0], runs[1])

    def _add_all(
        self,
        figure: str,
        runs: Sequence[list[Took]],
        target: float | None,
        floors: Iterable[str],
        behind: str = "",
    ) -> None:
        ours, reference, *others = runs
        self.add(figure, Pair(ours, reference), target)
        for floor, taken in zip(floors, others, strict=True):
            self.add(f"{floor}{behind}", Pair(taken, reference), None)

    def turns(self, least: int) -> int:
        """So many of what one turn tells little about, unless one round of all was asked for."""
        return max(self.rounds, least) if self.rounds > 1 else 1

    def add(self, figure: str, pair: Pair, target: float | None, more: float = 0.0) -> None:
        """Adds the row of a pair; ``more`` seconds are added to the reference."""
        ours, reference = measure.seconds(pair.ours), measure.seconds(pair.reference) + more
        low, high = pair.spread
        self.row(
            Row(
                figure,
                f"{ours:.2f} s",
                f"{reference:.2f} s",
                f"{ours / reference:.2f} ({pair.processor_ratio:.2f})",
                "" if target is None else f"<= {target}",
                None if target is None else ours / reference <= target,
                f"{low:.2f}-{high:.2f}",
                pair.peak,
            )
        )

    def amount(self, figure: str, ours: float, reference: float, target: float) -> None:
        """Adds a row that compares two numbers of bytes."""
        ratio = ours / reference
        self.row(
            Row(figure, _size(ours), _size(reference), f"{ratio:.3f}", f"<= {target:.3g}", ratio <= target)
        )

    def limit(self, figure: str, ours: str, target: str, met: bool, peak: int = 0) -> None:
        """Adds a row with a limit instead of a reference."""
        self.row(Row(figure, ours, "", "", target, met, "", peak))

    def row(self, row: Row) -> None:
        """Adds a row, and says so."""
        self.rows.append(row)
        print(f"  {row.figure}: {row.ours} / {row.reference} {row.ratio}", file=sys.stderr, flush=True)


def table(rows: Sequence[Row]) -> str:
    """The rows as a table in Markdown."""
    lines = [
        "| figure | handhold | reference | ratio (processor time) | lowest-highest | target | met | peak |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in rows:
        met = "" if row.met is None else "yes" if row.met else "no"
        peak = f"{row.peak / 1e6:.0f} MB" if row.peak else ""
        cells = (row.figure, row.ours, row.reference, row.ratio, row.spread, row.target, met, peak)
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def _size(count: float) -> str:
    return f"{count / MEBI:.2f} MiB"
