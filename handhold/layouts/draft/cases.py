"""The files for which rules are looked for, and which of them a pattern fits."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Sequence
from typing import NamedTuple

from handhold.documents.mistakes import Wrong
from handhold.layouts.draft.shapes import Shape
from handhold.layouts.draft.sighting import Sighting, kept_as, plain, wanted
from handhold.layouts.layout import Layout
from handhold.layouts.pattern import Pattern, compile_pattern, prepared
from handhold.model import Part


class Case(NamedTuple):
    """One file while rules are looked for."""

    sighting: Sighting
    text: str  # the path as patterns see it
    ready: tuple[str, str | None]
    want: Part | None
    given: Part | None  # by the pattern
    spoken: bool  # whether the pattern speaks of it at all
    title: str | None  # the game, as recognition has it
    theirs: str | None  # and as the pattern has it


class Cases:
    """Every file, by its folder; ``decided`` are those that a rule has already."""

    def __init__(self, sightings: Sequence[Sighting], pattern: Layout, home: str) -> None:
        self.decided: set[int] = set()
        self.cases: list[Case] = []
        self.folders: dict[str, list[int]] = {}
        for sighting in sightings:
            text = plain(sighting.path)
            if text is None:
                continue
            verdict = pattern.verdict(home, sighting.path)
            looks = sighting.looks
            self.folders.setdefault(sighting.path.rpartition("/")[0], []).append(len(self.cases))
            self.cases.append(
                Case(
                    sighting,
                    text,
                    prepared(sighting.path),
                    wanted(looks),
                    kept_as(verdict),
                    verdict is not None,
                    plain(looks.game) if looks.game else None,
                    plain(verdict.game) if verdict and verdict.game else None,
                )
            )
        self.backwards = {name: prepared(name)[0] if name else "" for name in self.folders}
        self.tops: dict[str, list[str]] = {}
        for name in self.folders:
            self.tops.setdefault(name.partition("/")[0].lower(), []).append(name)

    def matched(self, shape: Shape) -> dict[int, dict[str, str]] | None:
        """The files that a pattern would decide, with its captures; None if it is no sound pattern."""
        try:
            pattern = compile_pattern(shape.text)
        except Wrong:
            return None
        return {i: captures for i, captures in self.matches(pattern, shape) if i not in self.decided}

    def matches(
        self, pattern: Pattern, shape: Shape, among: Container[int] | None = None
    ) -> Iterator[tuple[int, dict[str, str]]]:
        """Every file that fits, of those that are among these."""
        for folder in self.within_reach(shape):
            if pattern.reaches(self.backwards[folder]):
                for index in self.folders[folder]:
                    if among is None or index in among:
                        captures = pattern.match_prepared(*self.cases[index].ready)
                        if captures is not None:
                            yield index, captures

    def within_reach(self, shape: Shape) -> Iterable[str]:
        """The folders in which a pattern can fit, as far as its first name tells."""
        top = shape.folder.partition("/")[0]
        if not shape.folder and not shape.head.startswith("**"):
            return self.tops.get("", ())
        if top.isascii() and top.isprintable() and not any(char in top for char in "*?{\\"):
            return self.tops.get(top.lower(), ())
        return self.folders
