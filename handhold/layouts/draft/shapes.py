"""Path patterns that a single file could be an instance of, from the telling to the exact.

>>> [shape.text for shape in shapes("states/Lamp Oil 1.st", "Lamp Oil", Part.STATES, 0)]
['states/{game} {slot}.st']
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

from handhold.layouts.recognition.place import is_id, meaning
from handhold.model import Part

#: The levels, in the order in which they are tried.
SLOTTED, TITLED, BY_ENDING, BY_FOLDER, EXACT, ANYWHERE = range(6)
_DEEPEST_STARRED = 12
_SPECIAL = re.compile(r"[\\*?{}]")
#: What no pattern can hold: control characters, and bytes that are no text.
_UNWRITABLE = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
#: A slot as emulators write it (common practice, no source): a number or such a word, behind the title.
_WORD = r"(?:auto|quick|autosave|quicksave|resume)"
_IN_ENDING = re.compile(rf"\.(?:[a-z]{{1,12}}[_-]?)?([0-9]{{1,3}})(?=\.|\Z)|\.({_WORD})(?=\.|\Z)", re.I)
_BEHIND_TITLE = re.compile(rf"[0-9]{{1,3}}(?![0-9])|(?<![a-z]){_WORD}(?![a-z])", re.I)
_NUMBER = re.compile("[0-9]{1,3}(?![0-9])")


class Shape(NamedTuple):
    """One pattern, in the pieces from which rules are put together again."""

    folder: str  # with "/" behind it, or empty
    head: str  # how the name begins
    ending: str  # and ends
    starred: bool = False  # a folder that is called otherwise elsewhere stands in it as "*"

    @property
    def text(self) -> str:
        """As it is written in a layout."""
        return self.folder + self.head + self.ending


def literal(text: str) -> str:
    """A pattern for just this text; ``?`` stands for what cannot be written.

    >>> literal("a{b}*.sav"), literal("bell\\a")
    ('a\\\\{b\\\\}\\\\*.sav', 'bell?')
    """
    return _UNWRITABLE.sub("?", _SPECIAL.sub(r"\\\g<0>", text))


def shapes(path: str, game: str | None, part: Part, level: int) -> Iterator[Shape]:
    """The shapes of one level; ``path`` is plain text, not written form."""
    *folders, name = path.split("/")
    if level == EXACT:
        yield Shape("".join(f"{literal(folder)}/" for folder in folders), literal(name), "")
        return
    if level == ANYWHERE:
        ending = literal(_parted(name)[1])
        yield Shape("**/", literal(name), "")
        yield Shape("**/", "*", ending)
        return
    in_name = game is not None and game in name
    general = [_folder(folder, game, in_name) for folder in folders]
    in_folders = "{game}" in general
    if level == TITLED and in_folders:
        yield Shape("".join(f"{folder}/" for folder in general[: general.index("{game}") + 1]), "**", "")
    for head, ending in _names(name, game if in_name else None, in_folders, part, level):
        yield Shape("".join(f"{folder}/" for folder in general), head, ending)
        if len(folders) <= _DEEPEST_STARRED:
            for index, folder in enumerate(folders):
                if general[index] not in ("*", "{game}") and meaning(folder) is None:
                    starred = [*general[:index], "*", *general[index + 1 :]]
                    yield Shape("".join(f"{folder}/" for folder in starred), head, ending, True)


def folder_shape(path: str) -> str:
    """A folder's path with ids and numbers as ``*``."""
    return "/".join(_folder(folder, None, False) for folder in path.split("/"))


def _folder(name: str, game: str | None, in_name: bool) -> str:
    if name == game:
        return "*" if in_name else "{game}"
    return "*" if is_id(name) or name.isdigit() else literal(name)


def _names(
    name: str, game: str | None, in_folders: bool, part: Part, level: int
) -> Iterator[tuple[str, str]]:
    """Head and ending of the name's shapes on one level."""
    stem, ending = _parted(name)
    if level == BY_ENDING:
        yield "*", literal(ending)
    elif level == BY_FOLDER:
        yield "*", ""
    elif game is not None:
        before, behind = name.split(game, 1)
        head = literal(before) + "{game}"
        if level == SLOTTED and part in (Part.SAVES, Part.STATES):
            slotted = _slotted(behind)
            if slotted is not None:
                yield head, slotted
        elif level == TITLED:
            yield head, literal(behind)
    elif level == SLOTTED and part in (Part.SAVES, Part.STATES):
        numbers = list(_NUMBER.finditer(stem))
        if numbers:
            start, end = numbers[-1].span()
            yield literal(stem[:start]) + "{slot}", literal(stem[end:] + ending)
    elif level == TITLED and in_folders:
        yield literal(stem), literal(ending)


def _slotted(behind: str) -> str | None:
    """What stands behind the title, with the slot as a capture; None if there is no slot in it."""
    dot = behind.find(".")
    first = behind if dot < 0 else behind[:dot]
    in_title = list(_BEHIND_TITLE.finditer(first))
    if in_title:
        start, end = in_title[-1].span()
    else:
        found = _IN_ENDING.search(behind)
        if found is None:
            return None
        start, end = found.span(1) if found[1] else found.span(2)
    # Directly behind the title nothing would say where it ends.
    slot = "{slot}" if start else "?" * (end - start)
    return literal(behind[:start]) + slot + literal(behind[end:])


def _parted(name: str) -> tuple[str, str]:
    """A name without its ending, and the ending with its dot."""
    dot = name.rfind(".")
    return (name[:dot], name[dot:]) if dot > 0 else (name, "")
