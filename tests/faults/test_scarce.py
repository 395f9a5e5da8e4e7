"""Too little room, too little memory, and a system that gives and takes only a few bytes at a time."""

from __future__ import annotations

import gc
import io
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from handhold.cli.main import run
from tests.faults.campaign import Size, sizes, told
from tests.faults.evening import DEVICE, NEW, OLD, Evening
from tests.faults.survival import check, known, quick_folder
from tests.faults.watching import Ran, alone
from tests.restore.world import tree
from tests.volumes import exfat_card

SNAPSHOT = ("snapshot",)
RESTORE = ("restore", DEVICE, "--yes", "--on-newer", "replace")
LARGE = "Tinplate/saves/large.sav"
MIB = 1 << 20


@pytest.fixture
def folder() -> Iterator[Path]:
    with quick_folder() as folder:
        yield folder


def typed(evening: Evening, *arguments: str, first: Callable[[], object] = lambda: None) -> Ran:
    """What a command answers in a process of its own, in which something is done first."""
    program = evening.program(*arguments)[3:]

    def work() -> int:
        first()
        return run(program)

    ran = alone(work)
    assert ran.status in (0, 1, 3, 4, 5), ran.text
    assert "Traceback" not in ran.text and "made a mistake" not in ran.text, ran.text
    assert ran.status == 0 or ran.text.strip()
    return ran


# -- room ------------------------------------------------------------------------------------------------


def _fill(card: str, left: int) -> Path:
    """Fills a card up to so many bytes."""
    filler = Path(card, "filler")
    room = os.statvfs(card)
    with open(filler, "wb") as file:
        file.write(bytes(max(0, room.f_bavail * room.f_frsize - left)))
    return filler


@pytest.mark.volumes
@sizes
@pytest.mark.parametrize("command", [SNAPSHOT, RESTORE], ids=lambda command: command[0])
def test_a_card_that_is_full(command: tuple[str, ...], size: Size) -> None:
    """The archive and the handheld's saves lie on one exFAT card with so much room left."""
    statuses = []
    with exfat_card("8M") as card:
        large = {LARGE: random.Random(1).randbytes(400_000)}
        old = OLD | large if command == SNAPSHOT else OLD
        start = Evening.made(Path(card, "start"), old, NEW if command == SNAPSHOT else NEW | large)
        start.program()
        before = known(start.archive)
        for number, left in enumerate(range(0, 1_000_000, 20_000 if size is Size.LONG else 300_000)):
            there = start.copied(Path(card, f"{number}"))
            filler = _fill(card, left)
            ran = typed(there, *command)
            filler.unlink()
            statuses.append(ran.status)
            there.check(before, known(there.archive))
            if ran.status:
                assert "no room" in ran.text or "free" in ran.text, ran.text
            assert typed(there, *command).status == 0
            check(there.archive, before, known(there.archive))
            del there
            gc.collect()  # lets go of its files, so that the card gives their room back
            shutil.rmtree(Path(card, f"{number}"))
    assert statuses[0] != 0 and statuses[-1] == 0
    told(f"full card, {command[0]}", f"{len(statuses)} times, {statuses.count(0)} of them with enough room")


# -- memory ----------------------------------------------------------------------------------------------


#: The program, once it is loaded, may have only so many bytes more.
_LITTLE = """
import resource, sys
from pathlib import Path
import handhold.cli.main, handhold.restore.apply, handhold.snapshot, pyfastcdc, zstandard
pages = int(Path("/proc/self/statm").read_text().split()[0])
limit = pages * resource.getpagesize() + int(sys.argv.pop(1))
resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
sys.exit(handhold.cli.main.run())
"""


def _with_little(evening: Evening, more: int, command: tuple[str, ...]) -> Ran:
    """What a command answers that gets only so many bytes more of memory, in a process of its own.

    A library that gets no memory may end the process by itself (SIGABRT), and says so; that is status -6.
    """
    python, option, _, *arguments = evening.program(*command)
    done = subprocess.run(
        [python, option, _LITTLE, str(more), *arguments],
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert "Traceback" not in done.stderr and "made a mistake" not in done.stderr, done.stderr
    return Ran(done.returncode, done.stdout, done.stderr)


@sizes
@pytest.mark.parametrize("command", [SNAPSHOT, RESTORE], ids=lambda command: command[0])
def test_a_large_file_and_little_memory(folder: Path, command: tuple[str, ...], size: Size) -> None:
    large = {LARGE: random.Random(2).randbytes(12 * MIB)}
    if command == SNAPSHOT:
        start = Evening.made(folder / "start", OLD | large, NEW)
    else:
        start = Evening.made(folder / "start", OLD, NEW | large)
    start.program()
    before = known(start.archive)
    statuses = []
    steps = [*range(0, 96, 2), 600] if size is Size.LONG else [0, 12, 600]
    for number, more in enumerate(steps):
        there = start.copied(folder / f"{number}")
        ran = _with_little(there, more * MIB, command)
        statuses.append(ran.status)
        there.check(before, known(there.archive))
        assert ran.status in (0, 1, 3, -signal.SIGABRT)
        assert ran.status == 0 or "memory" in ran.text, ran.text
        assert typed(there, *command).status == 0
        check(there.archive, before, known(there.archive))
        shutil.rmtree(there.world.root)
    assert statuses[0] != 0 and statuses[-1] == 0
    told(f"little memory, {command[0]}", f"{len(steps)} limits, {statuses.count(0)} of them enough")


# -- a few bytes at a time -------------------------------------------------------------------------------


def _a_few_at_a_time() -> None:
    """Every read and write moves some of the bytes that it was asked for, as a system may."""
    chance = random.Random(3)
    read, pread, write = os.read, os.pread, os.write

    def some(count: int) -> int:
        return chance.randint(1, min(count, 700)) if count > 1 else count

    def short_read(fd: int, length: int) -> bytes:
        return read(fd, some(length))

    def short_pread(fd: int, length: int, offset: int) -> bytes:
        return pread(fd, some(length), offset)

    def short_write(fd: int, data: Any) -> int:
        return write(fd, memoryview(data)[: some(len(data))])

    os.read, os.pread, os.write = short_read, short_pread, short_write


def test_a_few_bytes_at_a_time(folder: Path) -> None:
    large = {LARGE: random.Random(4).randbytes(2 * MIB)}
    evening = Evening.made(folder / "evening", OLD | large, NEW)
    assert typed(evening, *SNAPSHOT, first=_a_few_at_a_time).status == 0
    nights = known(evening.archive)
    assert {*evening.old.values()} in [{*one.values()} for one in nights.values()]
    first = min(nights)
    assert typed(evening, "restore", first, *RESTORE[2:], first=_a_few_at_a_time).status == 0
    assert tree(evening.card) == {**NEW, **large}
    assert typed(evening, "undo", "--yes", first=_a_few_at_a_time).status == 0
    assert tree(evening.card) == {**OLD, **large}
    assert typed(evening, "verify", "--deep", first=_a_few_at_a_time).status == 0


@pytest.mark.parametrize("most", [0, 1, 100, 1_000, 100_000])
def test_a_file_may_not_become_as_large_as_it_should(folder: Path, most: int) -> None:
    """The system takes a part of a write and refuses the rest, as a quota does."""
    evening = Evening.made(folder / "evening", OLD | {LARGE: random.Random(5).randbytes(MIB)}, NEW)
    before = known(evening.archive)

    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))

    ran = _said_elsewhere(evening, limited)
    assert ran == 1
    assert known(evening.archive) == before
    assert typed(evening, *SNAPSHOT).status == 0
    check(evening.archive, before, known(evening.archive))


def _said_elsewhere(evening: Evening, limited: Callable[[], None]) -> int | None:
    """The status of a snapshot that may write nowhere, not even what it says."""
    program = evening.program(*SNAPSHOT)[3:]

    def work() -> int:
        sys.stdout = sys.stderr = io.StringIO()
        limited()
        status = run(program)
        os._exit(status if "mistake" not in sys.stderr.getvalue() else 99)

    return alone(work).status
