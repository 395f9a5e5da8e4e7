"""The power goes during ``mend``, or it is killed: nothing more is lost, and mending again mends all."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.mending.mend import mend
from handhold.archive.storage import LocalStorage
from handhold.errors import OwnerError
from tests.archive.fixtures import EVENING
from tests.faults.campaign import Size, cuts, sizes, spread, told
from tests.faults.survival import Known, check_tidy, check_whole, emptied, known, quick_folder
from tests.faults.watching import ALL_CHANGES, changing, inject, record, watched_program
from tests.mending.world import Hurt

#: What is done to an archive, and what mends it besides parity.
Harm = Callable[[Hurt], None]


@pytest.fixture
def folder() -> Iterator[Path]:
    with quick_folder() as folder:
        yield folder


def obtainable(folder: Path) -> Known:
    """Every file that a hurt archive gives back."""
    archive = Archive(LocalStorage(str(folder)), "")
    found: Known = {}
    for snapshot in archive.snapshots():
        kept = found[snapshot.name] = {}
        try:
            manifest = archive.read(snapshot)
        except OwnerError:
            continue
        for page in manifest.pages:
            try:
                for entry in archive.page(page.id):
                    kept[entry.key] = b"".join(archive.content(entry))
            except OwnerError:
                continue
    return found


def sectors(hurt: Hurt) -> None:
    """A few dead sectors everywhere: parity repairs all."""
    hurt.kill(hurt.bundle, 1, 3)
    hurt.kill(hurt.files("manifests")[0], 0)
    hurt.kill(hurt.files("parity")[0], 2)
    hurt.kill("ARCHIVE.md", 0)
    hurt.kill("archive.yaml", 0)


def too_many(hurt: Hurt) -> None:
    """More than parity can repair: a new bundle is written, and the hurt one goes."""
    hurt.kill(hurt.bundle, 0, 2, 3, 4, 5)
    (hurt.root / hurt.files("parity")[0]).write_bytes(b"")


def nothing(hurt: Hurt) -> None:
    """Nothing: parity is added to what is there."""


def nothing_more_is_lost(root: Path, had: Known, whole: Known) -> None:
    """What the hurt archive gave back is still given back, and nothing false."""
    now = obtainable(root)
    for name, files in had.items():
        lost = files.keys() - now.get(name, {}).keys()
        assert not lost, (name, lost)
        assert all(now[name][key] == whole[name][key] for key in now[name])


@sizes
@pytest.mark.parametrize("harm", [sectors, too_many, nothing], ids=lambda harm: str(harm.__name__))
def test_a_mending_that_is_cut_off(folder: Path, harm: Harm, size: Size) -> None:
    hurt = Hurt(folder, parity=harm is not nothing, size=40_000)
    whole = known(hurt.root)
    other = hurt.copy(folder / "other")
    harm(hurt)
    had = obtainable(hurt.root)
    assert (had == whole) == (harm is nothing)

    def run(root: Path) -> int:
        source = LocalStorage(str(other))
        result = mend(LocalStorage(str(root)), lambda: EVENING, other=source, add_parity=harm is nothing)
        return 0 if result.after.ok else 4

    recording = record(lambda: run(hurt.root), {"archive": hurt.root})
    check_whole(hurt.root, whole)
    count = 0
    with quick_folder() as place:
        for state in cuts(f"mend, {harm.__name__}", recording, size, most=256, short=20, sector=4096):
            state.lay_out(emptied(place))
            root = place / "archive"
            nothing_more_is_lost(root, had, whole)
            assert run(root) == 0
            check_whole(root, whole)
            check_tidy(root)
            count += 1
    assert count > 10


@sizes
@pytest.mark.parametrize("harm", [sectors, too_many], ids=lambda harm: str(harm.__name__))
def test_killed_at_every_call(folder: Path, harm: Harm, size: Size) -> None:
    hurt = Hurt(folder, parity=True, size=40_000)
    whole = known(hurt.root)
    other = hurt.copy(folder / "other")
    harm(hurt)
    had = obtainable(hurt.root)

    def program(root: Path) -> list[str]:
        said = ["--archive", str(root), "mend", "--from", str(other), "--yes"]
        return [sys.executable, "-c", "from handhold.cli.entry import main; main()", *said]

    through = hurt.copy(folder / "through")
    ran = watched_program(program(through), *ALL_CHANGES)
    assert ran.status == 0, ran.text
    check_whole(through, whole)
    calls = changing(ran.log, {"archive": through})
    assert len(calls) > 10
    killed = 0
    for call in spread(calls, size, 2):
        root = hurt.copy(folder / f"killed {killed}")
        ran = watched_program(program(root), *inject([call.name], "signal=KILL", f"{call.number}"))
        assert ran.killed, f"{call.text[:300]}: {ran.text}"
        killed += 1
        nothing_more_is_lost(root, had, whole)
        result = mend(LocalStorage(str(root)), lambda: EVENING, other=LocalStorage(str(other)))
        assert result.after.ok
        check_whole(root, whole)
        check_tidy(root)
    told(f"kill -9, mend, {harm.__name__}", f"killed {killed} times, at {killed} of {len(calls)} calls")
