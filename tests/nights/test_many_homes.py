"""A place with a wildcard that fits thousands of folders."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.storage import LocalStorage
from handhold.archive.verify import verify
from handhold.device.volumes import open_device
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
    begun = time.process_time()
    result = take(archive, open_device("plover", {"card": str(card)}), [rules], Options(), lambda: EVENING)
    assert time.process_time() - begun < 6  # seconds; it was quadratic once, and took twice as long
    assert result.files == 1
    (site,) = archive.read(result.snapshot).sites
    assert site.path == "Games/A game with a rather long name, number 7/Saves"


def test_thousands_of_homes_with_a_save_in_each(card: Path, tmp_path: Path) -> None:
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), lambda: EVENING)
    for folder in (card / "Games").iterdir():
        (folder / "Saves/a.sav").write_bytes(b"a save")
    rules = layout("tinplate", {"main": "card:Games/*/Saves"}, "saves: **")
    for days in range(2):
        device = open_device("plover", {"card": str(card)})
        result = take(archive, device, [rules], Options(), partial(_evening, days))
        assert (result.files, len(result.gaps)) == (HOMES, 0)
    again = Archive.open(LocalStorage(str(tmp_path / "archive")))
    manifest = again.read(again.nights()[-1])
    assert len({site.path for site in manifest.sites}) == HOMES
    assert len(list(again.entries(manifest))) == HOMES
    assert verify(again.storage, deep=False).ok


def _evening(days: int) -> datetime:
    return EVENING + timedelta(days=days)
