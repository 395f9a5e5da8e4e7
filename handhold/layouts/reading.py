"""One layout file, read into a draft: what the file itself says, before its pattern is put below it."""

from __future__ import annotations

import msgspec

from handhold.documents.document import Node, Scalar, Table, read_document
from handhold.documents.mistakes import Mistake
from handhold.documents.reader import Reader, described, one_of, says
from handhold.layouts.layout import ALL, Place, Rule, Version, identifier, place, version_find, version_path
from handhold.layouts.pattern import compile_pattern
from handhold.model import HomeKind, Part

KEYS = (
    "layout",
    "id",
    "title",
    "like",
    "homes",
    "keep",
    "skip",
    "inside",
    "newest",
    "forms",
    "version",
    "carry",
    "by_hand",
)
HOME_KEYS = ("name", "kind", "at")
KEEP_KEYS = ("part", "path", "home", "carry", "why")
INSIDE_KEYS = ("part", "path")
VERSION_KEYS = ("path", "find", "home")
SKIP_KEYS = ("path", "home", "why")
BY_HAND_KEYS = ("before", "import", "after")
MOST_CHAIN = 8  # a layout, its pattern, that one's pattern, and so on
MOST_HOMES = 32
MOST_PLACES = 64
MOST_RULES = 1000
MOST_STEPS = 50
MOST_NEWEST = 1000
MOST_TITLE = 100

Position = tuple[int, int]


class HomeDraft(msgspec.Struct, frozen=True):
    """A home as a file names it; None is what the file leaves to its pattern."""

    name: str
    kind: HomeKind | None
    at: tuple[Place, ...] | None
    position: Position


class Draft(msgspec.Struct):
    """What one file says. ``sound`` is False if there was any mistake in it."""

    file: str
    sound: bool = False
    id: str | None = None
    id_position: Position = (1, 1)
    title: str = ""
    like: str | None = None
    like_position: Position = (1, 1)
    homes: list[HomeDraft] = []
    homes_position: Position = (1, 1)
    skip: list[Rule] = []
    keep: list[Rule] = []
    inside: list[Rule] = []
    newest: int | None = None
    forms: tuple[str, str] | None = None
    forms_position: Position = (1, 1)
    version: Version | None = None
    home_positions: dict[str, Position] = {}  # homes that rules name
    carry: dict[Part, bool] = {}
    before: tuple[str, ...] | None = None
    imports: tuple[str, ...] | None = None
    after: tuple[str, ...] | None = None


def read_draft(data: bytes, file: str, mistakes: list[Mistake]) -> Draft:
    """What the file says; adds every mistake in it to ``mistakes``."""
    before = len(mistakes)
    draft = Draft(file)
    reader = _Reader(file, mistakes)
    node = read_document(data, file, mistakes, "layout")
    if node is not None:
        reader.layout(node, draft)
    elif len(mistakes) == before:
        mistakes.append(Mistake(file, 1, 1, "an empty file", 'a layout, beginning with "layout: 1"'))
    draft.sound = len(mistakes) == before
    return draft


def part_of(text: str) -> Part:
    """The part of that name; raises ``Wrong``."""
    return one_of(Part, text, "part")


def kind_of(text: str) -> HomeKind:
    """The kind of home of that name; raises ``Wrong``."""
    return one_of(HomeKind, text, "kind")


class _Reader(Reader):
    """Takes the pieces of a layout out of nodes."""

    def layout(self, node: Node, draft: Draft) -> None:
        rows = self.table(node, KEYS, ("layout", "id", "title"), "a layout")
        if rows is None:
            return
        self.form(rows.get("layout"))
        if "id" in rows:
            draft.id = self.value(rows["id"], identifier)
            draft.id_position = (rows["id"].line, rows["id"].column)
        if "title" in rows:
            draft.title = self.value(rows["title"], lambda text: says(text, MOST_TITLE)) or ""
        if "like" in rows:
            draft.like = self.value(rows["like"], identifier)
            draft.like_position = (rows["like"].line, rows["like"].column)
        if "homes" in rows:
            draft.homes_position = (rows["homes"].line, rows["homes"].column)
            for item in self.items(rows["homes"], MOST_HOMES, "homes"):
                self.home(item, draft)
        elif "like" not in rows and isinstance(node, Table):
            self.wrong(node, 'no "homes" and no "like"', "homes, or the id of a pattern that has some")
        for item in self.items(rows.get("keep"), MOST_RULES, "rules"):
            self.rule(item, draft, keep=True)
        for item in self.items(rows.get("skip"), MOST_RULES, "rules"):
            self.rule(item, draft, keep=False)
        for item in self.items(rows.get("inside"), MOST_RULES, "rules"):
            self.inside(item, draft)
        if "newest" in rows:
            draft.newest = self.newest(rows["newest"])
        if "forms" in rows:
            draft.forms_position = (rows["forms"].line, rows["forms"].column)
            draft.forms = self.forms(rows["forms"])
        if "version" in rows:
            draft.version = self.version(rows["version"], draft)
        self.carry(rows.get("carry"), draft)
        self.by_hand(rows.get("by_hand"), draft)

    def form(self, node: Node | None) -> None:
        if node is None:
            return
        if isinstance(node, Scalar) and node.kind == "number":
            if node.text != "1":
                self.wrong(node, f"layout form {node.text[:20]}", "1, the only form that is known here")
        else:
            self.wrong(node, f'{described(node)} for "layout"', "the number 1")

    def home(self, node: Node, draft: Draft) -> None:
        rows = self.table(node, HOME_KEYS, ("name",), "a home")
        if rows is None or "name" not in rows:
            return
        name = self.value(rows["name"], identifier)
        kind = self.value(rows["kind"], kind_of) if "kind" in rows else None
        at: tuple[Place, ...] | None = None
        if "at" in rows:
            listed = (
                [rows["at"]]
                if isinstance(rows["at"], Scalar)
                else self.items(rows["at"], MOST_PLACES, "places")
            )
            places = [self.value(item, place) for item in listed]
            at = tuple(dict.fromkeys(p for p in places if p is not None))
        if name is None:
            return
        if any(known.name == name for known in draft.homes):
            self.wrong(
                rows["name"],
                f'a second home named "{name}"',
                "each name once (one home can have several places)",
            )
            return
        draft.homes.append(HomeDraft(name, kind, at, (node.line, node.column)))

    def rule(self, node: Node, draft: Draft, *, keep: bool) -> None:
        rows = (
            self.table(node, KEEP_KEYS, ("part", "path"), "a keep rule")
            if keep
            else self.table(node, SKIP_KEYS, ("path",), "a skip rule")
        )
        if rows is None:
            return
        part = self.value(rows["part"], part_of) if "part" in rows else None
        pattern = self.value(rows["path"], compile_pattern) if "path" in rows else None
        home = self.value(rows["home"], identifier) if "home" in rows else None
        carry = self.truth(rows["carry"]) if "carry" in rows else None
        why = (self.value(rows["why"], says) or "") if "why" in rows else ""
        if home is not None:
            draft.home_positions.setdefault(home, (rows["home"].line, rows["home"].column))
        if pattern is not None:
            (draft.keep if keep else draft.skip).append(Rule(part, pattern, home, carry, why))

    def inside(self, node: Node, draft: Draft) -> None:
        rows = self.table(node, INSIDE_KEYS, INSIDE_KEYS, "an inside rule") or {}
        part = self.value(rows["part"], part_of) if "part" in rows else None
        pattern = self.value(rows["path"], compile_pattern) if "path" in rows else None
        if part is not None and pattern is not None:
            draft.inside.append(Rule(part, pattern))

    def version(self, node: Node, draft: Draft) -> Version | None:
        """Where the emulator's version stands."""
        rows = self.table(node, VERSION_KEYS, ("path", "find"), "version") or {}
        path = self.value(rows["path"], version_path) if "path" in rows else None
        find = self.value(rows["find"], version_find) if "find" in rows else None
        home = self.value(rows["home"], identifier) if "home" in rows else None
        if home is not None:
            draft.home_positions.setdefault(home, (rows["home"].line, rows["home"].column))
        return None if path is None or find is None else Version(path, find, home)

    def newest(self, node: Node) -> int | None:
        """How many exports are kept."""
        if isinstance(node, Scalar):
            if node.text == "all":
                return ALL
            if node.kind == "number" and node.text.isdecimal() and 0 < int(node.text[:9]) <= MOST_NEWEST:
                return int(node.text)
        self.wrong(node, f'{described(node)} for "newest"', f"a number from 1 to {MOST_NEWEST}, or all")
        return None

    def forms(self, node: Node) -> tuple[str, str] | None:
        """The two homes that hold the same saves."""
        names = [self.value(item, identifier) for item in self.items(node, 2, "forms")]
        if len(names) == 2 and names[0] is not None and names[1] is not None and names[0] != names[1]:
            return names[0], names[1]
        if None not in names:
            self.wrong(
                node, f"{len(names)} names of homes", "two of them: one beside the games, one a folder"
            )
        return None

    def carry(self, node: Node | None, draft: Draft) -> None:
        if node is None:
            return
        rows = self.table(node, tuple(Part), (), "carry")
        for name, value in (rows or {}).items():
            truth = self.truth(value)
            if truth is not None:
                draft.carry[Part(name)] = truth

    def by_hand(self, node: Node | None, draft: Draft) -> None:
        if node is None:
            return
        rows = self.table(node, BY_HAND_KEYS, (), "by_hand") or {}
        if "before" in rows:
            draft.before = self.steps(rows["before"])
        if "import" in rows:
            draft.imports = self.steps(rows["import"])
        if "after" in rows:
            draft.after = self.steps(rows["after"])

    def steps(self, node: Node) -> tuple[str, ...]:
        steps = [self.value(item, says) for item in self.items(node, MOST_STEPS, "steps")]
        return tuple(step for step in steps if step is not None)
