"""The power goes while nights are let go, or the program is killed: what stays is whole."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.campaign import Size, cuts, sizes, spread, told
from tests.faults.evening import DEVICE, Evening
from tests.faults.pausing import paused, typed
from tests.faults.survival import check, emptied, known, next_night, quick_folder
from tests.faults.watching import ALL_CHANGES, changing, inject, record, watched_program

THIN = ("thin", "--nights", "2", "--yes")
NIGHTS = 6


@pytest.fixture
def evening() -> Iterator[Evening]:
    with quick_folder() as folder:
        evening = Evening.made(folder / "evening")
        evening.world.later(days=-NIGHTS)
        for number in range(NIGHTS):
            evening.world.later(days=1)
            evening.put({"Tinplate/saves/A.sav": f"A {number}".encode() * 300})
            evening.put({f"Tinplate/states/{number}.st": f"state {number}".encode() * 200})
            evening.world.night(DEVICE)
        yield evening


def thin(evening: Evening, folder: Path) -> int:
    """Lets nights go in the archive of that folder; its exit status."""
    return typed(evening, "--archive", str(folder), *THIN).status


@sizes
def test_the_power_goes_while_nights_are_let_go(evening: Evening, size: Size) -> None:
    before = known(evening.archive)
    recording = record(lambda: thin(evening, evening.archive), {"archive": evening.archive})
    after = known(evening.archive)
    gone = set(before) - set(after)
    assert len(gone) == NIGHTS - 2  # and the first night has saves that no other has
    with quick_folder() as folder:
        for state in cuts("thin", recording, size, most=64, short=30):
            state.lay_out(emptied(folder))
            archive = folder / "archive"

            def go_on(archive: Path = archive) -> None:
                assert thin(evening, archive) == 0
                next_night(archive)

            check(archive, before, after, may_go=gone, go_on=go_on)


@sizes
def test_killed_while_nights_are_let_go(evening: Evening, size: Size) -> None:
    work = evening.world.root.parent
    before = known(evening.archive)
    through = evening.copied(work / "through")
    ran = watched_program(through.program(*THIN), *ALL_CHANGES)
    assert ran.status == 0, ran.text
    gone = set(before) - set(known(through.archive))
    calls = changing(ran.log, through.folders)
    killed = 0
    for call in spread(calls, size, 2):
        there = evening.copied(work / f"killed {killed}")
        ran = watched_program(there.program(*THIN), *inject([call.name], "signal=KILL", f"{call.number}"))
        assert ran.killed, ran.text
        killed += 1
        check(there.archive, before, may_go=gone)
        assert thin(there, there.archive) == 0
        check(there.archive, known(there.archive))
    told("kill -9, thin", f"killed {killed} times, at {killed} of {len(calls)} calls")


@pytest.mark.parametrize("at", ["fsync", "unlink"])
@pytest.mark.parametrize("number", [1, 3])
def test_a_snapshot_while_nights_are_let_go(evening: Evening, at: str, number: int) -> None:
    before = known(evening.archive)
    with paused(evening, *THIN, at=at, number=number) as one:
        said = typed(evening, "snapshot")
        assert said.status == 5 and "in use: thin on" in " ".join(said.err.split())
        assert typed(evening, "list").status == 0
        assert one.end() == 0
    assert typed(evening, "snapshot").status == 0
    now = known(evening.archive)
    assert len(set(before) - set(now)) == NIGHTS - 2
    check(evening.archive, now)


def test_nights_are_not_let_go_while_a_snapshot_is_taken(evening: Evening) -> None:
    before = known(evening.archive)
    with paused(evening, "snapshot") as one:
        said = typed(evening, *THIN)
        assert said.status == 5 and "in use: snapshot on" in " ".join(said.err.split())
        assert one.end() == 0
    assert set(before) < set(known(evening.archive))


@pytest.mark.parametrize("number", [1, 2, 5, 9, 20])
def test_nights_are_let_go_while_the_archive_is_checked(evening: Evening, number: int) -> None:
    """What vanishes meanwhile is told as that, and is no damage."""
    with paused(evening, "verify", "--deep", at="pread", number=number) as one:
        assert typed(evening, *THIN).status == 0
        assert one.end() == 0
    check(evening.archive, known(evening.archive))
