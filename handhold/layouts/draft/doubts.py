"""What a draft was not sure of."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple, TypeVar, cast

from handhold.layouts.draft.shapes import folder_shape, literal
from handhold.layouts.draft.sighting import KEPT, LEFT, Sighting, fits, plain, wanted
from handhold.layouts.recognition.recognise import SURE
from handhold.model import Part

K = TypeVar("K", bound=tuple[Any, ...])

#: So many kinds of files are named of each sort.
_MOST = 20
#: From so many folders on in which the same is to be said, it is said of the folder that holds them.
_MANY_FOLDERS = 5


class Doubt(NamedTuple):
    """Files of one kind in one folder."""

    part: Part | None  # what they look like
    given: Part | None  # what the draft has them for
    path: str  # a pattern that fits them, or their folder
    files: int
    examples: tuple[str, ...]
    reasons: tuple[str, ...] = ()
    confidence: int = 0


class Doubts(NamedTuple):
    """Everything that the owner should look at, the most files first."""

    perhaps: tuple[Doubt, ...] = ()  # could be saves or states, and nothing claims them
    otherwise: tuple[Doubt, ...] = ()  # the draft takes them for something else than they look like
    unknown: tuple[Doubt, ...] = ()  # nothing claims them, and they look like nothing
    more: int = 0  # files of further kinds
    unsure: int = 0  # files of the first two sorts, named or not
    unclaimed: int = 0  # files of the third


def doubts(judged: Iterable[tuple[Sighting, Part | None, bool]]) -> Doubts:
    """``judged``: each file, what the draft has it for, and whether the draft speaks of it at all."""
    perhaps: dict[tuple[Part | None, str], list[Sighting]] = {}
    otherwise: dict[tuple[Part | None, Part | None, str], list[Sighting]] = {}
    unknown: dict[str, list[Sighting]] = {}
    for sighting, given, spoken in judged:
        looks = sighting.looks
        want = wanted(looks)
        if want is not None:
            if not fits(want, given) or (want not in (*LEFT, None) and not spoken):
                otherwise.setdefault((want, given, _kind(sighting.path)), []).append(sighting)
        elif not spoken:
            if looks.part in KEPT:
                perhaps.setdefault((looks.part, _kind(sighting.path)), []).append(sighting)
            elif looks.confidence < SURE:
                unknown.setdefault(sighting.path.partition("/")[0], []).append(sighting)
    lists = [
        [_doubt(part, None, path, of) for (part, path), of in _gathered(perhaps).items()],
        [_doubt(part, given, path, of) for (part, given, path), of in _gathered(otherwise).items()],
        [
            Doubt(None, None, f"{top}/" if "/" in of[0].path else top, len(of), _examples(of))
            for top, of in unknown.items()
        ],
    ]
    for rows in lists:
        rows.sort(key=lambda doubt: (-doubt.files, doubt.path))
    counts = [sum(doubt.files for doubt in rows) for rows in lists]
    first, second, third = (tuple(rows[:_MOST]) for rows in lists)
    more = sum(counts) - sum(doubt.files for rows in (first, second, third) for doubt in rows)
    return Doubts(first, second, third, more, counts[0] + counts[1], counts[2])


def _gathered(kinds: dict[K, list[Sighting]]) -> dict[K, list[Sighting]]:
    """What is to be said of many folders below one, said of that one; the path is the last of a key."""
    wider: dict[K, list[K]] = {}
    for key in kinds:
        folder, _, ending = key[-1].rpartition("/")
        top = folder.partition("/")[0]
        wide = cast(K, (*key[:-1], f"{top}/**/{ending}")) if folder else key
        wider.setdefault(wide, []).append(key)
    found: dict[K, list[Sighting]] = {}
    for wide, keys in wider.items():
        if len(keys) < _MANY_FOLDERS:
            found.update({key: kinds[key] for key in keys})
        else:
            found[wide] = [sighting for key in keys for sighting in kinds[key]]
    return found


def _kind(path: str) -> str:
    """A pattern for files of this ending in this folder."""
    text = plain(path) or path
    folder, _, name = text.rpartition("/")
    dot = name.rfind(".")
    return (f"{folder_shape(folder)}/" if folder else "") + "*" + (literal(name[dot:]) if dot > 0 else "")


def _doubt(part: Part | None, given: Part | None, path: str, of: list[Sighting]) -> Doubt:
    looks = max((sighting.looks for sighting in of), key=lambda looks: looks.confidence)
    return Doubt(part, given, path, len(of), _examples(of), looks.reasons[:3], looks.confidence)


def _examples(of: list[Sighting]) -> tuple[str, ...]:
    return tuple(sighting.path for sighting in of[:2])
