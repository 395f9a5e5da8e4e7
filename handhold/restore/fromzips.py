"""Which files of a plan are made of members of zips, and what is to be said about them."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from handhold.archive.archive import Archive
from handhold.archive.manifest import Snapshot
from handhold.archive.slices import Slices
from handhold.device.volumes import free_room
from handhold.errors import Damaged
from handhold.model import Clock, Entry
from handhold.restore.byhand import ByHand
from handhold.restore.found import NOTHING, NoTarget, Target
from handhold.restore.inside import Inner, Inside
from handhold.restore.lying import HomeKey
from handhold.restore.making import Left, Made, files, smaller_zip
from handhold.restore.plan import NOT_HELD, Action, Decision, Step
from handhold.restore.select import Chosen, title_of_member


@dataclass(frozen=True, slots=True)
class Makings:
    """The entries of a plan, those of them that are made, and steps for members that are left."""

    entries: list[Entry]
    made: list[Made]
    zips: frozenset[str]  # the digests of the zips that are made
    left: list[Step]
    older: frozenset[str]  # emulators of which only the newest export was used


Picked = list[tuple[Entry, tuple[Inner, ...]]]


def make(
    archive: Archive,
    snapshot: Snapshot,
    choice: Chosen,
    inside: Inside,
    targets: Mapping[HomeKey, Target | NoTarget],
    unpack: bool,
    clock: Clock,
) -> Makings:
    """Makes files of the members that are picked."""
    picked, older = _newest(choice.members, inside)
    entries = choice.entries
    if unpack:
        picked += [(entry, members) for entry in entries if (members := inside.of(entry))]
        entries = [entry for entry in entries if not inside.of(entry)]
    made: list[Made] = []
    zips: set[str] = set()
    left: list[Step] = []
    for entry, members in sorted(picked, key=lambda each: each[0].key):
        target = targets[entry.emulator, entry.home]
        try:
            slices = Slices(archive, entry)
            if unpack:
                room = free_room(target.base) if isinstance(target, Target) else sys.maxsize
                making = files(slices, members, room, clock().tzinfo)
            else:
                making = smaller_zip(slices, members, snapshot.device, snapshot.taken.date())
        except Damaged:
            left.append(_unreadable(entry))
            continue
        if not unpack:
            zips.update(one.entry.sha256 for one in making.made)
        made += making.made
        left += [_left(one) for one in making.left]
    return Makings([*entries, *(one.entry for one in made)], made, frozenset(zips), left, older)


def _newest(picked: Picked, inside: Inside) -> tuple[Picked, frozenset[str]]:
    """Where each zip is an export of everything: members of the newest that has them; else all.

    Also the emulators of which older exports were passed over.
    """
    last: dict[HomeKey, Entry] = {}
    for entry, _ in picked:
        layout = inside.layout(entry.emulator)
        if layout is not None and layout.newest is not None:
            best = last.get((entry.emulator, entry.home))
            if best is None or (entry.modified, entry.path) > (best.modified, best.path):
                last[entry.emulator, entry.home] = entry
    kept = [each for each in picked if last.get((each[0].emulator, each[0].home), each[0]) is each[0]]
    gone = {entry.emulator for entry, _ in picked} if len(kept) < len(picked) else set()
    return kept, frozenset(e for e in gone if _count(picked, e) > _count(kept, e))


def _count(picked: Picked, emulator: str) -> int:
    return sum(1 for entry, _ in picked if entry.emulator == emulator)


def _unreadable(entry: Entry) -> Step:
    """A zip that cannot be taken apart; the others go on."""
    return Step(Decision.BLOCKED, Action.LEAVE, entry, None, NOT_HELD, NOTHING, entry.path, damage=True)


def _left(one: Left) -> Step:
    """A member that is not written. Its name is only shown."""
    entry, member = one.entry, one.inner.member
    shown = Entry(
        emulator=entry.emulator,
        part=one.inner.part,
        home=entry.home,
        path=f"{entry.path}/{member.name}",
        size=member.size,
        modified=entry.modified,
        sha256=entry.sha256,
        game=one.inner.game or title_of_member(one.inner),
    )
    return Step(Decision.BLOCKED, Action.LEAVE, shown, None, one.why, NOTHING, shown.path)


def imports(steps: Iterable[Step], making: Makings) -> list[ByHand]:
    """What to do with zips of a few members."""
    return [
        ByHand(
            step.entry.emulator,
            "after",
            f'The zip to import is "{step.path.rpartition("/")[2]}", which holds nothing else. Some imports '
            "replace all that is there: if yours does, export first."
            + (
                " Older exports in the snapshot hold it too; without --game and --part they come back whole."
                if step.entry.emulator in making.older
                else ""
            ),
        )
        for step in steps
        if step.action is not Action.LEAVE and step.entry.sha256 in making.zips
    ]
