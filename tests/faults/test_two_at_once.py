"""Two runs on one archive at the same time, and locks that were left behind: safe, and told."""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Iterator

import pytest

from handhold.archive.lock import NOTE
from tests.faults.evening import DEVICE, Evening
from tests.faults.pausing import paused, typed
from tests.faults.survival import check, check_whole, known, quick_folder
from tests.restore.world import tree

SNAPSHOT = ("snapshot",)
RESTORE = ("restore", DEVICE, "--yes", "--on-newer", "replace")
UNDO = ("undo", "--yes")
VERIFY = ("verify", "--deep")
#: Commands that write; whoever adds one adds it here.
WRITERS = [SNAPSHOT, RESTORE, UNDO]


@pytest.fixture
def evening() -> Iterator[Evening]:
    with quick_folder() as folder:
        evening = Evening.made(folder / "evening")
        evening.restore()  # so that there is something to undo
        for path in evening.old:
            (evening.card / path).unlink(missing_ok=True)
        evening.put(evening.old)
        yield evening


@pytest.mark.parametrize("first", WRITERS, ids=lambda one: one[0])
@pytest.mark.parametrize("second", WRITERS, ids=lambda one: one[0])
def test_a_second_run_that_writes_is_turned_away(
    evening: Evening, first: tuple[str, ...], second: tuple[str, ...]
) -> None:
    before, card = known(evening.archive), tree(evening.card)
    with paused(evening, *first) as one:
        said = typed(evening, *second)
        assert said.status == 5
        # who holds it, and what to do
        assert f"in use: {'restore' if first == UNDO else first[0]} on {socket.gethostname()}" in " ".join(
            said.err.split()
        )
        assert (
            f"process {one.process}" in " ".join(said.err.split()) and "Wait until that has ended" in said.err
        )
        assert tree(evening.card) == card
        assert one.end() == 0
    check(evening.archive, before, known(evening.archive))
    assert typed(evening, *second).status == 0  # and now it can


@pytest.mark.parametrize(
    "second", [("list",), ("show", "latest"), VERIFY, ("survey",)], ids=lambda one: one[0]
)
@pytest.mark.parametrize("number", [1, 4])
def test_an_archive_that_is_written_can_be_read(
    evening: Evening, second: tuple[str, ...], number: int
) -> None:
    with paused(evening, *SNAPSHOT, number=number) as one:
        said = typed(evening, *second)
        assert said.status == 0, said.text
        assert one.end() == 0


@pytest.mark.parametrize("second", WRITERS, ids=lambda one: one[0])
@pytest.mark.parametrize("number", [1, 3, 6, 9])
def test_what_is_written_during_a_check_is_no_damage(
    evening: Evening, second: tuple[str, ...], number: int
) -> None:
    before = known(evening.archive)
    with paused(evening, *VERIFY, at="pread", number=number) as one:
        assert typed(evening, *second).status == 0
        assert one.end() == 0
    check(evening.archive, before, known(evening.archive))


@pytest.mark.parametrize("first", WRITERS, ids=lambda one: one[0])
def test_the_lock_of_a_run_that_was_killed_holds_nobody_up(evening: Evening, first: tuple[str, ...]) -> None:
    before = known(evening.archive)
    with paused(evening, *first) as one:
        killed = one.process
        one.kill()
    check_whole(evening.archive, before, known(evening.archive))
    said = typed(evening, *SNAPSHOT)
    assert said.status == 0
    told = " ".join(said.err.split())
    assert "The last run did not come to its end" in told and f"process {killed}" in told
    assert "machine" not in told
    assert typed(evening, *SNAPSHOT).err == ""  # once is enough


def test_the_lock_of_another_machine_is_told(evening: Evening) -> None:
    """Its card was pulled out while it wrote, say: nobody is held up, and nothing is to be cleared away."""
    note = {"host": "kitchen", "pid": 7, "since": "2026-11-20 21:00:00", "purpose": "snapshot"}
    for name in (".lock", NOTE):
        (evening.archive / name).write_text(json.dumps(note) if name == NOTE else "")
    said = typed(evening, *SNAPSHOT)
    assert said.status == 0
    told = " ".join(said.err.split())
    assert (
        "snapshot on kitchen, process 7" in told and "that machine" in told and "one write at a time" in told
    )
    assert not (evening.archive / NOTE).exists()


@pytest.mark.parametrize("number", range(1, 6))
@pytest.mark.parametrize("second", [SNAPSHOT, RESTORE], ids=lambda one: one[0])
def test_two_machines_whose_locks_do_not_reach_each_other(
    evening: Evening, number: int, second: tuple[str, ...]
) -> None:
    """On such a share both write at once. One of them may have to give up; nothing is lost."""
    device = "kitchen" if second == SNAPSHOT else DEVICE
    before = known(evening.archive)
    night = typed(evening, "list", "--json").document["snapshots"][0]["snapshot"]
    if second == RESTORE:  # by its name: the latest one may be what the first run has just taken of the card
        second = ("restore", night, *RESTORE[2:])
    with (
        paused(evening, *SNAPSHOT, number=number, locks=False) as one,
        paused(evening, *second, number=1, locks=False, device=device) as other,
    ):
        first_status = one.end()
        second_status = other.end()
    assert first_status in (0, 5) and second_status in (0, 3, 5)
    now = known(evening.archive)
    assert len(now) >= len(before) + (first_status == 0) + (second_status == 0)
    check(evening.archive, before, now)
    assert typed(evening, "restore", night, *RESTORE[2:]).status == 0
    assert tree(evening.card) == evening.new


def test_a_share_without_any_locks_is_refused(evening: Evening, monkeypatch: pytest.MonkeyPatch) -> None:
    import errno
    import fcntl

    def no_locks(fd: object, operation: int) -> None:
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))

    before = known(evening.archive)
    monkeypatch.setattr(fcntl, "flock", no_locks)
    said = typed(evening, *SNAPSHOT)
    assert said.status == 1 and "without locks" in said.err and "disk of this machine" in said.err
    assert known(evening.archive) == before
