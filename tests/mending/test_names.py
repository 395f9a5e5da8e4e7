"""Files of an archive that somebody swapped or renamed: mending gives them their names back, losing none."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from handhold.archive.mending.mend import mend
from handhold.archive.parity.keeping import begin_parity
from handhold.archive.storage import LocalStorage
from tests.archive.fixtures import EVENING, again, bundles, contents, files, make, night, path

#: Three nights of one bundle each, and which files change places or names.
KINDS = (
    "swapped bundles",
    "swapped manifests",
    "a renamed bundle",
    "a renamed manifest",
    "a ring of bundles",
)


@pytest.mark.parametrize("parity", [False, True])
@pytest.mark.parametrize("kind", KINDS)
def test_names_are_given_back(tmp_path: Path, kind: str, parity: bool) -> None:
    archive = make(tmp_path)
    if parity:
        begin_parity(archive.storage)
    saves = [{f"{number}.sav": os.urandom(3000)} for number in range(3)]
    nights = [night(archive, one) for one in saves]
    packed = bundles(archive)
    whole = {name: data for name, data in files(archive).items() if not name.startswith("parity/")}
    moves = {
        "swapped bundles": {packed[0]: packed[1], packed[1]: packed[0]},
        "swapped manifests": {nights[0].file: nights[1].file, nights[1].file: nights[0].file},
        "a renamed bundle": {packed[0]: f"{os.path.dirname(packed[0])}/a copy.bundle"},
        "a renamed manifest": {nights[0].file: "manifests/a copy.manifest"},
        "a ring of bundles": {packed[0]: packed[1], packed[1]: packed[2], packed[2]: packed[0]},
    }[kind]
    for old in moves:
        os.rename(path(archive, old), path(archive, f"{old}.aside"))
    for old, new in moves.items():
        os.rename(path(archive, f"{old}.aside"), path(archive, new))

    look = mend(LocalStorage(path(archive)), lambda: EVENING, dry=True)
    assert not look.before.ok
    assert sum("called" in deed.what for deed in look.done) == len(moves)
    result = mend(LocalStorage(path(archive)), lambda: EVENING)
    assert result.after.ok, result.after.damage
    now = {name: data for name, data in files(archive).items() if not name.startswith("parity/")}
    assert now == whole
    for snapshot, save in zip(nights, saves, strict=True):
        assert contents(again(archive), snapshot) == save
