"""A real card is pulled out of a real run: the driver of an exFAT volume dies in the midst of it."""

from __future__ import annotations

import gc
import random
from pathlib import Path

import pytest

from tests.faults.campaign import Size, sizes, told
from tests.faults.evening import DEVICE, Evening
from tests.faults.pausing import NoStop, paused, typed
from tests.faults.survival import check, known
from tests.restore.world import tree
from tests.volumes import exfat_card, pull_out, put_in

SNAPSHOT = ("snapshot",)
RESTORE = ("restore", DEVICE, "--yes", "--on-newer", "replace")
#: Where a run is caught, each time at its n-th call of that name.
MOMENTS = [(at, number) for at in ("fsync", "pread", "stat", "mkdir", "open") for number in range(1, 30, 2)]


@pytest.mark.volumes
@sizes
@pytest.mark.parametrize("command", [SNAPSHOT, RESTORE], ids=lambda command: command[0])
def test_the_card_is_pulled_out(command: tuple[str, ...], size: Size) -> None:
    """The archive and the handheld's saves lie on it."""
    count = 0
    moments = list(MOMENTS)
    random.Random(6).shuffle(moments)
    for at, number in moments:
        if count == (2 if size is Size.SHORT else len(moments)):
            break
        with exfat_card("8M") as card:
            evening = Evening.made(Path(card, "evening"))
            evening.program()
            before = known(evening.archive)
            try:
                with paused(evening, *command, at=at, number=number) as one:
                    pull_out(card)
                    status = one.end()
            except NoStop:
                continue
            count += 1
            assert status in (0, 1, 3, 4, 5)
            put_in(card)
            now = known(evening.archive)
            evening.check(before, now, rename_is_one_step=False)
            if status == 0:  # all that mattered was done
                assert len(now) > len(before)
                assert command == SNAPSHOT or tree(evening.card) == evening.new
            assert typed(evening, *command).status == 0
            check(evening.archive, before, known(evening.archive))
            del evening
            gc.collect()  # lets go of its files, so that the card can be taken away
    told(f"card pulled out, {command[0]}", f"{count} times")
