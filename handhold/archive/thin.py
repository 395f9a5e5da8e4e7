"""Lets nights go by a rule, and frees the room that only they took.

What goes is remembered: its lists of files stay, so that it stays known which content stood where and when,
and nobody's older save is ever taken for a newer one (see ``standing``). Only content goes.

The order is such that a run can be cut off anywhere. First everything that goes is remembered; from then on
it does not count any more. Then its manifests are deleted, and last the blocks that nothing needs: bundles
in which nothing is needed are deleted, and of those that are mostly dead, or small, what is needed is
written into new ones, read back, and only then are the old ones deleted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, tzinfo

import msgspec

from handhold.archive.archive import Archive
from handhold.archive.head import FOLDER, Snapshot
from handhold.archive.lastcopies import last_copies
from handhold.archive.manifest import remembering
from handhold.archive.reachable import ADVICE, Reachable
from handhold.archive.retention import Rule, retain, surely_old
from handhold.archive.sweeping import Sweep, Swept, survey
from handhold.errors import Damaged
from handhold.model import Entry, Kind

#: Manifests done, and their number.
Progress = Callable[[int, int], None]


class Thinning(msgspec.Struct, frozen=True):
    """What goes and what stays. ``stays`` has the reasons, and ``sole`` the saves that a night alone has.

    ``records`` are those of restores, and what they put aside. ``sweep`` is what becomes of the bundles.
    """

    stays: tuple[tuple[Snapshot, tuple[str, ...]], ...]
    goes: tuple[Snapshot, ...]
    records: tuple[Snapshot, ...]
    sole: dict[str, list[Entry]]
    sweep: Sweep
    missing: int  # blocks that what stays needs, and that are in no whole bundle

    @property
    def nothing(self) -> bool:
        """Whether there is nothing to do."""
        return not (self.goes or self.records or self.sweep.freed)


class Thinned(msgspec.Struct):
    """What was done. ``freed`` is in bytes; ``told`` is what the owner should know."""

    freed: int = 0
    let_go: int = 0
    told: list[str] = []
    damage: bool = False


def prepare(
    archive: Archive,
    rule: Rule,
    zone: tzinfo,
    now: datetime,
    *,
    let_go: bool = False,
    progress: Progress | None = None,
) -> Thinning:
    """Finds out what would go. ``let_go`` gives up last copies too.

    Raises ``Damaged`` where anything cannot be read that may need what would be deleted.
    """
    records = archive.records()
    if archive.unreadable:
        raise Damaged(f"{archive.unreadable[0]} is hurt, and what it needs is not known.", ADVICE)
    if archive.index.hurt:
        raise Damaged(f"{min(archive.index.hurt)} is hurt, so nothing is deleted.", ADVICE)
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        if progress:
            progress(done, 3 * len(records))

    kept = [one for one in records if not one.let_go]
    nights = [one for one in kept if one.kind in (Kind.NIGHT, Kind.ADOPTED)]
    stays = retain(records, rule, zone, now)
    go = [one for one in nights if one.file not in stays]
    held, copies = last_copies(archive, [one for one in nights if one.file in stays], go, step)
    sole: dict[str, list[Entry]] = {} if let_go else held
    if not let_go:
        stays |= dict.fromkeys(sole, ("the only one with a save",))
    going = [one for one in go if one.file not in stays]
    left = []
    for group in _groups(archive, [one for one in kept if one.kind in (Kind.SAFETY, Kind.RESTORED)]):
        old = all(surely_old(one, records, now) for one in group)
        if old and (let_go or not any(copies.sole(one) for one in group)):
            left += group
        else:
            for one in group:
                copies.take(one)
    gone = {one.file for one in [*going, *left]}
    needed = Reachable(archive)
    for one in records:
        needed.follow(one, content=one.file not in gone)
        step()
    return Thinning(
        tuple((one, stays[one.file]) for one in nights if one.file in stays),
        tuple(going),
        tuple(left),
        sole,
        survey(archive, needed),
        len(needed.missing),
    )


def _groups(archive: Archive, records: Sequence[Snapshot]) -> list[list[Snapshot]]:
    """Records of restores that go together: what a restore put aside with all that name it. Newest first."""
    groups: dict[str, list[Snapshot]] = {}
    for one in records:
        key = one.file if one.kind is Kind.SAFETY else archive.read(one).safety or one.file
        groups.setdefault(key, []).append(one)
    return sorted(groups.values(), key=lambda group: -max(one.sequence for one in group))


def thin(archive: Archive, plan: Thinning, progress: Progress | None = None) -> Thinned:
    """Does it; inside ``archive.locked``, with a plan that was made inside it.

    Raises ``OwnerError`` where the archive cannot be written; what was done until then stays done, and the
    next run goes on.
    """
    with archive.writer():
        pass  # takes away what was left by runs that were cut off
    result = Thinned(let_go=len(plan.goes))
    aside = [one for one in plan.records if one.kind is Kind.SAFETY]
    safeties = {one.file: remembering(archive.read(one), None)[0] for one in aside}
    # What a restore put aside is let go after all that names it: there is no restore without it.
    going = [*(one for one in plan.records if one.kind is not Kind.SAFETY), *aside, *plan.goes]
    for done, one in enumerate(going, start=1):
        manifest = archive.read(one)
        safety = manifest.safety and safeties.get(manifest.safety, manifest.safety)
        _put(archive, *remembering(manifest, safety))
        if progress:
            progress(done, len(going))
    for one in going:
        archive.delete(one.file)
    swept = Swept()
    try:
        plan.sweep.do(archive, swept, progress)
    finally:
        archive.look_anew()
    result.told += swept.told
    result.told += [f"{file} has no parity: {why}" for file, why in archive.without_parity.items()]
    result.damage = bool(swept.hurt or plan.missing)
    result.freed = swept.freed
    return result


def _put(archive: Archive, file: str, packed: bytes) -> None:
    pending = archive.storage.begin(FOLDER)
    try:
        pending.write(packed)
        pending.commit(file)
    finally:
        pending.abandon()
    archive.protect(file, len(packed))
