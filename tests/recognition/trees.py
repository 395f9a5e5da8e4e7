"""Invented device trees: read from the corpus, built in memory, and looked at by recognition.

One line of a tree stands for several files: ``{game}`` for each of its ``games`` (the tree's, if it names
none), ``{number}`` for each of its ``count``. ``is`` says what the file holds, ``part`` what a person says.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Annotated, NamedTuple

import msgspec
import yaml

from handhold.demo.contents import battery, memory_card, noise, picture
from handhold.layouts.recognition.recognise import (
    HEAD,
    SURE,
    Looks,
    Seen,
    Surroundings,
    look_around,
    recognise,
)
from handhold.model import Part
from tests.real.cartridge import make_cartridge

CORPUS = Path(__file__).with_name("corpus")
_Size = Annotated[str, msgspec.Meta(pattern=r"^\d+[KM]?$")]


class Is(StrEnum):
    """What a file of a tree holds."""

    BATTERY = "battery"  # a quarter used, the rest never written
    FULL = "full"  # a battery that is used up: bytes like noise
    BLANK = "blank"  # a battery that was never written
    CARD = "card"  # a memory card without a header
    HEADED = "headed card"  # a memory card with the published header
    STATE = "state"
    PACKED = "packed"  # gzip
    NOISE = "noise"
    CARTRIDGE = "cartridge"  # a game with the published header
    TRACK = "track"  # a raw track of a disc
    ZERO_START = "zero start"  # zeros first, as a disc image begins
    PICTURE = "picture"
    PHOTO = "photo"
    MUSIC = "music"
    FILM = "film"
    PAGES = "pages"  # a printed document
    PROGRAM = "program"
    DATABASE = "database"
    TEXT = "text"
    ZIP = "zip"
    EMPTY = "empty"


class Line(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One line of a tree."""

    path: str
    is_: Is = msgspec.field(name="is")
    part: str
    size: int | _Size = 64
    games: tuple[str, ...] = ()
    count: int = 1
    text: str = ""
    first: str = ""  # the first member of a zip
    why: str = ""

    @property
    def bytes(self) -> int:
        if isinstance(self.size, int):
            return self.size
        unit = {"K": 1 << 10, "M": 1 << 20}.get(self.size[-1], 1)
        return int(self.size.rstrip("KM")) * unit


class Tree(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One invented device, or one part of it."""

    title: str
    set: str  # seen: the rules were written along with it; unseen: written afterwards
    games: tuple[str, ...]
    files: tuple[Line, ...]
    why: str = ""
    name: str = ""


class Expected(NamedTuple):
    """A file of a tree, and what a person says that it is."""

    path: str
    line: Line
    part: Part | None
    size: int


@dataclass(slots=True)
class Branch:
    """A folder in memory."""

    files: dict[str, Expected] = field(default_factory=dict)
    folders: dict[str, Branch] = field(default_factory=dict)


class Found(NamedTuple):
    """A file of a tree, what it is, and what recognition takes it for."""

    expected: Expected
    looks: Looks

    @property
    def part(self) -> Part | None:
        """What it counts as: a guess below SURE is none."""
        return self.looks.part if self.looks.confidence >= SURE else None


@functools.cache
def read_trees() -> tuple[Tree, ...]:
    """Every tree of the corpus; a mistake in one is told with its file."""
    trees = []
    for file in sorted(CORPUS.glob("*.yaml")):
        try:
            tree = msgspec.convert(yaml.safe_load(file.read_bytes()), Tree, strict=True)
            assert tree.set in ("seen", "unseen"), tree.set
            for line in tree.files:
                assert line.part == "none" or Part(line.part), line
        except (msgspec.ValidationError, AssertionError, ValueError, yaml.YAMLError) as error:
            raise ValueError(f"{file.name}: {error}") from error
        trees.append(msgspec.structs.replace(tree, name=file.stem))
    return tuple(trees)


def files_of(tree: Tree) -> Iterator[Expected]:
    """The lines of a tree written out."""
    for line in tree.files:
        games = (line.games or tree.games) if "{game}" in line.path else ("",)
        for game in games:
            for number in range(1, line.count + 1):
                path = line.path.replace("{game}", game).replace("{number}", str(number))
                part = None if line.part == "none" else Part(line.part)
                size = len(head_of(path, line)) if line.is_ in (Is.TEXT, Is.EMPTY) else line.bytes
                yield Expected(path, line, part, size)


def build(files: Iterator[Expected]) -> Branch:
    """The files as a tree of folders. Raises ``ValueError`` for the same path twice."""
    top = Branch()
    for file in files:
        *folders, name = file.path.split("/")
        branch = top
        for folder in folders:
            if folder in branch.files:
                raise ValueError(f"{file.path} lies in a file")
            branch = branch.folders.setdefault(folder, Branch())
        if name in branch.files or name in branch.folders:
            raise ValueError(f"{file.path} stands twice in the tree")
        branch.files[name] = file
    return top


def looked_over(top: Branch) -> list[Found]:
    """What recognition takes each file for."""
    found: list[Found] = []
    todo = [(top, Surroundings.top())]
    while todo:
        branch, above = todo.pop()
        seen = [Seen(name, file.size, 0) for name, file in branch.files.items()]

        def head(file: Seen, branch: Branch = branch) -> bytes:
            expected = branch.files[file.name]
            return head_of(expected.path, expected.line)

        here = look_around(above, seen, list(branch.folders), head)
        looks = recognise(here, seen, list(branch.folders), head)
        found += [Found(*pair) for pair in zip(branch.files.values(), looks, strict=True)]
        todo += [(inner, here.into(name)) for name, inner in branch.folders.items()]
    return found


def head_of(path: str, line: Line) -> bytes:
    """The first bytes of a file: a pure function of its path and line."""
    size = line.bytes
    short = min(size, HEAD)
    match line.is_:
        case Is.BATTERY:
            used = min(size // 4, HEAD // 2)
            return battery(path, max(used * 4, 64), 0)[:short]
        case Is.CARD:
            return memory_card(path, 16384, 0)[:short]
        case Is.HEADED:
            # Source: PSX-SPX, "Memory Card Data Format", header frame; from memory.
            return (b"MC" + bytes(125) + b"\x0e" + noise(path, 512)).ljust(short, b"\0")[:short]
        case Is.BLANK:
            return b"\xff" * short
        case Is.FULL | Is.STATE | Is.NOISE:
            return noise(path, short)
        case Is.CARTRIDGE:
            return make_cartridge()[:short]
        case Is.TEXT:
            return line.text.encode()
        case Is.EMPTY:
            return b""
        case Is.PICTURE:
            return picture(path, 0)
        case Is.ZIP:
            name = (line.first or f"{Path(path).stem}.bin").encode()
            local = b"PK\x03\x04\x14\0\0\0\x08\0" + bytes(16) + len(name).to_bytes(2, "little") + b"\0\0"
            return (local + name + noise(path, HEAD))[:short]
        case _:
            return (_FIRST_BYTES[line.is_] + noise(path, HEAD))[:short]


#: By hand, from the sources that stand beside each in ``signals.yaml``.
_FIRST_BYTES = {
    Is.PACKED: b"\x1f\x8b\x08\0\0\0\0\0\0\x03",  # Source: RFC 1952, section 2.3
    Is.TRACK: b"\0" + b"\xff" * 10 + b"\0",  # Source: ECMA-130, section 14.1
    Is.ZERO_START: bytes(HEAD),  # Source: ISO 9660 (ECMA-119), 6.2.1: the system area is left unspecified
    Is.PHOTO: b"\xff\xd8\xff\xe1",  # Source: ITU-T T.81, annex B
    Is.MUSIC: b"ID3\x04\0\0",  # Source: ID3 tag version 2.4.0, section 3.1
    Is.FILM: b"\0\0\0\x18ftypisom",  # Source: ISO/IEC 14496-12, section 4.3
    Is.PAGES: b"%PDF-1.7\n",  # Source: ISO 32000-1, section 7.5.2
    Is.PROGRAM: b"\x7fELF\x02\x01\x01",  # Source: System V ABI, "ELF Header"
    Is.DATABASE: b"SQLite format 3\0",  # Source: SQLite, "Database File Format", section 1.3
}
