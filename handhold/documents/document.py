"""A YAML file as plain values that know where they stand.

Only what layouts and the config need: tables, lists and single values, one document, UTF-8. Anchors, aliases,
tags and duplicate keys are refused, and depth and size are limited, so that a file from a stranger can do no
harm. Plain values are read as the core schema of YAML 1.2 has it: ``yes`` and ``no`` are text.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import msgspec

from handhold.documents.mistakes import Mistake

MOST_BYTES = 256 * 1024
MOST_DEPTH = 12
MOST_VALUES = 20_000

_NUMBER = re.compile(
    r"[-+]?(\d+|0o[0-7]+|0x[0-9a-fA-F]+|(\.\d+|\d+(\.\d*)?)([eE][-+]?\d+)?|\.(inf|Inf|INF))|\.(nan|NaN|NAN)"
)
_TRUTH = re.compile("true|True|TRUE|false|False|FALSE")
_NOTHING = re.compile("null|Null|NULL|~|")
_REFUSED = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ud800-\udfff\ufffe\uffff]")
#: Characters that mean something else in YAML when a value begins with them.
_NEEDS_QUOTES = "*&!%@`{["


class Node(msgspec.Struct, frozen=True):
    """Anything in the file, with the line and column where it begins, from 1."""

    line: int
    column: int


class Scalar(Node, frozen=True):
    """A single value; ``kind`` is text, number, truth or nothing."""

    text: str
    kind: str


class Items(Node, frozen=True):
    """A list."""

    values: tuple[Node, ...]


class Table(Node, frozen=True):
    """Keys and values, in the order of the file, each key once."""

    rows: tuple[tuple[Scalar, Node], ...]


class Broken(Node, frozen=True):
    """Something whose mistake is already told."""


def read_document(data: bytes, file: str, mistakes: list[Mistake], sort: str) -> Node | None:
    """The one document of the file, or None if nothing can be made of it.

    Adds to ``mistakes`` what is wrong. ``sort`` says what the file should be, for messages.
    """

    def wrong(line: int, column: int, what: str, expected: str) -> None:
        mistakes.append(Mistake(file, line, column, what, expected))

    if len(data) > MOST_BYTES:
        wrong(1, 1, f"a file that is far too large for a {sort}", f"at most {MOST_BYTES // 1024} KiB")
        return None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start]
        column = len(before.rpartition(b"\n")[2].decode("utf-8", "replace")) + 1
        wrong(before.count(b"\n") + 1, column, "bytes that are not UTF-8 text", "a text file in UTF-8")
        return None
    refused = _REFUSED.search(text)
    if refused:
        line, column = _position(text, refused.start())
        wrong(line, column, "a control character", "a plain text file")
        return None
    if _tabs(text, wrong):
        return None
    import yaml  # only where there is a file: it takes as long to load as to read ten of them

    builder = _Builder(wrong)
    try:
        return builder.build(yaml.parse(text, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader)))
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line, column = (mark.line, mark.column) if mark else (0, 0)
        problem = (error.problem or "no sense in it").replace("found ", "").strip()
        wrong(line + 1, column + 1, f"not YAML here ({problem})", _hint(text, line, column))
    except yaml.YAMLError:
        wrong(1, 1, "a file that is not YAML", f"a {sort}")
    except _TooMuch:
        pass  # told where it was found
    return None


def _position(text: str, offset: int) -> tuple[int, int]:
    return text.count("\n", 0, offset) + 1, offset - text.rfind("\n", 0, offset)


def _tabs(text: str, wrong: Any) -> bool:
    """Tells every tab with which a line is indented; YAML allows none there."""
    found = False
    for number, line in enumerate(text.splitlines(), 1):
        indent = line[: len(line) - len(line.lstrip())]
        if "\t" in indent and line.strip() and not line.lstrip().startswith("#"):
            wrong(number, indent.index("\t") + 1, "a tab in front of a line", "spaces")
            found = True
    return found


def _hint(text: str, line: int, column: int) -> str:
    """What could be meant where YAML cannot be read on."""
    lines = text.splitlines()
    here = lines[line] if line < len(lines) else ""
    before = here[:column].rstrip(" ")
    at = here[column : column + 1]
    if at and (at in _NEEDS_QUOTES or before[-1:] in _NEEDS_QUOTES or before[-1:] == "}"):
        return f'quotes around text that holds any of {" ".join(_NEEDS_QUOTES)}, such as path: "**/*.sav"'
    if at == "\t":
        return "spaces instead of a tab"
    return "YAML with spaces for indentation, quotes closed and lists and tables complete"


class _TooMuch(Exception):
    pass


class _Open:
    """A list or table that is not yet closed."""

    def __init__(self, mark: Any, table: bool) -> None:
        self.line, self.column = mark.line + 1, mark.column + 1
        self.table = table
        self.values: list[Node] = []


class _Builder:
    """Makes nodes of the parser's events, one after the other, without recursion."""

    def __init__(self, wrong: Any) -> None:
        self.wrong = wrong
        self.open: list[_Open] = []
        self.top: Node | None = None
        self.count = 0

    def build(self, events: Iterator[Any]) -> Node | None:
        from yaml.events import (
            AliasEvent,
            DocumentStartEvent,
            MappingEndEvent,
            MappingStartEvent,
            ScalarEvent,
            SequenceEndEvent,
            SequenceStartEvent,
        )

        documents = 0
        for event in events:
            mark = event.start_mark
            line, column = mark.line + 1, mark.column + 1
            if isinstance(event, DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self.wrong(line, column, "a second document in one file", "one document in each file")
                    raise _TooMuch
            elif isinstance(event, AliasEvent):
                self.wrong(
                    line,
                    column,
                    f'an alias, "*{event.anchor}"',
                    "the value itself, or quotes around a path with *",
                )
                self.add(Broken(line, column))
            elif isinstance(event, ScalarEvent):
                self.refuse_marks(event, line, column)
                self.add(Scalar(line, column, event.value, _kind(event)))
            elif isinstance(event, (MappingStartEvent, SequenceStartEvent)):
                self.refuse_marks(event, line, column)
                if len(self.open) == MOST_DEPTH:
                    self.wrong(
                        line, column, "values too deep inside each other", f"at most {MOST_DEPTH} deep"
                    )
                    raise _TooMuch
                self.open.append(_Open(mark, isinstance(event, MappingStartEvent)))
            elif isinstance(event, (MappingEndEvent, SequenceEndEvent)):
                done = self.open.pop()
                self.add(
                    self.table(done) if done.table else Items(done.line, done.column, tuple(done.values))
                )
        return self.top

    def refuse_marks(self, event: Any, line: int, column: int) -> None:
        if event.anchor is not None:
            self.wrong(
                line, column, f'an anchor, "&{event.anchor}"', "the value itself, wherever it is needed"
            )
        if event.tag is not None:
            self.wrong(line, column, f'a tag, "{str(event.tag)[:40]}"', "a plain value")

    def add(self, node: Node) -> None:
        self.count += 1
        if self.count > MOST_VALUES:
            self.wrong(node.line, node.column, "far too many values", f"at most {MOST_VALUES}")
            raise _TooMuch
        if self.open:
            self.open[-1].values.append(node)
        else:
            self.top = node

    def table(self, done: _Open) -> Node:
        rows: dict[str, tuple[Scalar, Node]] = {}
        for key, value in zip(done.values[::2], done.values[1::2], strict=True):
            if not isinstance(key, Scalar):
                if not isinstance(key, Broken):
                    self.wrong(
                        key.line,
                        key.column,
                        "a list or table as a key",
                        "a word (text with braces needs quotes)",
                    )
            elif key.text in rows:
                first = rows[key.text][0].line
                self.wrong(
                    key.line,
                    key.column,
                    f'"{key.text[:60]}" a second time (first in line {first})',
                    "it once",
                )
            else:
                rows[key.text] = (key, value)
        return Table(done.line, done.column, tuple(rows.values()))


def _kind(event: Any) -> str:
    if event.style is not None and event.style != "":
        return "text"
    if _NOTHING.fullmatch(event.value):
        return "nothing"
    if _TRUTH.fullmatch(event.value):
        return "truth"
    return "number" if _NUMBER.fullmatch(event.value) else "text"
