"""What handhold says, and where: results on standard output, messages and progress on standard error."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Protocol, TextIO

from handhold.cli.words import printable

if TYPE_CHECKING:
    from rich.progress import Progress as Bar
    from rich.progress import TaskID

WIDTH = 80
#: ``file:line:column: …`` stays on one line, however long: editors read it.
_PLACE = re.compile(r".+:\d+:\d+: ")
_BEYOND_ASCII = re.compile(r"[^\x00-\x7e]")


class Progress(Protocol):
    """A bar that is on the screen while a person waits."""

    def __call__(self, files: int, bytes_done: int, files_total: int = 0, bytes_total: int = 0) -> None:
        """Where the work stands."""


class Console:
    """Writes for an owner. ``quiet`` leaves out what is only good to know.

    Everything that came from a device or an archive goes through ``printable`` here, so that no name can
    play tricks on a terminal.
    """

    def __init__(self, out: TextIO | None = None, err: TextIO | None = None, *, quiet: bool = False) -> None:
        self.out = out or sys.stdout
        self.err = err or sys.stderr
        self.quiet = quiet
        #: The options in front of the command that runs, each followed by its value.
        self.front: Sequence[str] = ()

    def say(self, text: str = "") -> None:
        """A result that the owner asked for."""
        print(self._lines(text), file=self.out)

    def command(self, *pieces: str) -> None:
        """A command of handhold to be copied: in as few lines as fit, none of which is broken within a piece.

        What was typed in front of this one stands in front of it as well: else it would mean another archive,
        or act on another device.
        """
        lines = ["  handhold"]
        for piece in map(printable, (*self._front(), *pieces)):
            if _width(f"{lines[-1]} {piece} \\") <= self.width:
                lines[-1] += f" {piece}"
            else:
                lines.append(f"      {piece}")
        print(" \\\n".join(lines), file=self.out)

    def _front(self) -> list[str]:
        """The options in front of the command that runs, each with its value, as a shell reads them."""
        if not self.front:
            return []
        import shlex  # seldom

        return [shlex.join(self.front[at : at + 2]) for at in range(0, len(self.front), 2)]

    def tell(self, text: str = "") -> None:
        """A message beside the result; left out when quiet."""
        if not self.quiet:
            print(self._lines(text), file=self.err)

    def warn(self, text: str) -> None:
        """Something that the owner must know, quiet or not."""
        print(self._lines(text), file=self.err)

    def document(self, document: Mapping[str, Any]) -> None:
        """The one JSON document of a command; what could play tricks on a terminal is escaped."""
        import msgspec

        self.out.flush()
        text = msgspec.json.format(msgspec.json.encode(document), indent=2).decode()
        print(_BEYOND_ASCII.sub(_escaped, text), file=self.out)

    def table(
        self,
        headers: Sequence[str],
        rows: Sequence[Sequence[str]],
        *,
        right: Sequence[int] = (),
        whole: Sequence[int] = (),
        cut: bool = True,
    ) -> None:
        """Rows under headers, columns as wide as they need, cut to the width of the screen.

        The columns named in ``right`` hold numbers; those in ``whole`` are never cut. The widest text column
        gives way first. Without ``cut`` every cell stays whole, however long the lines become.
        """
        from rich.cells import cell_len, set_cell_size

        body = [[printable(cell) for cell in row] for row in rows]
        columns = list(zip(headers, *body, strict=True)) if body else [(h,) for h in headers]
        widths = [max(cell_len(cell) for cell in column) for column in columns]
        room = self.width - 2 * (len(widths) - 1)
        giving = [i for i in range(len(widths)) if i not in whole]
        while cut and sum(widths) > room and max(widths[i] for i in giving) > 8:
            widest = max(giving, key=lambda i: (i not in right, widths[i]))
            if widths[widest] <= 8:
                widest = max(giving, key=widths.__getitem__)
            widths[widest] -= 1

        def fit(cell: str, column: int) -> str:
            space = widths[column]
            if cell_len(cell) > space:
                cell = set_cell_size(cell, space - 1).rstrip() + "…"
            pad = " " * (space - cell_len(cell))
            return pad + cell if column in right else cell + pad

        for row in [list(headers), *body]:
            print("  ".join(fit(cell, i) for i, cell in enumerate(row)).rstrip(), file=self.out)

    @property
    def width(self) -> int:
        """Columns of the screen; 80 where there is none."""
        if not self.out.isatty():
            return WIDTH
        import shutil

        return max(40, shutil.get_terminal_size((WIDTH, 24)).columns)

    @property
    def asks(self) -> bool:
        """Whether there is a person to ask."""
        return sys.stdin is not None and sys.stdin.isatty() and self.err.isatty()

    def ask(self, question: str, proposal: str = "") -> str:
        """An answer from the owner; the proposal where the owner only presses Enter."""
        hint = f" [{printable(proposal)}]" if proposal else ""
        print(f"{self._lines(question)}{hint} ", end="", file=self.err, flush=True)
        line = sys.stdin.readline()
        if not line:
            raise KeyboardInterrupt
        return line.strip() or proposal

    def agrees(self, question: str) -> bool:
        """Whether the owner says yes; anything but yes or no is asked again."""
        while (answer := self.ask(f"{question} (yes/no)", "no").casefold()) not in ("y", "yes", "n", "no"):
            continue
        return answer in ("y", "yes")

    @contextmanager
    def progress(self, what: str) -> Iterator[Progress]:
        """A bar with bytes, files, rate and time left; nothing where the output is no terminal."""
        if self.quiet or not self.err.isatty():
            yield _still
            return
        from rich.console import Console as Screen
        from rich.progress import Progress as Bar

        from handhold.cli.bars import columns

        with Bar(*columns(), console=Screen(file=self.err), transient=True, refresh_per_second=5) as bar:
            task = bar.add_task(what, total=None, files=0, files_total=0, bytes_total=0)
            yield _Moving(bar, task)

    def _lines(self, text: str) -> str:
        """The text fit for a terminal: nothing that plays tricks, no line longer than the screen."""
        lines = []
        for line in map(printable, text.split("\n")):
            if _width(line) <= self.width or _PLACE.match(line):
                lines.append(line)
                continue
            indent = line[: len(line) - len(line.lstrip())]
            hang = indent + ("  " if line.lstrip().startswith("- ") else "")
            if not line.isascii():
                lines += _wrapped(line, self.width, hang)
                continue
            import textwrap  # seldom, and where memory is short there is none for it

            lines += textwrap.wrap(
                line,
                self.width,
                subsequent_indent=hang,
                break_long_words=False,
                break_on_hyphens=False,
                replace_whitespace=False,
            )
        return "\n".join(lines)


def _width(text: str) -> int:
    """The columns that a text takes on the screen: some letters take two."""
    if text.isascii():
        return len(text)
    from rich.cells import cell_len

    return cell_len(text)


def _wrapped(line: str, width: int, hang: str) -> list[str]:
    """The line broken at spaces, by the columns that it takes; a word stays whole."""
    lines = [""]
    for piece in re.split(r"( +)", line):
        if lines[-1].strip() and _width(lines[-1] + piece.rstrip()) > width:
            lines[-1] = lines[-1].rstrip()
            lines.append(hang + piece.lstrip())
        elif lines[-1].strip() or len(lines) == 1 or piece.strip():
            lines[-1] += piece
    return [one.rstrip() for one in lines if one.strip()]


def _still(files: int, bytes_done: int, files_total: int = 0, bytes_total: int = 0) -> None:
    return None


class _Moving:
    def __init__(self, bar: Bar, task: TaskID) -> None:
        self._bar, self._task = bar, task

    def __call__(self, files: int, bytes_done: int, files_total: int = 0, bytes_total: int = 0) -> None:
        self._bar.update(
            self._task,
            # by bytes where they are known: one large file takes as long as many small ones
            completed=bytes_done if bytes_total else files,
            total=(bytes_total or files_total) or None,
            files=files,
            files_total=files_total,
            bytes_total=bytes_total,
        )


def _escaped(match: re.Match[str]) -> str:
    r"""A character of a JSON text as it may be shown: itself, or its escape.

    Source: RFC 8259, section 7 (strings: ``\uXXXX``, and two of them beyond the Basic Multilingual Plane)
    """
    if printable(match[0]) == match[0]:
        return match[0]
    units = match[0].encode("utf-16-be")
    return "".join(f"\\u{units[at]:02x}{units[at + 1]:02x}" for at in range(0, len(units), 2))
