"""What a progress bar shows: bytes, files, rate and time left, as far as they are known."""

from __future__ import annotations

from rich.progress import BarColumn, ProgressColumn, Task, TextColumn
from rich.text import Text

from handhold import amounts
from handhold.cli import words


def columns() -> tuple[ProgressColumn, ...]:
    """What it is about, the bar, and the figures."""
    return TextColumn("{task.description}"), BarColumn(bar_width=14), _Figures()


class _Figures(ProgressColumn):
    """Figures in words; they fit beside the bar in 80 columns."""

    def render(self, task: Task) -> Text:
        return Text(figures(task.completed, task.fields, task.speed, task.time_remaining))


def figures(completed: float, known: dict[str, int], speed: float | None, left: float | None) -> str:
    """The figures of a bar. Pure; ``completed`` and ``speed`` (a second) count bytes where those are known.

    >>> figures(1 << 30, {"files": 20, "files_total": 90, "bytes_total": 4 << 30}, 50 << 20, 61.0)
    '1.0 GiB of 4.0 GiB, 20/90 files, 50 MiB/s, 1 min 1 s left'
    >>> figures(1200, {"files": 1200, "files_total": 0, "bytes_total": 0}, 300.0, None)
    '1,200 files'
    """
    pieces = []
    files, files_total, bytes_total = known["files"], known["files_total"], known["bytes_total"]
    if bytes_total:
        pieces.append(f"{amounts.size(int(completed))} of {amounts.size(bytes_total)}")
    if files or files_total:
        pieces.append(f"{files:,}/{files_total:,} files" if files_total else words.amount(files, "file"))
    if bytes_total and speed:
        pieces.append(f"{amounts.size(int(speed))}/s")
    if left:
        pieces.append(f"{words.took(left)} left")
    return ", ".join(pieces)
