"""The real program is killed (``kill -9``) at every call by which it changes the archive or the card.

On a folder, and on exFAT through FUSE. The short form takes some of the calls.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.campaign import Size, sizes, spread, told
from tests.faults.evening import DEVICE, Evening
from tests.faults.survival import Known, check, known, quick_folder
from tests.faults.watching import ALL_CHANGES, changing, inject, watched_program

#: What an owner types, and what to do before that.
Typed = tuple[str, ...]
SNAPSHOT: Typed = ("snapshot",)
RESTORE: Typed = ("restore", DEVICE, "--yes", "--on-newer", "replace")
UNDO: Typed = ("undo", "--yes")
CARRY: Typed = ("carry", "--yes", "--part", "saves", "--part", "states")


@pytest.fixture
def folder() -> Iterator[Path]:
    with quick_folder() as folder:
        yield folder


def campaign(name: str, start: Evening, typed: Typed, size: Size, short: int) -> None:
    """Kills the program at each of its calls, each time on a copy of ``start``, and looks what is left."""
    work = start.world.root.parent
    through = start.copied(work / "through")
    before = known(start.archive)
    records = len(start.records)
    ran = watched_program(through.program(*typed), *ALL_CHANGES)
    assert ran.status == 0, ran.text
    calls = changing(ran.log, through.folders)
    assert len(calls) > 10
    killed = 0
    for call in spread(calls, size, short):
        there = start.copied(work / f"killed {killed}")
        ran = watched_program(there.program(*typed), *inject([call.name], "signal=KILL", f"{call.number}"))
        assert ran.killed, f"{call.text[:300]}: {ran.text}"
        killed += 1
        try:
            _look(there, typed, before, records)
        except BaseException as error:
            error.add_note(
                f"killed at {call.name} number {call.number}, of which this was one: {call.text[:300]}"
            )
            raise
    told(name, f"killed {killed} times, at {killed} of {len(calls)} calls")


def _look(there: Evening, typed: Typed, before: Known, records: int) -> None:
    now = known(there.archive)  # every other snapshot that is there gives back what its own digests say
    there.check(before, now)
    if typed == SNAPSHOT:
        assert all({*now[name].values()} == {*there.old.values()} for name in set(now) - set(before))
        there.world.night(DEVICE)
    elif typed == UNDO:
        there.go_on_with_undo(records)
    else:
        if there.records:
            there.copied(Path(f"{there.world.root}, copied")).take_back()
        there.finish(Evening.carry if typed == CARRY else Evening.restore)
    check(there.archive, now, known(there.archive))


def _evening(folder: Path, typed: Typed) -> Evening:
    evening = Evening.of_two(folder / "start") if typed == CARRY else Evening.made(folder / "start")
    if typed == UNDO:
        evening.restore()
    return evening


@sizes
@pytest.mark.parametrize("typed", [SNAPSHOT, RESTORE, CARRY, UNDO], ids=lambda typed: typed[0])
def test_killed_at_every_call(folder: Path, typed: Typed, size: Size) -> None:
    campaign(f"kill -9, {typed[0]}", _evening(folder, typed), typed, size, short=2)


@pytest.mark.volumes
@sizes
@pytest.mark.parametrize("typed", [SNAPSHOT, RESTORE, CARRY, UNDO], ids=lambda typed: typed[0])
def test_killed_at_every_call_on_exfat(exfat: Path, typed: Typed, size: Size) -> None:
    campaign(f"kill -9 on exFAT, {typed[0]}", _evening(exfat, typed), typed, size, short=1)
