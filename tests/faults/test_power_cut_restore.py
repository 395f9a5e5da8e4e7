"""The power goes during a restore or an undo, on the card and in the archive: neither loses anything."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from handhold import beside
from handhold.restore import writing
from handhold.restore.steps import Step
from tests.faults.campaign import Size, cuts, sizes
from tests.faults.disk import states
from tests.faults.evening import NEW, OLD, Evening, many
from tests.faults.survival import emptied, known, quick_folder
from tests.faults.watching import record


@pytest.fixture
def place() -> Iterator[Path]:
    with quick_folder() as folder:
        yield folder


@sizes
@pytest.mark.parametrize("files", ["few", "many", "only added"])
def test_a_restore_that_is_cut_off(
    place: Path, size: Size, files: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Batches that only add are begun in a second process.
    monkeypatch.setattr(beside, "_cores", lambda: 2)
    monkeypatch.setattr(writing, "BATCH_FILES", 4)
    old, new = {"few": (OLD, NEW), "many": (many(OLD), many(NEW)), "only added": ({}, many(NEW))}[files]
    evening = Evening.made(place / "made", old, new)
    before = known(evening.archive)
    recording = record(evening.restore, evening.folders)
    after = known(evening.archive)
    (place / "state").mkdir()
    for number, state in enumerate(cuts(f"restore, {files} files", recording, size, most=64, short=24)):
        state.lay_out(emptied(place / "state"))
        there = evening.at(place / "state")
        there.check(before, after, rename_is_one_step=state.ordered)
        if number % 2 and there.records:
            there.take_back()
        else:
            there.finish(Evening.restore)


@sizes
def test_an_undo_that_is_cut_off(place: Path, size: Size) -> None:
    evening = Evening.made(place / "made")
    evening.restore()
    before = known(evening.archive)
    records = len(evening.records)
    recording = record(evening.undo, evening.folders)
    after = known(evening.archive)
    (place / "state").mkdir()
    for state in cuts("undo", recording, size, most=96, short=24):
        state.lay_out(emptied(place / "state"))
        there = evening.at(place / "state")
        there.check(before, after, rename_is_one_step=state.ordered)
        there.go_on_with_undo(records)


def _hasty(evening: Evening) -> int:
    """A restore that does not wait until what makes way is safe in the archive."""
    os.fsync = lambda fd: None
    return evening.restore()


def _in_place(evening: Evening) -> int:
    """A restore that writes over the files where they stand, after the safety snapshot."""
    from handhold.restore.writing import Writing

    begin = Writing._begin

    def writing_over(self: Writing, step: Step, *rest: Any) -> None:
        assert step.target is not None
        with open(os.path.join(step.target.base, step.target.way(step.path)), "r+b") as file:
            file.write(b"".join(self._archive.content(step.entry)))
        begin(self, step, *rest)

    Writing._begin = writing_over  # type: ignore[assignment, method-assign]
    return evening.restore()


@pytest.mark.parametrize("careless", [_hasty, _in_place])
def test_the_campaign_finds_a_restore_that_is_careless(
    place: Path, careless: Callable[[Evening], int]
) -> None:
    evening = Evening.made(place / "made", OLD, {path: NEW[path] for path in OLD})
    before = known(evening.archive)
    recording = record(lambda: careless(evening), evening.folders)
    after = known(evening.archive)
    (place / "state").mkdir()
    lost = 0
    for state in list(states(recording, most=8))[::4]:
        state.lay_out(emptied(place / "state"))
        there = evening.at(place / "state")
        try:
            there.check(before, after, rename_is_one_step=state.ordered)
        except AssertionError:
            lost += 1
    assert lost
