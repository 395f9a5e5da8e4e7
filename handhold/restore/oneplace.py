"""Files that archives call by different names and that are one file on the device at hand. Pure.

Names that differ only by case are one name on a card, and one file can be called by another path in its home
on another device. What goes to one place here is one save with one history.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from handhold.archive.sameness import folded
from handhold.archive.standing import Line
from handhold.archive.timeline import Moment
from handhold.model import Identity
from handhold.restore.filenames import fold
from handhold.restore.found import Target, What
from handhold.restore.whereabouts import Known, Stands


def one_place(
    known: Mapping[Identity, Known], stands: Mapping[Identity, Stands]
) -> tuple[dict[Identity, Known], dict[Identity, Stands]]:
    """The files by what they are here: each with all of its history, and with where it stands."""
    groups: dict[tuple[str, ...], list[Identity]] = {}
    for identity in known:
        groups.setdefault(_place(identity, stands[identity]), []).append(identity)
    merged: dict[Identity, Known] = {}
    where: dict[Identity, Stands] = {}
    for members in groups.values():
        whole = _history([known[one] for one in members]) if len(members) > 1 else None
        if whole is None or not _one_here([stands[one] for one in members]):
            merged.update({one: known[one] for one in members})
            where.update({one: stands[one] for one in members})
            continue
        first = min(
            members, key=lambda one: (stands[one].found.what is What.NOTHING, -_last(known[one]), one)
        )
        merged[first], where[first] = whole, stands[first]
    return merged, where


def _place(identity: Identity, at: Stands) -> tuple[str, ...]:
    if not isinstance(at.target, Target):
        return (identity[0], identity[1].value, folded(identity[2]))
    return (at.target.base, fold(at.target.way(at.path)))


def _one_here(among: Sequence[Stands]) -> bool:
    """Whether the files are one file here: the card takes their names for one, or one of them stands."""
    paths = {at.path for at in among if at.found.what is not What.NOTHING}
    folds = all(isinstance(at.target, Target) and at.target.traits.folds_case for at in among)
    return len(paths) <= 1 or folds


def _last(lines: Known) -> float:
    return max(moment.snapshot.sequence for moments in lines.values() for moment in moments)


def _history(among: Collection[Known]) -> dict[Line, list[Moment]] | None:
    """The changes of all of them; None if two of them stood in one place at the same time."""
    merged: dict[Line, list[Moment]] = {}
    for line in {line: None for lines in among for line in lines}:
        each = [lines[line] for lines in among if line in lines]
        one = list(each[0]) if len(each) == 1 else _in_turn(each)
        if one is None:
            return None
        merged[line] = one
    return merged


def _in_turn(each: Sequence[Sequence[Moment]]) -> list[Moment] | None:
    """The changes at one place under several names, one name after the other."""
    tagged = [(moment, name) for name, moments in enumerate(each) for moment in moments]
    # What one snapshot saw go and what it saw come instead is one change.
    tagged.sort(key=lambda item: (item[0].snapshot.sequence, item[0].entry is not None))
    standing: set[int] = set()
    changes: list[Moment] = []
    for moment, name in tagged:
        if moment.entry is None:
            standing.discard(name)
        else:
            standing.add(name)
        if len(standing) > 1:
            return None
        if changes and changes[-1].entry is None and changes[-1].snapshot is moment.snapshot:
            changes.pop()
        changes.append(moment)
    return changes
