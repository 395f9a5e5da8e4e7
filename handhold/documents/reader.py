"""Takes values out of a document; what is wrong is noted with its place, and None or nothing comes back."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from enum import StrEnum
from typing import TypeVar

from handhold.documents.document import Broken, Items, Node, Scalar, Table
from handhold.documents.mistakes import Mistake, Wrong

MOST_TEXT = 500
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
T = TypeVar("T")
C = TypeVar("C", bound=StrEnum)


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


def one_of(choices: type[C], text: str, what: str) -> C:
    """The choice that is written so; raises ``Wrong`` with the nearest."""
    try:
        return choices(text)
    except ValueError:
        raise Wrong(f'the {what} "{text[:60]}"', nearest(text, [str(c) for c in choices])) from None


def nearest(text: str, known: Collection[str]) -> str:
    """What was expected: one of the known words, and which of them is close."""
    from difflib import get_close_matches

    near = get_close_matches(text[:60], list(known), n=1)
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


class Reader:
    """Reads one file's values; a room that has a kind of file of its own builds on it."""

    def __init__(self, file: str, mistakes: list[Mistake]) -> None:
        self.file = file
        self.mistakes = mistakes

    def wrong(self, node: Node, what: str, expected: str) -> None:
        """Notes a mistake at the node's place, unless it is told already."""
        if not isinstance(node, Broken):
            self.mistakes.append(Mistake(self.file, node.line, node.column, what, expected))

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
                self.wrong(key, f'unknown key "{shown}" in {what}', nearest(key.text, known))
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
