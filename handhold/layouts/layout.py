"""A layout: where one emulator keeps its data, and what of it is worth keeping."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cached_property
from typing import NamedTuple

import msgspec

from handhold.documents.mistakes import Wrong
from handhold.layouts.pattern import Pattern, prepared
from handhold.model import HomeKind, Part
from handhold.names import trouble_with

_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
_VOLUME = re.compile(r"\*|[A-Za-z0-9][A-Za-z0-9_-]{0,39}")


#: Characters of the text around a version.
MOST_FIND = 200
#: So many exports are kept: however many there are.
ALL = 0


class Place(msgspec.Struct, frozen=True):
    """Where a home can lie: a volume, and a path in it.

    ``volume`` is ``*`` for any volume. ``path`` is relative to the volume's root and in written form, ``""``
    is the root; its names may hold ``*`` and ``?``. Case does not matter.
    """

    volume: str
    path: str

    def __str__(self) -> str:
        return f"{self.volume}:{self.path}"


class Home(msgspec.Struct, frozen=True):
    """A place where the data can lie, by name; without any ``at`` nobody has said yet where."""

    name: str
    kind: HomeKind
    at: tuple[Place, ...] = ()


class Rule(msgspec.Struct, frozen=True):
    """One line of a keep-list: what the pattern fits is of this part, or is skipped (no part)."""

    part: Part | None
    pattern: Pattern
    home: str | None = None  # None: in every home
    carry: bool | None = None  # None: as the layout, or else the part, has it
    why: str = ""


class Version(msgspec.Struct, frozen=True):
    """Where an emulator's version stands: in a text file of a home, between two pieces of text.

    ``home`` is None where any home can have the file. ``find`` holds ``{version}`` once.
    """

    path: str  # relative to the home, in written form
    find: str
    home: str | None = None

    def within(self, text: str) -> str | None:
        """The version that stands in the text of the file, None where it does not.

        >>> Version("about.txt", "version={version}").within("name=x\\nversion=1.4 (stable)\\n")
        '1.4'
        """
        before, _, after = self.find.partition("{version}")
        # Without anything behind it, it ends where a word does.
        inner = r"[^\r\n]{1,60}?" if after.strip() else r"[^\s\"'<>,;]{1,60}"
        begin = r"(?<!\w)" if before[:1].isalnum() else ""
        found = re.search(f"{begin}{re.escape(before)}({inner}){re.escape(after)}", text)
        version = found[1].strip() if found else ""
        return version if version and version.isprintable() else None


class Verdict(NamedTuple):
    """What a layout says about one file; ``part`` is None where the file is skipped."""

    part: Part | None
    game: str | None
    why: str
    carry: bool | None


class Layout(msgspec.Struct, frozen=True, eq=False, dict=True):
    """A layout with everything that its patterns add already in it.

    ``rules`` stand in the order in which they are asked; ``like`` names the patterns below it, nearest first.
    ``before`` and ``after`` are the steps by hand around a restore, in order, and ``imports``
    those that bring what was put into an export home into the emulator. ``source`` is the file that it
    was read from, for messages only; it tells no two layouts apart. ``inside`` says what the members of its
    zips are. ``newest`` is given where each file of an ``export`` home is an export of everything: how many
    of them are kept, ``ALL`` for all. ``forms`` names a home beside the games and a home that is a folder, if
    the emulator keeps the same saves in one or in the other. ``version`` says where its version stands.
    """

    id: str
    title: str
    like: tuple[str, ...]
    homes: tuple[Home, ...]
    rules: tuple[Rule, ...]
    before: tuple[str, ...]
    after: tuple[str, ...]
    carry: Mapping[Part, bool]
    source: str = ""
    inside: tuple[Rule, ...] = ()
    newest: int | None = None
    forms: tuple[str, str] | None = None
    version: Version | None = None
    imports: tuple[str, ...] = ()

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Layout):
            return NotImplemented
        names = (name for name in self.__struct_fields__ if name != "source")
        return all(getattr(self, name) == getattr(other, name) for name in names)

    __hash__ = None  # type: ignore[assignment]

    def verdict(self, home: str, path: str) -> Verdict | None:
        """What the file at ``path`` (relative to the home, written form) is, or None if no rule speaks of it.

        ``home`` is the home's name without anything from ``@`` on. The first rule that fits wins.
        """
        rules = self._by_home.get(home)
        if rules is None:
            return None
        return rules.verdict(path)

    def in_folder(self, home: str, folder: str) -> FolderRules:
        """What it says about the files right in a folder of a home; ``folder`` is "" for the home itself."""
        rules = self._by_home.get(home)
        return FolderRules([], folder) if rules is None else rules.in_folder(folder)

    def member(self, name: str) -> Verdict | None:
        """What a member of one of its zips is, by its name in written form; None if no rule speaks of it."""
        return self._inside.verdict(name)

    def carries(self, part: Part) -> bool:
        """Whether a restore onto another device brings this part along."""
        return self.carry.get(part, part.carried)

    def other_form(self, home: str) -> str | None:
        """The home that holds the same saves in their other form; None if there is none.

        ``home`` is the home's name without anything from ``@`` on.
        """
        if self.forms is None or home not in self.forms:
            return None
        return self.forms[1] if home == self.forms[0] else self.forms[0]

    def home(self, name: str) -> Home | None:
        """The home of that name."""
        return next((home for home in self.homes if home.name == name), None)

    @property
    def is_pattern(self) -> bool:
        """Whether no home says where it lies, so that the layout is only there for others to build on."""
        return not any(home.at for home in self.homes)

    @cached_property
    def _by_home(self) -> dict[str, _Rules]:
        return {
            home.name: _Rules([rule for rule in self.rules if rule.home in (None, home.name)])
            for home in self.homes
        }

    @cached_property
    def _inside(self) -> _Rules:
        return _Rules(list(self.inside))


class FolderRules:
    """What the rules of one home say about the files right in one folder."""

    def __init__(self, rules: list[Rule], folder: str) -> None:
        backwards = prepared(folder)[0] if folder else ""
        self.folder = folder
        self._behind = f"/{backwards}"
        self._reaching = [
            (narrowed.expression.match, narrowed.game, rule)
            for rule in rules
            if (narrowed := rule.pattern.narrowed(backwards)) is not None
        ]

    def verdict(self, name: str) -> Verdict | None:
        """What the first rule that fits says about the file of this name, None if none does."""
        # Backwards as ``prepared`` has it: no letter of a name is composed with the "/" before it.
        if name.isascii() and "\\" not in name:
            backwards = name[::-1] + self._behind
        else:
            backwards = prepared(name)[0][:-1] + self._behind
        for match, game, rule in self._reaching:
            found = match(backwards)
            if found is not None:
                return Verdict(rule.part, game(found), rule.why, rule.carry)
        return None


class _Rules:
    """The rules of one home; files come folder by folder, so what a folder rules out is remembered."""

    def __init__(self, rules: list[Rule]) -> None:
        self.rules = rules
        self.last = FolderRules(rules, "")

    def verdict(self, path: str) -> Verdict | None:
        """What the first rule that fits says."""
        folder, _, name = path.rpartition("/")
        return self.in_folder(folder).verdict(name)

    def in_folder(self, folder: str) -> FolderRules:
        """Those that can fit a file in this folder, in order."""
        last = self.last
        if folder != last.folder:
            last = self.last = FolderRules(self.rules, folder)  # in one step, so that threads can share it
        return last


def identifier(text: str) -> str:
    """A layout's id or a home's name; raises ``Wrong``."""
    if not _ID.fullmatch(text):
        raise Wrong(f'the name "{text[:60]}"', 'at most 40 of a-z, 0-9 and "-", not beginning with "-"')
    return text


def version_path(text: str) -> str:
    """The path of the file in which a version stands, in its home; raises ``Wrong``."""
    path = text.strip()
    if trouble := trouble_with(path):
        raise Wrong(f'the path "{path[:60]}" {trouble}', "the path of one file inside the home")
    return path


def version_find(text: str) -> str:
    """The text around a version; raises ``Wrong``."""
    if text.count("{version}") != 1 or len(text) > MOST_FIND or not text.isprintable():
        raise Wrong(
            f'the text "{text[:60]}"', 'what stands around it, with "{version}" once, as "v{version}"'
        )
    return text


def place(text: str) -> Place:
    """The place that is written as ``volume:path``; raises ``Wrong``.

    >>> place("card:Emulation/Tinplate/")
    Place(volume='card', path='Emulation/Tinplate')
    """
    shown = text[:60]
    volume, colon, path = text.partition(":")
    if not colon:
        raise Wrong(
            f'the place "{shown}"', 'a volume, ":" and a folder, such as "card:Emulation" or "*:Emulation"'
        )
    if not _VOLUME.fullmatch(volume):
        raise Wrong(f'the volume "{volume[:60]}"', 'a volume\'s name, or "*" for any volume')
    if path.startswith("/"):
        raise Wrong(f'the place "{shown}" begins with "/" behind the volume', "a path inside the volume")
    path = path.removesuffix("/")
    if path:
        trouble = trouble_with(path)
        if trouble:
            raise Wrong(f'the path of the place "{shown}" {trouble}', "a folder inside the volume")
        if "**" in path:
            raise Wrong(
                f'"**" in the place "{shown}"',
                'a folder\'s path, in which "*" stands for a piece of one name',
            )
    return Place(volume, path)
