"""A rule of a draft's own, with what speaks for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from handhold.documents.mistakes import Wrong
from handhold.layouts.draft.shapes import Shape
from handhold.layouts.pattern import compile_pattern
from handhold.model import Part


@dataclass(frozen=True, slots=True)
class OwnRule:
    """A line of the keep-list or, without a part, of the skip-list, and what speaks for it."""

    part: Part | None
    path: str
    files: int  # that it decides, of those that were seen
    examples: tuple[str, ...]  # in written form
    reasons: tuple[str, ...] = ()
    confidence: int = 100  # the lowest among the files
    why: str = ""
    shape: Shape | None = field(default=None, compare=False)


def merged(rules: Sequence[OwnRule]) -> list[OwnRule]:
    """Rules that differ only in the ending as one, with the endings in braces; longer endings first."""
    groups: dict[tuple[object, ...], list[OwnRule]] = {}
    for rule in rules:
        shape = rule.shape
        key: tuple[object, ...] = (
            (rule.part, shape.folder, shape.head) if shape and shape.ending else (id(rule),)
        )
        groups.setdefault(key, []).append(rule)
    return [rule for group in groups.values() for rule in (_together(group) if len(group) > 1 else group)]


def _together(group: Sequence[OwnRule]) -> Sequence[OwnRule]:
    shape = group[0].shape
    assert shape is not None
    told = {rule.shape.ending.lower(): rule.shape.ending for rule in group if rule.shape}
    endings = sorted(told.values(), key=lambda ending: (-len(ending), ending))
    common = ""
    for same in zip(*(ending.split(".") for ending in endings), strict=False):
        if len(set(same)) > 1:
            break
        common += f"{same[0]}."
    if not all(ending.startswith(common) for ending in endings):  # one of them ends before this dot
        common = common[: common.rstrip(".").rfind(".") + 1]
    inside = ",".join(ending.removeprefix(common).replace(",", "\\,") for ending in endings)
    path = f"{shape.folder}{shape.head}{common}" + (f"{{{inside}}}" if len(endings) > 1 else inside)
    try:
        compile_pattern(path)
    except Wrong:
        return group
    return [
        OwnRule(
            group[0].part,
            path,
            sum(rule.files for rule in group),
            tuple(rule.examples[0] for rule in group)[:2],
            tuple(dict.fromkeys(reason for rule in group for reason in rule.reasons))[:3],
            min(rule.confidence for rule in group),
        )
    ]
