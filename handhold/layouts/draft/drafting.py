"""The rules that a layout needs of its own, besides those of its pattern.

From the telling ones (with captures) to the exact ones: a rule is taken if it is right for every file that
it would decide, so that none takes away what the pattern has right.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

from handhold.layouts.draft import shapes
from handhold.layouts.draft.cases import Case, Cases
from handhold.layouts.draft.ownrule import OwnRule
from handhold.layouts.draft.shapes import Shape, folder_shape, literal
from handhold.layouts.draft.sighting import KEPT, LEFT, Sighting, fits, plain
from handhold.layouts.layout import Layout
from handhold.layouts.pattern import compile_pattern
from handhold.model import Part

#: So many rules are drafted of each sort; a layout with more is hard to look over.
MOST_KEPT, MOST_OTHERS, MOST_TITLES, MOST_SKIPPED = 150, 40, 20, 40
#: So many patterns are tried on the files for each of the above.
_MOST_TRIED = 400
_LEVELS = (shapes.SLOTTED, shapes.TITLED, shapes.BY_ENDING, shapes.BY_FOLDER)


class Drafting(Cases):
    """The rules of one layout while they are found."""

    def __init__(self, sightings: Sequence[Sighting], pattern: Layout, home: str) -> None:
        super().__init__(sightings, pattern, home)
        self.keep: list[OwnRule] = []
        self.skip: list[OwnRule] = []

    def run(self) -> None:
        """Finds the rules."""
        self.caches()
        for part in KEPT:
            self.claim(part, MOST_KEPT, exact=True)
        self.claim(Part.GAMES, MOST_OTHERS, exact=True)
        for part in Part:
            if part not in KEPT and part not in LEFT:
                self.claim(part, MOST_OTHERS, exact=False)
        self.titles()

    # ------------------------------------------------------------------------------------------ claiming

    def claim(self, part: Part, most: int, *, exact: bool) -> None:
        """Rules for the files of a part that the pattern has wrong."""
        room = most
        for level in _LEVELS:
            todo = self.todo(part)
            if todo and room > 0:
                room -= self.level(part, todo, level, room)
        todo = self.todo(part)
        if not exact or not todo:
            return
        if len(todo) > room:  # too many to name each: by their endings, wherever they lie
            room -= self.widely(part, todo, max(room, 8))
            todo = self.todo(part)
        for index in todo:
            if room <= 0:
                break
            if index not in self.decided:
                room -= self.one(part, index)

    def todo(self, part: Part) -> list[int]:
        """The files that should be of this part and are not."""
        return [
            index
            for index, case in enumerate(self.cases)
            if case.want is part and index not in self.decided and not fits(part, case.given)
        ]

    def level(self, part: Part, todo: Sequence[int], level: int, room: int) -> int:
        """Takes the good patterns of one level; how many were taken."""
        candidates = _by_cover(self.candidates(part, todo, level))[:_MOST_TRIED]
        taken = 0
        # A slot with a dot in it is a slot and an ending: first let the rules with that ending have those.
        for strict in (True, False) if level == shapes.SLOTTED else (False,):
            for shape, indices in candidates:
                left = [index for index in indices if index not in self.decided]
                if taken >= room or not self.worth(level, shape, left):
                    continue
                matched = self.matched(shape)
                if matched is None or not self.good(part, level, shape, matched):
                    continue
                if strict and any("." in captures.get("slot", "") for captures in matched.values()):
                    continue
                self.take(part, shape, matched)
                taken += 1
        return taken

    def candidates(self, part: Part, todo: Sequence[int], level: int) -> dict[Shape, list[int]]:
        """The patterns of one level, with the files from which they were made."""
        covered: dict[Shape, list[int]] = {}
        for index in todo:
            case = self.cases[index]
            for shape in shapes.shapes(case.text, case.title, part, level):
                covered.setdefault(shape, []).append(index)
        return covered

    def worth(self, level: int, shape: Shape, left: Sequence[int]) -> bool:
        """Whether a pattern stands for enough files to be put before narrower ones."""
        if shape.starred:
            folders = {self.cases[index].text.rpartition("/")[0] for index in left}
            return len(folders) > 1
        least = 1 if level in (shapes.SLOTTED, shapes.TITLED) else 2
        return len(left) >= least

    def good(self, part: Part, level: int, shape: Shape, matched: dict[int, dict[str, str]]) -> bool:
        """Whether a pattern is right for every file that it would decide, and tells games rightly."""
        fitting = others = known = titled = 0
        slots: set[str] = set()
        for index, captures in matched.items():
            case = self.cases[index]
            if case.want is not None and not fits(case.want, part):
                return False
            if case.want is None:
                others += case.given is not part
                continue
            fitting += 1
            slots.add(captures.get("slot", ""))
            if "{game}" in shape.text and case.title:
                known += 1
                titled += plain(captures.get("game", "")) == case.title
        if "{slot}" in shape.text and part is Part.SAVES and len(slots) < 2:
            return False
        if titled * 2 < known:
            return False
        if level in (shapes.BY_ENDING, shapes.BY_FOLDER) and self.takes_from_others(part, shape):
            return False
        everything = level == shapes.BY_FOLDER or shape.head + shape.ending == "{game}"
        return others * (4 if everything else 1) <= fitting

    def takes_from_others(self, part: Part, shape: Shape) -> bool:
        """Whether files of another part, that have rules already, would fit a pattern too.

        Then it does not tell these parts apart, and would take files for wrong ones that come later.
        """
        pattern = compile_pattern(shape.text)
        return any(
            self.cases[index].want not in (None, part)
            for index, _ in self.matches(pattern, shape, self.decided)
        )

    def widely(self, part: Part, todo: Sequence[int], most: int) -> int:
        """Patterns for an ending wherever it stands, if they take no other save or state."""
        covered = {
            shape: indices
            for shape, indices in self.candidates(part, todo, shapes.ANYWHERE).items()
            if shape.head == "*" and shape.ending
        }
        taken = 0
        for shape, indices in _by_cover(covered):
            if taken >= most or not any(index not in self.decided for index in indices):
                continue
            matched = self.matched(shape)
            if matched and not any(
                self.cases[i].want in KEPT and self.cases[i].want is not part for i in matched
            ):
                self.take(part, shape, matched)
                taken += 1
        return taken

    def one(self, part: Part, index: int) -> int:
        """A rule for just this file; 1 if there is one."""
        case = self.cases[index]
        spare: tuple[Shape, dict[int, dict[str, str]]] | None = None
        last: tuple[Shape, dict[int, dict[str, str]]] | None = None
        for level in (shapes.EXACT, shapes.ANYWHERE):
            for shape in shapes.shapes(case.text, case.title, part, level):
                matched = self.matched(shape)
                if not matched or index not in matched:
                    continue
                wants = {self.cases[i].want for i in matched}
                if all(want is None or fits(want, part) for want in wants):
                    self.take(part, shape, matched)
                    return 1
                if spare is None and not any(want in KEPT and want is not part for want in wants):
                    spare = shape, matched
                last = last or (shape, matched)
        if part in KEPT and (found := spare or last):  # better under the wrong part than not at all
            self.take(part, *found)
            return 1
        return 0

    # ------------------------------------------------------------------------------------------ games' titles

    def titles(self) -> None:
        """Rules for saves and states that the pattern has, but whose games it does not tell."""
        room = MOST_TITLES
        for part in KEPT:
            for level in (shapes.SLOTTED, shapes.TITLED):
                todo = [
                    index
                    for index, case in enumerate(self.cases)
                    if case.want is part
                    and case.given is part
                    and index not in self.decided
                    and case.title
                    and case.title != case.theirs
                ]
                for shape, indices in _by_cover(self.candidates(part, todo, level))[:_MOST_TRIED]:
                    if room <= 0 or "{game}" not in shape.text or not (set(indices) - self.decided):
                        continue
                    if shape.starred and not self.worth(level, shape, indices):
                        continue
                    matched = self.matched(shape)
                    if matched and self.good(part, level, shape, matched) and self.tells_more(matched):
                        self.take(part, shape, matched)
                        room -= 1

    def tells_more(self, matched: dict[int, dict[str, str]]) -> bool:
        """Whether more games are told rightly with a rule than without."""
        better = 0
        for index, captures in matched.items():
            case = self.cases[index]
            if case.title:
                better += (plain(captures.get("game", "")) == case.title) - (case.theirs == case.title)
        return better > 0

    # ------------------------------------------------------------------------------------------ caches

    def caches(self) -> None:
        """What is rebuilt, folder by folder, where the pattern does not leave it out already."""
        of_cache: dict[str, list[int]] = {}
        for index, case in enumerate(self.cases):
            if case.want is Part.CACHE and not (case.spoken and case.given is None):
                of_cache.setdefault(self.top_of_cache(case), []).append(index)
        merged: dict[Shape, list[int]] = {}
        for folder, indices in of_cache.items():
            shape = Shape(f"{folder_shape(folder)}/" if folder else "", "**" if folder else "*", "")
            if not folder:  # caches at the top: one by one
                for index in indices:
                    merged.setdefault(Shape("", literal(self.cases[index].text), ""), []).append(index)
                continue
            merged.setdefault(shape, []).extend(indices)
        for shape, _ in _by_cover(merged)[:_MOST_TRIED]:
            if len(self.skip) >= MOST_SKIPPED:
                break
            matched = self.matched(shape)
            if matched and all(self.cases[i].want in (None, Part.CACHE) for i in matched):
                found = [i for i in matched if self.cases[i].want is Part.CACHE]
                if len(found) * 2 >= len(matched):
                    self.take(None, shape, matched)

    def top_of_cache(self, case: Case) -> str:
        """The highest folder on the way to a file in which nothing is worth keeping."""
        folders = case.text.split("/")[:-1]
        for depth in range(1, len(folders) + 1):
            top = "/".join(folders[:depth])
            if top not in self.kept_folders:
                return top
        return ""

    @cached_property
    def kept_folders(self) -> frozenset[str]:
        """Every folder in or below which something is worth keeping."""
        found: set[str] = set()
        for case in self.cases:
            if case.want is not None and case.want is not Part.CACHE:
                folder = case.text.rpartition("/")[0]
                while folder and folder not in found:
                    found.add(folder)
                    folder = folder.rpartition("/")[0]
        return frozenset(found)

    def take(self, part: Part | None, shape: Shape, matched: dict[int, dict[str, str]]) -> None:
        """Adds a rule."""
        self.decided.update(matched)
        right = [i for i in matched if self.cases[i].want is (part or Part.CACHE)] or list(matched)
        seen = [self.cases[index].sighting for index in right]
        reasons = dict.fromkeys(reason for one in seen[:50] for reason in one.looks.reasons)
        rule = OwnRule(
            part,
            shape.text,
            len(matched),
            tuple(one.path for one in seen[:2]),
            tuple(reasons)[:3],
            min(one.looks.confidence for one in seen),
            "it is rebuilt" if part is None else "",
            shape,
        )
        (self.skip if part is None else self.keep).append(rule)


def _by_cover(covered: dict[Shape, list[int]]) -> list[tuple[Shape, list[int]]]:
    """The patterns that stand for most files first; of equal ones the narrower."""
    return sorted(covered.items(), key=lambda pair: (-len(pair[1]), pair[0].starred, pair[0]))
