"""Saves of several files come from one device or not at all. Pure: what the cases say, taken together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from msgspec.structs import replace

from handhold.model import Identity
from handhold.restore.cases import Case
from handhold.restore.newest import Here, together
from handhold.restore.steps import Action, Decision, Step
from handhold.restore.units import Unit


def hold_together(cases: Iterable[Case], units: Mapping[Identity, Unit]) -> None:
    """Where no device has the newest of every file of a save, or one file is a fork, the save is a fork."""
    for members in _by_unit(cases, units).values():
        if len(members) == 1:
            continue
        devices = frozenset().union(*(case.devices for case in members))
        contested = [case for case in members if case.contested(devices)]
        forked = any(case.verdict.here is Here.FORK for case in members)
        if not forked and (not contested or together(case.newest_on(devices) for case in contested)):
            continue
        for case in members:
            if case.verdict.here is Here.MISSING or (
                case in contested and case.verdict.here in (Here.OLDER, Here.NEWER, Here.SAME)
            ):
                case.fork()


def whole_or_none(cases: Sequence[Case], steps: Sequence[Step], units: Mapping[Identity, Unit]) -> list[Step]:
    """The steps, without those that would bring a part of a save of which another part cannot come."""
    hindered: dict[Unit, Step] = {}
    for case, step in zip(cases, steps, strict=True):
        if case.identity in units and step.decision in (Decision.BLOCKED, Decision.BY_HAND):
            hindered.setdefault(units[case.identity], step)
    return [
        replace(
            step,
            decision=Decision.BLOCKED,
            action=Action.LEAVE,
            why=f'its save consists of several files, and "{other.entry.path}" cannot come: {other.why}',
        )
        if step.action is Action.WRITE and (other := hindered.get(units.get(case.identity, ("", ""))))
        else step
        for case, step in zip(cases, steps, strict=True)
    ]


def _by_unit(cases: Iterable[Case], units: Mapping[Identity, Unit]) -> dict[Unit, list[Case]]:
    found: dict[Unit, list[Case]] = {}
    for case in cases:
        if case.identity in units:
            found.setdefault(units[case.identity], []).append(case)
    return found
