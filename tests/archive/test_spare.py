"""A second copy that a mending left when it was cut off: the next writer puts it in place."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from handhold.archive.spare import is_spare, use_spares
from handhold.archive.verify import verify
from tests.archive.fixtures import again, bundles, contents, files, make, night, path


def spare_of(data: bytes, name: str) -> str:
    return f"again-{hashlib.sha256(data).hexdigest()[:8]}-{name}"


@pytest.mark.parametrize("what", ["manifest", "bundle", "archive.yaml", "ARCHIVE.md"])
@pytest.mark.parametrize("there", ["gone", "hurt", "sound"])
def test_the_next_writer_puts_it_in_place(tmp_path: Path, what: str, there: str) -> None:
    archive = make(tmp_path)
    snapshot = night(archive, {"saves/a.sav": b"one evening" * 9})
    held = contents(archive, snapshot)
    file = {"manifest": snapshot.file, "bundle": bundles(archive)[0]}.get(what, what)
    before = files(archive)
    Path(path(archive, spare_of(before[file], os.path.basename(file)))).write_bytes(before[file])
    if there == "gone":
        os.unlink(path(archive, file))
    elif there == "hurt":
        Path(path(archive, file)).write_bytes(before[file][:-1])
    notes = verify(archive.storage, deep=False).notes
    assert any("mending was cut off" in note for note in notes)
    use_spares(archive.storage)
    assert files(archive) == before
    assert verify(archive.storage, deep=True).ok
    assert contents(again(archive), snapshot) == held


def test_a_torn_one_is_thrown_away(tmp_path: Path) -> None:
    archive = make(tmp_path)
    snapshot = night(archive, {"saves/a.sav": b"one evening"})
    before = files(archive)
    spare = spare_of(before[snapshot.file], os.path.basename(snapshot.file))
    Path(path(archive, spare)).write_bytes(before[snapshot.file][:-1])
    night(archive, {"saves/a.sav": b"two evenings"})  # any writer does it
    assert files(archive)[snapshot.file] == before[snapshot.file]
    assert not os.path.exists(path(archive, spare))


@pytest.mark.parametrize(
    "name",
    [
        "again-0123abcd-",
        "again-0123abcd-../../x",
        "again-0123abcd-notes.txt",
        "again-0123abcz-archive.yaml",
        "again-archive.yaml",
        "new-again-0123abcd-archive.yaml",
    ],
)
def test_other_names_are_no_second_copies(name: str) -> None:
    assert not is_spare(name)
