"""The files of a folder in columns: of many files nothing is made for each, two lists compare at once."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from functools import cached_property
from typing import overload

#: Name in written form, size in bytes, and time of writing in nanoseconds since 1970-01-01T00:00:00Z.
File = tuple[str, int, int]


#: Of so few files the names are looked for one by one; and one name among no more than so many lines.
_FEW, _MANY = 4, 256


class Files(Sequence[File]):
    """Names, sizes and times of files, sorted by name.

    A name in written form has no line break, so ``text`` has each of them on a line. Sizes and times are
    numbers of 64 bits.

    >>> Files.of([("a.sav", 1, 0), ("b.sav", 2, 0)])[1]
    ('b.sav', 2, 0)
    """

    def __init__(self, text: str, sizes: array[int], times: array[int]) -> None:
        self.text, self.sizes, self.times = text, sizes, times

    @staticmethod
    def of(files: Sequence[File]) -> Files:
        """The same from files one by one, which are sorted."""
        names, sizes, times = zip(*files, strict=True) if files else ((), (), ())
        return Files("\n".join(names), array("q", sizes), array("q", times))

    @cached_property
    def names(self) -> list[str]:
        """The name of each."""
        return self.text.split("\n") if self.sizes else []

    def number(self, name: str) -> int | None:
        """Which file has a name; None if there is none.

        >>> Files.of([("a.sav", 1, 0), ("b.sav", 2, 0)]).number("b.sav")
        1
        """
        if len(self) > _MANY:
            names = self.names
            at = bisect_left(names, name)
            return at if at < len(names) and names[at] == name else None
        text = f"\n{self.text}\n"
        at = text.find(f"\n{name}\n") if self.sizes and "\n" not in name else -1
        return None if at < 0 else text.count("\n", 0, at)

    def some(self, which: Sequence[int]) -> Iterator[File]:
        """Some of them by their numbers; of few the names of the others are left alone."""
        if len(which) > _FEW:
            return map(self.__getitem__, which)
        text, sizes, times = self.text, self.sizes, self.times
        return ((text.split("\n", at + 1)[at], sizes[at], times[at]) for at in which)

    def same(self, other: Files) -> bool:
        """Whether both are the same files, by name, size and time."""
        return self.text == other.text and self.sizes == other.sizes and self.times == other.times

    def __len__(self) -> int:
        return len(self.sizes)

    @overload
    def __getitem__(self, at: int) -> File: ...

    @overload
    def __getitem__(self, at: slice) -> list[File]: ...

    def __getitem__(self, at: int | slice) -> File | list[File]:
        if isinstance(at, slice):
            return list(zip(self.names[at], self.sizes[at], self.times[at], strict=True))
        return self.names[at], self.sizes[at], self.times[at]

    def __iter__(self) -> Iterator[File]:
        return zip(self.names, self.sizes, self.times, strict=True)
