"""The power goes while nights are let go, and while a second archive is brought up to date."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from handhold.archive import sweeping
from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot
from handhold.archive.mirror import mirror
from handhold.archive.recipe import Range
from handhold.archive.retention import Rule
from handhold.archive.standing import BEGUN, standings
from handhold.archive.storage import LocalStorage
from handhold.archive.thin import prepare, thin
from handhold.archive.timeline import timelines
from handhold.model import HomeKind, Kind, Part, Site
from tests.archive.fixtures import EVENING, OFFSET, entry
from tests.faults.campaign import Size, cuts, sizes
from tests.faults.disk import states
from tests.faults.survival import (
    Known,
    check_tidy,
    check_whole,
    emptied,
    known,
    next_night,
    opened,
    quick_folder,
)
from tests.faults.watching import record

LATER = EVENING + timedelta(days=90)


@pytest.fixture
def place() -> Iterator[Path]:
    with quick_folder() as folder:
        yield folder


def made(folder: Path, nights: int = 5, parity: bool = False) -> Path:
    """An archive of some nights, of which each changes something, with an old restore among them."""
    archive = Archive.create(LocalStorage(str(folder)), lambda: EVENING)
    if parity:
        from handhold.archive.parity.keeping import begin_parity

        begin_parity(archive.storage)
    for number in range(nights):
        another(archive, number)
        if number == 1:
            aside = another(archive, 1, Kind.SAFETY)
            another(archive, 1, Kind.RESTORED, aside, BEGUN)
            another(archive, 1, Kind.RESTORED, aside)
    return folder


def another(
    archive: Archive, number: int, kind: Kind = Kind.NIGHT, safety: Snapshot | None = None, note: str = ""
) -> Snapshot:
    saves = {"a.sav": b"chapter %d " % number * 70, "b.sav": b"the same" * 40, f"{number // 2}.sav": b"x"}
    if kind is Kind.RESTORED or number > 1:
        saves["new.sav"] = b"not there before the restore"
    runs = [bytes([number, n]) * 400 for n in range(3)]
    with archive.locked("test"), archive.writer() as writer:
        ranges = [Range(bytes.fromhex(writer.put_plain(run)), 0, len(run)) for run in runs]
        entries = [entry("card.sav", b"".join(runs), recipe=writer.put_recipe(ranges))]
        for name, data in saves.items():
            writer.put_plain(data)
            entries.append(entry(name, data))
        return writer.finish(
            device="meadow", kind=kind, taken=EVENING + timedelta(days=15 * number), entries=entries, gaps=[],
            volumes=[], sites=[Site("tinplate", "main", HomeKind.FOLDER, "internal", "Tinplate")],
            layouts={"tinplate": b"it"}, note=note, safety=safety.file if safety else None,
        )  # fmt: skip


def thinned(folder: Path, now: datetime = LATER) -> int:
    """Lets go all but the last night."""
    archive = opened(folder)
    with archive.locked("thin"):
        thin(archive, prepare(archive, Rule(nights=1), OFFSET, now))
    return 0


def told(folder: Path) -> object:
    """Who is newer, and what came and went, of every save."""
    archive = opened(folder)
    names = ["a.sav", "b.sav", "card.sav", "new.sav", *(f"{n}.sav" for n in range(3))]
    found = standings(archive, {("tinplate", Part.SAVES, name) for name in names})
    courses = timelines(archive, list(Part))
    assert not found.unreadable and not courses.unreadable
    mine = {identity for identity in courses.lines if identity[2] != "saves/next.sav"}
    moments = {
        (identity, line): [(one.snapshot.name, one.entry) for one in each]
        for identity in mine
        for line, each in courses.lines[identity].items()
    }
    return found.lines, moments


def survive_thin(name: str, place: Path, size: Size, folder: Path, *, most: int, short: int) -> None:
    before, order = known(folder), told(folder)
    recording = record(lambda: thinned(folder), {"archive": folder})
    after = known(folder)
    assert len(after) == 3 < len(before), "the last one, and two that alone have a save"
    gone = set(before) - set(after)
    (place / "state").mkdir()
    there: set[int] = set()
    for number, state in enumerate(cuts(name, recording, size, most=most, short=short)):
        state.lay_out(emptied(place / "state"))
        cut = place / "state" / "archive"
        found = check_whole(cut, before, after, may_go=gone)
        there.add(len(found))
        assert told(cut) == order
        if number % 3:
            thinned(cut)
            assert known(cut) == after
        else:  # a night is taken before anybody thins again
            next_night(cut)
            assert {*found} <= {*known(cut)}
        check_tidy(cut)
        assert told(cut) == order
    assert {len(before), len(after)} <= there


@sizes
@pytest.mark.parametrize("parity", [False, True], ids=["bare", "with parity"])
def test_a_thinning_that_is_cut_off(place: Path, size: Size, parity: bool) -> None:
    if parity:
        pytest.importorskip("zfec")
    folder = made(place / "archive", parity=parity)
    survive_thin("thin" + ", with parity" * parity, place, size, folder, most=64, short=40)


@sizes
def test_a_thinning_in_several_bundles_that_is_cut_off(
    place: Path, size: Size, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is needed is gathered into several new bundles, one after the other."""
    monkeypatch.setattr(sweeping, "FULL", 2000)
    folder = made(place / "archive", nights=6)
    survive_thin("thin, several bundles", place, size, folder, most=24, short=30)


def _no_flush(folder: Path) -> int:
    os.fsync = lambda fd: None
    return thinned(folder)


def _blocks_first(folder: Path) -> int:
    """Deletes what only the nights needed before these are let go."""
    archive = opened(folder)
    with archive.locked("thin"):
        plan = prepare(archive, Rule(nights=1), OFFSET, LATER)
        plan.sweep.do(archive, sweeping.Swept())
        archive.look_anew()
        thin(archive, prepare(archive, Rule(nights=1), OFFSET, LATER))
    return 0


def _forgetful(folder: Path) -> int:
    """Deletes the manifests without remembering anything."""
    archive = opened(folder)
    with archive.locked("thin"):
        for one in prepare(archive, Rule(nights=1), OFFSET, LATER).goes:
            archive.delete(one.file)
    return 0


@pytest.mark.parametrize("careless", [_no_flush, _blocks_first, _forgetful])
def test_the_campaign_finds_a_thinning_that_is_careless(place: Path, careless: Callable[[Path], int]) -> None:
    folder = made(place / "archive")
    before, order = known(folder), told(folder)
    recording = record(lambda: careless(folder), {"archive": folder})
    (place / "state").mkdir()
    with pytest.raises(AssertionError):
        for state in states(recording, most=16):
            state.lay_out(emptied(place / "state"))
            cut = place / "state" / "archive"
            check_whole(cut, before, None, may_go=set(before))
            assert told(cut) == order


# -- mirror -----------------------------------------------------------------------------------------------


def mirrored(first: Path, second: Path) -> int:
    archive = opened(first)
    with archive.locked("mirror"):
        done = mirror(archive, LocalStorage(str(second)))
    assert not done.hurt
    return 0


@sizes
@pytest.mark.parametrize("begun", [False, True], ids=["new", "further"])
def test_a_mirror_that_is_cut_off(place: Path, size: Size, begun: bool) -> None:
    first, second = made(place / "first"), place / "second"
    second.mkdir()
    if begun:
        mirrored(first, second)
        for number in (5, 6):
            another(opened(first), number)
    before: Known = known(second) if begun else {}
    whole = known(first)
    recording = record(lambda: mirrored(first, second), {"first": first, "second": second})
    (place / "state").mkdir()
    there = set()
    for state in cuts("mirror" + ", further" * begun, recording, size, most=64, short=40):
        state.lay_out(emptied(place / "state"))
        one, other = place / "state" / "first", place / "state" / "second"
        other.mkdir(exist_ok=True)
        if (other / "archive.yaml").exists():
            there.add(len(check_whole(other, before, whole)))
        mirrored(one, other)
        assert known(one) == known(other) == whole
        check_tidy(other)
    assert {len(before), len(whole)} <= there
