"""The power goes during ``mend``: what could be had before can still be had, and mending again mends all."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.mending.mend import mend
from handhold.archive.storage import LocalStorage
from handhold.errors import OwnerError
from tests.archive.fixtures import EVENING
from tests.faults.campaign import Size, cuts, sizes
from tests.faults.survival import Known, check_tidy, check_whole, emptied, known, quick_folder
from tests.faults.watching import record
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
            now = obtainable(root)
            for name, files in had.items():
                lost = files.keys() - now.get(name, {}).keys()
                assert not lost, (name, lost)
                assert all(now[name][key] == whole[name][key] for key in now[name])
            assert run(root) == 0
            check_whole(root, whole)
            check_tidy(root)
            count += 1
    assert count > 10
