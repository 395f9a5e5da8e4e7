"""The power goes during ``snapshot``, and during the making of an archive: no night is ever lost."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.cli.world import World
from tests.faults.campaign import Size, cuts, sizes
from tests.faults.disk import Recording, states
from tests.faults.survival import check, emptied, known, next_night, quick_folder
from tests.faults.watching import record


@pytest.fixture
def world() -> Iterator[World]:
    with quick_folder() as folder:
        world = World(folder / "world")
        world.furnish()
        assert world.setup().status == 0
        yield world


def another_evening(world: World) -> None:
    world.next_evening()
    world.write(world.internal / "Tinplate/saves/Mole Valley.sav", b"mole valley, chapter 2" * 40)
    world.write(world.internal / "Tinplate/states/Lighthouse.st0", os.urandom(3000))


def watched_night(world: World) -> Recording:
    return record(lambda: world.run("snapshot").status, {"archive": world.archive})


@sizes
@pytest.mark.parametrize("nights", [1, 2])
def test_a_snapshot_that_is_cut_off(world: World, size: Size, nights: int) -> None:
    for _ in range(nights - 1):
        assert world.run("snapshot").status == 0
        another_evening(world)
    before = known(world.archive)
    recording = watched_night(world)
    after = known(world.archive)
    through = []
    with quick_folder() as folder:
        for state in cuts(f"snapshot, night {nights}", recording, size, most=8192):
            state.lay_out(emptied(folder))
            through.append(len(check(folder / "archive", before, after)) > len(before))
    assert {*through} == {True, False}


@sizes
def test_a_large_night_that_is_cut_off(world: World, size: Size) -> None:
    """Files that are cut into pieces, and more than one bundle."""
    from handhold.archive import bundle

    assert world.run("snapshot").status == 0
    another_evening(world)
    world.write(world.internal / "Tinplate/saves/Card.sav", os.urandom(2 << 20))
    before = known(world.archive)

    def night() -> int:
        bundle.FULL = 700_000
        return world.run("snapshot").status

    recording = record(night, {"archive": world.archive})
    after = known(world.archive)
    assert sum(path.suffix == ".bundle" for path in world.archive.rglob("*")) > 3
    with quick_folder() as folder:
        for state in cuts("snapshot, several bundles", recording, size, most=128, short=20, sector=4096):
            state.lay_out(emptied(folder))
            check(folder / "archive", before, after)


@sizes
def test_an_archive_whose_making_is_cut_off(size: Size) -> None:
    with quick_folder() as made, quick_folder() as folder:
        world = World(made / "world")
        world.furnish()
        recording = record(lambda: world.setup().status, {"safe": world.archive.parent})
        for state in cuts("setup", recording, size, most=512, short=30):
            state.lay_out(emptied(folder))
            again = World(folder / "world")
            again.archive = folder / "safe" / "archive"
            said = again.setup()  # the same command again, whatever is there
            assert said.status == 0, said.text
            next_night(again.archive)
            check(again.archive, known(again.archive))


def _named_first(world: World) -> int:
    """A snapshot whose files get their names before they are flushed."""
    from handhold.archive.storage import _LocalPending

    commit = _LocalPending.commit

    def early(self: _LocalPending, name: str) -> None:
        self._storage._make(os.path.dirname(name))
        os.replace(self._path, self._storage._path(name))
        os.link(self._storage._path(name), self._path)
        commit(self, name)

    _LocalPending.commit = early  # type: ignore[method-assign]
    return world.run("snapshot").status


def _without_flush(world: World) -> int:
    os.fsync = lambda fd: None
    return world.run("snapshot").status


@pytest.mark.parametrize("careless", [_without_flush, _named_first])
def test_the_campaign_finds_a_program_that_is_careless(
    world: World, careless: Callable[[World], int]
) -> None:
    """What the campaign is worth: a run that does not flush, or flushes too late, does not pass it."""
    assert world.run("snapshot").status == 0
    another_evening(world)
    before = known(world.archive)
    recording = record(lambda: careless(world), {"archive": world.archive})
    after = known(world.archive)
    lost = 0
    with quick_folder() as folder:
        for state in list(states(recording, most=16))[::4]:
            state.lay_out(emptied(folder))
            try:
                check(folder / "archive", before, after)
            except AssertionError:
                lost += 1
    assert lost


def test_the_states_are_checked_on_a_real_card_too(world: World, exfat: Path) -> None:
    assert world.run("snapshot").status == 0
    another_evening(world)
    before = known(world.archive)
    recording = watched_night(world)
    after = known(world.archive)
    for number, state in enumerate(states(recording, most=2, ordered=[False])):
        if number % 6 == 0:
            (exfat / str(number)).mkdir()
            state.lay_out(exfat / str(number))
            check(exfat / str(number) / "archive", before, after)
