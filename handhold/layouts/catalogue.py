"""The layouts that are known: the patterns that come with handhold, and the owner's own files."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import msgspec

from handhold.documents.file import read_file, reason, shown
from handhold.documents.mistakes import Mistake, Mistakes
from handhold.layouts.layout import Home, Layout
from handhold.layouts.reading import MOST_CHAIN, Draft, read_draft
from handhold.model import HomeKind
from handhold.resources import patterns_folder

ENDINGS = (".yaml", ".yml")
MOST_FILES = 2000


class Catalogue(msgspec.Struct, frozen=True):
    """``layouts`` are the usable ones by id; ``patterns`` those that only others build on."""

    layouts: Mapping[str, Layout]
    patterns: Mapping[str, Layout]


def read_catalogue(folders: Sequence[Path], *, patterns: bool = True) -> Catalogue:
    """The built-in patterns and every ``*.yaml`` of the folders.

    Without ``patterns`` only those patterns that these build on. Raises ``Mistakes`` with every mistake of
    every file.
    """
    sound = read_sound(folders, patterns=patterns)
    if sound.mistakes is not None:
        raise sound.mistakes
    return sound.catalogue


class Sound(msgspec.Struct, frozen=True):
    """What can be used of the layouts, and every mistake of the others.

    ``missing`` are the ids that the others have or, where nothing can be read in a file, probably have.
    """

    catalogue: Catalogue
    mistakes: Mistakes | None
    missing: frozenset[str]


def read_sound(folders: Sequence[Path], *, patterns: bool = False) -> Sound:
    """The same, for a night that must not be lost for a slip in one file. Raises nothing."""
    mistakes: list[Mistake] = []
    files = files_in([patterns_folder(), *folders], mistakes)
    if patterns:
        drafts = read_files(files, mistakes)
    else:
        files, drafts = _needed(files, mistakes)
    layouts = resolve(drafts, mistakes)
    named = {draft.file: draft.id for draft in drafts if draft.id is not None}
    others = {named.get(shown(file), file.stem.lower()) for file in files} | set(named.values())
    return Sound(
        Catalogue(
            layouts={layout.id: layout for layout in layouts if not layout.is_pattern},
            patterns={layout.id: layout for layout in layouts if layout.is_pattern},
        ),
        Mistakes(mistakes, "layout") if mistakes else None,
        frozenset(others - {layout.id for layout in layouts}),
    )


class Checked(msgspec.Struct, frozen=True):
    """The files that were looked at, by name, and every mistake in them."""

    files: tuple[str, ...]
    mistakes: tuple[Mistake, ...]


def check_files(files: Sequence[Path], folders: Sequence[Path]) -> Checked:
    """The mistakes in these files, which may build on what lies in the folders.

    A folder among the files stands for the layouts in it. Without files: everything that lies in the folders.
    """
    mistakes: list[Mistake] = []
    asked = [file for given in files for file in (files_in([given], mistakes) if given.is_dir() else [given])]
    known: list[Mistake] = []
    others = files_in([patterns_folder(), *folders], known)
    # The asked ones last: where an id is there twice, they are the ones that are told.
    wanted = {os.path.realpath(file) for file in asked}
    listed = [file for file in others if os.path.realpath(file) not in wanted]
    listed += {os.path.realpath(file): file for file in asked}.values()
    resolve(read_files(listed, known), known)
    looked_at = tuple(dict.fromkeys(shown(file) for file in (asked if files else others)))
    mistakes += [mistake for mistake in known if not files or mistake.file in looked_at]
    return Checked(looked_at, tuple(sorted(set(mistakes))))


def files_in(folders: Iterable[Path], mistakes: list[Mistake]) -> list[Path]:
    """The layout files of the folders, each once, by name."""
    files: dict[str, Path] = {}
    for folder in folders:
        try:
            names = sorted(os.listdir(folder))
        except OSError as error:
            what = f"a folder that cannot be listed ({reason(error)})"
            mistakes.append(Mistake(shown(folder), 1, 1, what, "a folder with layouts"))
            continue
        chosen = [name for name in names if name.lower().endswith(ENDINGS) and not name.startswith(".")]
        if len(chosen) > MOST_FILES:
            what = f"{len(chosen)} files in a layout folder"
            mistakes.append(Mistake(shown(folder), 1, 1, what, f"at most {MOST_FILES}"))
            continue
        for name in chosen:
            files.setdefault(os.path.realpath(folder / name), folder / name)
    return list(files.values())


def read_files(files: Sequence[Path], mistakes: list[Mistake]) -> list[Draft]:
    """A draft of every file that can be read."""
    drafts = []
    for file in files:
        data = read_file(file, mistakes, "layout")
        if data is not None:
            drafts.append(read_draft(data, shown(file), mistakes))
    return drafts


def _needed(files: Sequence[Path], mistakes: list[Mistake]) -> tuple[list[Path], list[Draft]]:
    """The files without the built-in patterns that no other names, and the drafts of those that are left.

    A pattern's file is called like its id. One that says where a home lies is more than a pattern, and stays.
    """
    folder = patterns_folder()
    unread = {file.stem: file for file in files if file.parent == folder and not _says_where(file)}
    left = [file for file in files if file not in unread.values()]
    drafts = read_files(left, mistakes)
    named = [name for draft in drafts for name in (draft.id, draft.like) if name is not None]
    while named:
        name = named.pop()
        if name in unread:
            left.append(unread.pop(name))
            more = read_files(left[-1:], mistakes)
            named += [draft.like for draft in more if draft.like is not None]
            drafts = [*more, *drafts]  # in front, as where all are read
        elif unread and not any(name == draft.id for draft in drafts):  # told with what there is
            return list(files), [*read_files(list(unread.values()), mistakes), *drafts]
    return left, drafts


_WHERE = re.compile(rb"^[^#\n]*\bat\b['\"]?\s*:", re.MULTILINE)


def _says_where(file: Path) -> bool:
    try:
        return _WHERE.search(file.read_bytes()) is not None
    except OSError:
        return True  # told when it is read


def resolve(drafts: Sequence[Draft], mistakes: list[Mistake]) -> list[Layout]:
    """The drafts with their patterns put below them; those with a mistake, or upon one, are left out."""
    by_id: dict[str, Draft] = {}
    for draft in drafts:
        if draft.id is None:
            continue
        first = by_id.setdefault(draft.id, draft)
        if first is not draft:
            line, column = draft.id_position
            what = f'the id "{draft.id}", which {first.file}:{first.id_position[0]} has already'
            mistakes.append(Mistake(draft.file, line, column, what, "an id of its own"))
            draft.sound = False
    layouts = []
    for draft in drafts:
        chain = _chain(draft, by_id, mistakes)
        if chain is not None and all(each.sound for each in chain):
            before = len(mistakes)
            layout = _put_together(chain, mistakes)
            if len(mistakes) == before:
                layouts.append(layout)
    return layouts


def _chain(draft: Draft, by_id: Mapping[str, Draft], mistakes: list[Mistake]) -> list[Draft] | None:
    """The draft and the patterns below it, nearest first; None if that leads nowhere."""
    chain = [draft]
    while (wanted := chain[-1].like) is not None:
        below = by_id.get(wanted)
        if below is None:
            if len(chain) == 1:  # else it is told where it is written
                from difflib import get_close_matches

                near = get_close_matches(wanted, sorted(by_id), n=1)
                expected = "the id of a pattern" + (f" ({near[0]}?)" if near else "")
                mistakes.append(
                    Mistake(draft.file, *draft.like_position, f'unknown "like": "{wanted}"', expected)
                )
            return None
        if below in chain:
            if below is draft:
                loop = " -> ".join(str(each.id) for each in [*chain, draft])
                what = f'"like" goes round in a circle ({loop})'
                mistakes.append(Mistake(draft.file, *draft.like_position, what, "an end to it"))
            return None
        if len(chain) == MOST_CHAIN:
            what = f'"like" of "like", more than {MOST_CHAIN} layouts deep'
            mistakes.append(Mistake(draft.file, *draft.like_position, what, "a pattern that is nearer"))
            return None
        chain.append(below)
    return chain


def _put_together(chain: Sequence[Draft], mistakes: list[Mistake]) -> Layout:
    own = chain[0]
    homes: dict[str, Home | None] = {}
    for name in dict.fromkeys(home.name for draft in chain for home in draft.homes):
        said = [home for draft in chain for home in draft.homes if home.name == name]
        kind = next((home.kind for home in said if home.kind is not None), None)
        at = next((home.at for home in said if home.at is not None), ())
        homes[name] = Home(name, kind, at) if kind is not None else None
        if kind is None:
            position = next((home.position for home in own.homes if home.name == name), own.homes_position)
            what = f'no "kind" for the home "{name}"'
            theirs = dict.fromkeys(home.name for draft in chain[1:] for home in draft.homes)
            expected = f"one of {', '.join(HomeKind)}"
            expected += f", or a home of the pattern ({', '.join(theirs)})" if theirs else ""
            mistakes.append(Mistake(own.file, *position, what, expected))
    if not homes:
        mistakes.append(Mistake(own.file, *own.homes_position, "a layout without any home", "at least one"))
    for name, position in own.home_positions.items():
        if name not in homes:
            what = f'a rule for the home "{name}", which the layout does not have'
            mistakes.append(Mistake(own.file, *position, what, f"one of {', '.join(homes) or 'its homes'}"))
    return Layout(
        id=own.id or "",
        title=own.title,
        like=tuple(str(draft.id) for draft in chain[1:]),
        homes=tuple(home for home in homes.values() if home is not None),
        rules=tuple(rule for draft in chain for rule in [*draft.skip, *draft.keep]),
        before=next((draft.before for draft in chain if draft.before is not None), ()),
        after=next((draft.after for draft in chain if draft.after is not None), ()),
        carry={part: truth for draft in reversed(chain) for part, truth in draft.carry.items()},
        source=own.file,
        inside=tuple(rule for draft in chain for rule in draft.inside),
        newest=next((draft.newest for draft in chain if draft.newest is not None), None),
        forms=_forms(chain, homes, mistakes),
        imports=next((draft.imports for draft in chain if draft.imports is not None), ()),
        version=next((draft.version for draft in chain if draft.version is not None), None),
    )


def _forms(
    chain: Sequence[Draft], homes: Mapping[str, Home | None], mistakes: list[Mistake]
) -> tuple[str, str] | None:
    """The two homes that hold the same saves: one beside the games first, then one that is a folder."""
    said = next((draft for draft in chain if draft.forms is not None), None)
    if said is None or said.forms is None:
        return None
    kinds = {home.name: home.kind for home in homes.values() if home is not None}
    for names in (said.forms, said.forms[::-1]):
        if [kinds.get(name) for name in names] == [HomeKind.GAMES, HomeKind.FOLDER]:
            return names[0], names[1]
    if said is chain[0]:  # else it is told where it is written, or the layout changed the kinds on purpose
        what = f"the forms {', '.join(said.forms)}"
        expected = "a home of the kind games and one of the kind folder"
        mistakes.append(Mistake(said.file, *said.forms_position, what, expected))
    return None
