"""The system refuses: every call that touches the archive or the card fails once, for good, or now and then.

The real command line runs in a process of its own. Whatever fails, it ends with a message and the right exit
status, what was kept is as it was, and the next run leaves nothing lying about.
"""

from __future__ import annotations

import itertools
import shutil
from collections.abc import Callable, Iterator
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path

import pytest

from handhold.cli.main import run
from handhold.errors import Exit
from tests.faults.campaign import Size, sizes, spread, told
from tests.faults.evening import DEVICE, Evening
from tests.faults.failing import ERRORS, Calls, Fault, family_of
from tests.faults.survival import check, known, quick_folder
from tests.faults.watching import Call, Ran, handled_paths
from tests.restore.world import tree

COMMANDS = {
    "snapshot": ("snapshot",),
    "restore": ("restore", DEVICE, "--yes", "--on-newer", "replace"),
    "undo": ("undo", "--yes"),
    "verify": ("verify", "--deep"),
}
#: What a failing archive means, by the error: done all the same (perhaps not everything), or why not.
ARCHIVE_STATUS = {
    "EIO": Exit.DAMAGE,
    "ENOSPC": Exit.FAILED,
    "EROFS": Exit.FAILED,
    "EACCES": Exit.FAILED,
    "ENODEV": Exit.NOT_NOW,
}
#: Lines that one message may take on a screen of 80 columns.
MOST_LINES = 12


@pytest.fixture
def folder() -> Iterator[Path]:
    with quick_folder() as folder:
        yield folder


class Campaign:
    """One command on copies of one evening."""

    def __init__(self, folder: Path, command: str) -> None:
        self.command = command
        self.start = Evening.made(folder / "start")
        if command == "undo":
            self.start.restore()
        self.start.program()  # lays its config down
        self.before = known(self.start.archive)
        self.records = len(self.start.records)
        self.there = self.start.copied(folder / "there")
        with redirect_stdout(StringIO()):  # whatever is read in late is read in now
            self._work(self.start.copied(folder / "warm"))()
        self.calls = Calls(self._work(self.there), self.there.folders)

    def _work(self, evening: Evening) -> Callable[[], int]:
        arguments = evening.program(*COMMANDS[self.command])[3:]
        return lambda: run(arguments)

    def suffer(self, call: Call, fault: Fault) -> None:
        """Runs the command with that fault, and looks what came of it."""
        shutil.rmtree(self.there.world.root)
        self.there = self.start.copied(self.there.world.root)
        ran = self.calls.run(self._work(self.there), fault)
        try:
            self._look(ran, call, fault)
        except BaseException as error:
            error.add_note(
                f"{fault} at {call.text[:100]}\n{handled_paths(call.text)}\n{ran.status} {ran.text}"
            )
            raise

    def _look(self, ran: Ran, call: Call, fault: Fault) -> None:
        assert ran.status in (0, 1, 3, 4, 5)
        assert "Traceback" not in ran.text and "made a mistake" not in ran.text
        assert ran.status == 0 or len(ran.text.splitlines()) >= 1
        assert len(ran.err.splitlines()) <= MOST_LINES
        now = known(self.there.archive)
        self.there.check(self.before, now)
        new = [now[name] for name in set(now) - set(self.before)]
        if self.command == "snapshot":
            whole = [one for one in new if {*one.values()} == {*self.there.old.values()}]
            assert len(new) <= 1 and (ran.status != 0 or whole)
            in_archive = all(path.startswith(str(self.there.archive)) for path in handled_paths(call.text))
            if in_archive and not fault.again:
                assert ran.status in (0, 3, ARCHIVE_STATUS[fault.error])
        elif self.command == "restore":
            assert ran.status != 0 or tree(self.there.card) == self.there.new
            self.there.finish(Evening.restore)
        elif self.command == "undo":
            assert ran.status != 0 or tree(self.there.card) == self.there.old
            self.there.restore()
            assert tree(self.there.card) == self.there.new
        else:
            assert now == self.before
        check(self.there.archive, now, known(self.there.archive))


@sizes
@pytest.mark.parametrize("command", COMMANDS)
def test_each_call_fails_once(folder: Path, command: str, size: Size) -> None:
    campaign = Campaign(folder, command)
    of_each = len(ERRORS) if command in ("snapshot", "verify") else 2
    count = 0
    for turn in range(of_each if size is Size.LONG else 1):
        faults = campaign.calls.once(lambda at, turn=turn: ERRORS[(at + turn) % len(ERRORS)])  # type: ignore[misc]
        for call, fault in spread(faults, size, 5):
            campaign.suffer(call, fault)
            count += 1
    told(f"errors, {command}, once", f"{count:,} faults at {len(campaign.calls.every)} calls")


@sizes
@pytest.mark.parametrize("command", COMMANDS)
def test_everything_fails_from_one_call_on(folder: Path, command: str, size: Size) -> None:
    campaign = Campaign(folder, command)
    count = 0
    for call, fault in spread(campaign.calls.lasting(lambda at: ERRORS[at % len(ERRORS)]), size, 3):
        campaign.suffer(call, fault)
        count += 1
    told(f"errors, {command}, for good", f"{count:,} faults at {len(campaign.calls.every)} calls")


@sizes
@pytest.mark.parametrize("command", COMMANDS)
def test_calls_fail_now_and_then(folder: Path, command: str, size: Size) -> None:
    campaign = Campaign(folder, command)
    number = 200 if size is Size.LONG else 2
    for call, fault in itertools.islice(campaign.calls.now_and_then(seed=5), number):
        campaign.suffer(call, fault)
    told(f"errors, {command}, now and then", f"{number} runs")


def test_the_calls_of_every_family_are_among_them(folder: Path) -> None:
    families = {family_of(call.name) for call in Campaign(folder, "restore").calls.every}
    assert families >= {"open", "read", "write", "flush", "rename", "scandir", "stat", "make", "time"}
