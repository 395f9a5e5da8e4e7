"""What is wrong in a file that an owner wrote, and where."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from handhold.errors import WrongInput

#: From one file no more than this many are shown; a file of garbage should not fill the screen for hours.
MOST_SHOWN = 200


class Wrong(ValueError):
    """A single value is wrong: what it is, and what was expected instead."""

    def __init__(self, what: str, expected: str) -> None:
        super().__init__(f"{what}, expected {expected}")
        self.what = what
        self.expected = expected


class Mistake(msgspec.Struct, frozen=True, order=True):
    """One mistake in one file; ``line`` and ``column`` count from 1."""

    file: str
    line: int
    column: int
    what: str
    expected: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}: {self.what}, expected {self.expected}"


class Mistakes(WrongInput):
    """Every mistake of every file of one sort that was read, in the order in which they stand there.

    >>> print(Mistakes([Mistake("a.yaml", 2, 1, 'unknown key "tile"', "title")], "layout"))
    a.yaml:2:1: unknown key "tile", expected title
    Correct the layout and run this again.
    """

    def __init__(self, mistakes: Iterable[Mistake], sort: str) -> None:
        self.mistakes = tuple(sorted(set(mistakes)))
        shown: list[str] = []
        count: dict[str, int] = {}
        for mistake in self.mistakes:
            count[mistake.file] = count.get(mistake.file, 0) + 1
            if count[mistake.file] <= MOST_SHOWN:
                shown.append(str(mistake))
        shown += [f"{file}: and {n - MOST_SHOWN} more" for file, n in count.items() if n > MOST_SHOWN]
        what = sort if len(count) == 1 else f"{sort}s"
        super().__init__("\n".join(shown), f"Correct the {what} and run this again.")
