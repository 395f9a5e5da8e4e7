"""One layout file, read into a draft: what the file itself says, before its pattern is put below it."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import TypeVar

from handhold.layouts.document import Broken, Items, Node, Scalar, Table, read_document
from handhold.layouts.layout import Place, Rule, identifier, place
from handhold.layouts.mistakes import Mistake, Wrong
from handhold.layouts.pattern import compile_pattern
from handhold.model import HomeKind, Part

KEYS = ("layout", "id", "title", "like", "homes", "keep", "skip", "carry", "by_hand")
HOME_KEYS = ("name", "kind", "at")
KEEP_KEYS = ("part", "path", "home", "carry", "why")
SKIP_KEYS = ("path", "home", "why")
BY_HAND_KEYS = ("before", "after")
MOST_CHAIN = 8  # a layout, its pattern, that one's pattern, and so on
MOST_HOMES = 32
MOST_PLACES = 64
MOST_RULES = 1000
MOST_STEPS = 50
MOST_TEXT = 500
MOST_TITLE = 100

_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
T = TypeVar("T")
Position = tuple[int, int]


@dataclass(frozen=True, slots=True)
class HomeDraft:
    """A home as a file names it; None is what the file leaves to its pattern."""

    name: str
    kind: HomeKind | None
    at: tuple[Place, ...] | None
    position: Position


@dataclass(slots=True)
class Draft:
    """What one file says. ``sound`` is False if there was any mistake in it."""

    file: str
    sound: bool = False
    id: str | None = None
    id_position: Position = (1, 1)
    title: str = ""
    like: str | None = None
    like_position: Position = (1, 1)
    homes: list[HomeDraft] = field(default_factory=list)
    homes_position: Position = (1, 1)
    skip: list[Rule] = field(default_factory=list)
    keep: list[Rule] = field(default_factory=list)
    home_positions: dict[str, Position] = field(default_factory=dict)  # homes that rules name
    carry: dict[Part, bool] = field(default_factory=dict)
    before: tuple[str, ...] | None = None
    after: tuple[str, ...] | None = None


def read_draft(data: bytes, file: str, mistakes: list[Mistake]) -> Draft:
    """What the file says; adds every mistake in it to ``mistakes``."""
    before = len(mistakes)
    draft = Draft(file)
    reader = _Reader(file, mistakes)
    node = read_document(data, file, mistakes)
    if node is not None:
        reader.layout(node, draft)
    elif len(mistakes) == before:
        mistakes.append(Mistake(file, 1, 1, "an empty file", 'a layout, beginning with "layout: 1"'))
    draft.sound = len(mistakes) == before
    return draft


def says(text: str, most: int = MOST_TEXT) -> str:
    """A sentence for the owner, with single spaces; raises ``Wrong`` where it could not be shown."""
    text = " ".join(text.split())
    if not text:
        raise Wrong("an empty text", "some words")
    if len(text) > most:
        raise Wrong(f"a text of {len(text)} characters", f"at most {most}")
    if _CONTROL.search(text):
        raise Wrong("a control character in a text", "printable characters")
    return text


def part_of(text: str) -> Part:
    """The part of that name; raises ``Wrong``."""
    return _one_of(Part, text, "part")


def kind_of(text: str) -> HomeKind:
    """The kind of home of that name; raises ``Wrong``."""
    return _one_of(HomeKind, text, "kind")


_Choice = TypeVar("_Choice", Part, HomeKind)


def _one_of(choices: type[_Choice], text: str, what: str) -> _Choice:
    try:
        return choices(text)
    except ValueError:
        raise Wrong(f'the {what} "{text[:60]}"', _one(text, [str(c) for c in choices])) from None


def _one(text: str, known: Collection[str]) -> str:
    near = difflib.get_close_matches(text[:60], list(known), n=1)
    return f"one of {', '.join(known)}" + (f" ({near[0]}?)" if near else "")


def described(node: Node) -> str:
    """What a node is, in the owner's words."""
    if isinstance(node, Scalar):
        short = node.text if len(node.text) <= 40 else node.text[:37] + "..."
        short = _CONTROL.sub(" ", short)
        return {
            "nothing": "nothing",
            "number": f"the number {short}",
            "truth": short,
            "text": f'the text "{short}"',
        }[node.kind]
    return "a list" if isinstance(node, Items) else "a table"


class _Reader:
    """Takes values out of nodes; what is wrong is noted, and None or nothing comes back."""

    def __init__(self, file: str, mistakes: list[Mistake]) -> None:
        self.file = file
        self.mistakes = mistakes

    def wrong(self, node: Node, what: str, expected: str) -> None:
        if not isinstance(node, Broken):
            self.mistakes.append(Mistake(self.file, node.line, node.column, what, expected))

    # --- the pieces of a layout

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
        if "after" in rows:
            draft.after = self.steps(rows["after"])

    def steps(self, node: Node) -> tuple[str, ...]:
        steps = [self.value(item, says) for item in self.items(node, MOST_STEPS, "steps")]
        return tuple(step for step in steps if step is not None)

    # --- values

    def table(
        self, node: Node, known: Collection[str], needed: Collection[str], what: str
    ) -> dict[str, Node] | None:
        """The rows by key, without unknown keys; None if it is no table."""
        if not isinstance(node, Table):
            self.wrong(node, f"{described(node)} for {what}", f"a table with {', '.join(needed or known)}")
            return None
        rows = {}
        for key, value in node.rows:
            if key.text in known:
                rows[key.text] = value
            else:
                shown = _CONTROL.sub(" ", key.text[:60])
                self.wrong(key, f'unknown key "{shown}" in {what}', _one(key.text, known))
        for name in needed:
            if name not in rows:
                self.wrong(node, f'no "{name}" in {what}', f'"{name}:" with its value')
        return rows

    def items(self, node: Node | None, most: int, what: str) -> tuple[Node, ...]:
        """The values of a list; nothing where there is none."""
        if node is None:
            return ()
        if not isinstance(node, Items):
            self.wrong(node, f"{described(node)} for a list of {what}", 'a list, with "- " before each item')
            return ()
        if len(node.values) > most:
            self.wrong(node, f"{len(node.values)} {what}", f"at most {most}")
            return ()
        return node.values

    def value(self, node: Node, check: Callable[[str], T]) -> T | None:
        """A text, as ``check`` makes something of it."""
        if not isinstance(node, Scalar) or node.kind != "text":
            extra = " (text that begins with { or [ needs quotes)" if isinstance(node, Table | Items) else ""
            extra = (
                " (in quotes, if it is meant so)"
                if isinstance(node, Scalar) and node.kind != "nothing"
                else extra
            )
            self.wrong(node, described(node), "text" + extra)
            return None
        try:
            return check(node.text)
        except Wrong as wrong:
            self.wrong(node, wrong.what, wrong.expected)
            return None

    def truth(self, node: Node) -> bool | None:
        if isinstance(node, Scalar) and node.kind == "truth":
            return node.text.lower() == "true"
        self.wrong(node, described(node), "true or false")
        return None
