"""A place with a wildcard that fits thousands of folders."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.storage import LocalStorage
from handhold.device.volumes import open_device
from handhold.errors import OwnerError
from handhold.snapshot import Options, take
from tests.device.trees import layout
from tests.restore.world import EVENING

HOMES = 9000


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    card = tmp_path_factory.mktemp("card")
    for number in range(HOMES):
        (card / "Games" / f"A game with a rather long name, number {number}" / "Saves").mkdir(parents=True)
    return card


def test_thousands_of_empty_homes(card: Path, tmp_path: Path) -> None:
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), lambda: EVENING)
    save = card / "Games/A game with a rather long name, number 7/Saves/a.sav"
    save.write_bytes(b"a save")
    rules = layout("tinplate", {"main": "card:Games/*/Saves"}, "saves: **")
    begun = time.monotonic()
    result = take(archive, open_device("plover", {"card": str(card)}), [rules], Options(), lambda: EVENING)
    assert time.monotonic() - begun < 6  # seconds; it was quadratic once, and took twice as long
    assert result.files == 1
    (site,) = archive.read(result.snapshot).sites
    assert site.path == "Games/A game with a rather long name, number 7/Saves"


def test_thousands_of_homes_with_a_save_in_each_end_in_words(card: Path, tmp_path: Path) -> None:
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), lambda: EVENING)
    for folder in (card / "Games").iterdir():
        (folder / "Saves/a.sav").write_bytes(b"a save")
    rules = layout("tinplate", {"main": "card:Games/*/Saves"}, "saves: **")
    with pytest.raises(OwnerError, match="9,000 homes"):
        take(archive, open_device("plover", {"card": str(card)}), [rules], Options(), lambda: EVENING)
    assert archive.snapshots() == []
