"""Which files of a plan are made of members of zips, and what is to be said about them."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import msgspec

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot
from handhold.device.volumes import free_room
from handhold.errors import Damaged
from handhold.model import NS, Clock, Entry
from handhold.restore.byhand import ByHand
from handhold.restore.found import NOTHING, NoTarget, Target
from handhold.restore.inside import Inner, Inside, plain_name
from handhold.restore.lying import HomeKey
from handhold.restore.select import Chosen, title_of_member
from handhold.restore.steps import NOT_HELD, Action, Decision, Step

if TYPE_CHECKING:
    from handhold.restore.making import Left, Made, Making


class Makings(msgspec.Struct, frozen=True):
    """The entries of a plan, those of them that are made, and steps for members that are left."""

    entries: list[Entry]
    made: list[Made]
    zips: frozenset[str]  # the digests of the zips that are made
    left: list[Step]
    older: frozenset[str]  # emulators of which only the newest export was used
    told: tuple[str, ...]  # exports that could not be used, and those that took their place
    unpacked: bool = False


Picked = list[tuple[Entry, tuple[Inner, ...]]]


def make(
    archive: Archive,
    snapshot: Snapshot,
    choice: Chosen,
    every: Iterable[Entry],
    inside: Inside,
    targets: Mapping[HomeKey, Target | NoTarget],
    unpack: bool,
    clock: Clock,
) -> Makings:
    """Makes files of the members that are picked.

    Where each zip is an export of everything, they come from the newest; what is not sound there comes from
    the next older one that has it. ``every`` are all entries of the snapshot.
    """

    def making(entry: Entry, members: tuple[Inner, ...]) -> Making:
        # Most plans take no zip apart.
        from handhold.archive.slices import Slices
        from handhold.restore.making import files, smaller_zip

        target = targets[entry.emulator, entry.home]
        slices = Slices(archive, entry)
        if not unpack:
            return smaller_zip(slices, members, snapshot.device, snapshot.taken.date())
        room = free_room(target.base) if isinstance(target, Target) else sys.maxsize
        return files(slices, members, room, clock().tzinfo)

    exports, single, entries = _parted(choice, inside)
    if unpack:
        single += [(entry, members) for entry in entries if (members := inside.of(entry))]
        entries = [entry for entry in entries if not inside.of(entry)]
    gathered = _Gathered(making)
    for home, picked in sorted(exports.items()):
        gathered.newest(picked, _no_zips(every, home))
    for entry, members in sorted(single, key=lambda each: each[0].key):
        gathered.one(entry, members)
    made = gathered.made
    if inside.hurt:
        gathered.told += [f"{trouble.rstrip('.')}: what lies in it is not known" for trouble in inside.hurt]
    return Makings(
        [*entries, *(one.entry for one in made)],
        made,
        frozenset() if unpack else frozenset(one.entry.sha256 for one in made),
        sorted(gathered.left, key=lambda step: step.entry.key),
        frozenset(gathered.older),
        tuple(gathered.told),
        unpack,
    )


def _parted(choice: Chosen, inside: Inside) -> tuple[dict[HomeKey, Picked], Picked, list[Entry]]:
    """What is picked of exports of everything (by home) and of other zips, and whole files."""
    homes = {
        (entry.emulator, entry.home)
        for entry, _ in choice.members
        if (layout := inside.layout(entry.emulator)) is not None and layout.newest is not None
    }
    exports: dict[HomeKey, Picked] = {home: [] for home in homes}
    single: Picked = []
    for entry, members in choice.members:
        exports.get((entry.emulator, entry.home), single).append((entry, members))
    entries = []
    for entry in choice.entries:
        home = (entry.emulator, entry.home)
        if home in homes and (members := inside.of(entry)):
            exports[home].append((entry, members))
        elif home not in homes or not _is_zip(entry):
            entries.append(entry)
    return exports, single, entries


def _is_zip(entry: Entry) -> bool:
    return entry.path.lower().endswith(".zip") and not _is_excerpt(entry.path)


def _no_zips(every: Iterable[Entry], home: HomeKey) -> list[Entry]:
    """The exports of a home that call themselves zips and in which nothing can be found."""
    return [e for e in every if (e.emulator, e.home) == home and e.members is None and _is_zip(e)]


def _is_excerpt(path: str) -> bool:
    from handhold.device.exports import is_excerpt

    return is_excerpt(path)


class _Gathered:
    """What has been made so far."""

    def __init__(self, make: Callable[[Entry, tuple[Inner, ...]], Making]) -> None:
        self._make = make
        self.made: list[Made] = []
        self.left: list[Step] = []
        self.older: set[str] = set()
        self.told: list[str] = []

    def one(self, entry: Entry, members: tuple[Inner, ...]) -> None:
        """Members of one zip; what cannot be is left."""
        try:
            making = self._make(entry, members)
        except Damaged:
            self.left.append(_unreadable(entry))
            return
        self.made += making.made
        self.left += [_left(one) for one in making.left]

    def newest(self, picked: Picked, no_zips: Sequence[Entry]) -> None:
        """Members of the newest of some exports; what is hurt in it comes from the next older one.

        A zip of a few members that a restore put there is asked last: it is no export of everything.
        """

        def age(each: tuple[Entry, tuple[Inner, ...]]) -> tuple[bool, int, str]:
            return not _is_excerpt(each[0].path), each[0].modified, each[0].path

        by_age = sorted(picked, key=age, reverse=True)
        passed: list[Entry] = []  # whole exports that could not be read
        hurt: dict[str, Left] = {}
        used: list[Entry] = []
        for entry, members in by_age:
            wanted = tuple(one for one in members if _name(one) in hurt) if used else members
            if used and not hurt:
                self.older.add(entry.emulator)
                break
            if not wanted:
                continue
            try:
                making = self._make(entry, wanted)
            except Damaged:
                passed.append(entry)
                self.left.append(_unreadable(entry))
                continue
            self.made += making.made
            left = {_name(one.inner): one for one in making.left if one.hurt}
            self.left += [_left(one) for one in making.left if not one.hurt]
            for name in [_name(one) for one in wanted if _name(one) in hurt and _name(one) not in left]:
                first = hurt.pop(name)
                self.left.append(_left(first, f"; the one in {entry.path} is taken in its place"))
            for name, one in left.items():
                hurt.setdefault(name, one)
            if making.made:
                used.append(entry)
        self.left += [_left(one) for one in hurt.values()]
        self._tell(passed, no_zips, used)

    def _tell(self, passed: Sequence[Entry], no_zips: Sequence[Entry], used: Sequence[Entry]) -> None:
        if not used:
            return
        first = used[0]
        newer = [one for one in no_zips if (one.modified, one.path) > (first.modified, first.path)]
        for entry, what in [
            *((one, "cannot be read from the archive any more") for one in passed),
            *((one, "is not a sound zip") for one in newer),
        ]:
            if (entry.modified, entry.path) > (first.modified, first.path):
                self.told.append(
                    f"{entry.path} ({entry.emulator}) is newer but {what}, so {first.path} of "
                    f"{_day(first)} is used: progress made after that is not in it"
                )


def _name(inner: Inner) -> str:
    return plain_name(inner.member).casefold()


def _day(entry: Entry) -> str:
    return datetime.fromtimestamp(entry.modified / NS, UTC).date().isoformat()


def _unreadable(entry: Entry) -> Step:
    """A zip that cannot be taken apart; the others go on."""
    return Step(Decision.BLOCKED, Action.LEAVE, entry, None, NOT_HELD, NOTHING, entry.path, damage=True)


def _left(one: Left, more: str = "") -> Step:
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
    return Step(Decision.BLOCKED, Action.LEAVE, shown, None, one.why + more, NOTHING, shown.path)


def imports(steps: Iterable[Step], making: Makings) -> list[ByHand]:
    """What to do with zips of a few members, and with members that are files now."""
    written = [step for step in steps if step.action is not Action.LEAVE]
    if making.unpacked:
        return _unpacked(written, making)
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
        for step in written
        if step.entry.sha256 in making.zips
    ]


def _unpacked(written: Iterable[Step], making: Makings) -> list[ByHand]:
    folders = {one.entry.key: one.folder for one in making.made}
    found = dict.fromkeys(
        (step.entry.emulator, folders[step.entry.key]) for step in written if step.entry.key in folders
    )
    return [
        ByHand(
            emulator,
            "after",
            f'What lay in the zip is in the folder "{folder}" now. No import reads it there: put each file '
            "where you need it.",
        )
        for emulator, folder in found
    ]
