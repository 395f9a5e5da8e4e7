"""A look over one folder, without any layout."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest

from handhold.device.glance import Glance, glance
from handhold.model import Part


def write(path: Path, data: bytes = b"\1" * 8192) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)


def parts(seen: Glance) -> dict[str, Part | None]:
    return {one.path: one.looks.part for one in seen.sightings}


def test_what_stands_above_the_folder_counts(tmp_path: Path) -> None:
    write(tmp_path / "Emulation/Hatch/saves/Gneiss/Mole Hollow.xyz")
    write(tmp_path / "Emulation/Hatch/shaders/1.bin")
    whole = glance(str(tmp_path), ["Emulation", "Hatch"])
    assert parts(whole) == {"saves/Gneiss/Mole Hollow.xyz": Part.SAVES, "shaders/1.bin": Part.CACHE}
    inner = glance(str(tmp_path), ["Emulation", "Hatch", "saves", "Gneiss"])
    assert parts(inner) == {"Mole Hollow.xyz": Part.SAVES}
    assert inner.place == "saves"


def test_a_folder_in_no_volume(tmp_path: Path) -> None:
    write(tmp_path / "saves/Mole Hollow.xyz")
    assert parts(glance("", [str(tmp_path / "saves")])) == {"Mole Hollow.xyz": Part.SAVES}


def test_the_archive_is_left_out(tmp_path: Path) -> None:
    write(tmp_path / "saves/Mole Hollow.sav")
    write(tmp_path / "archive/bundles/Mole Hollow.sav")
    seen = glance(str(tmp_path), [], [str(tmp_path / "archive")])
    assert parts(seen) == {"saves/Mole Hollow.sav": Part.SAVES}


def test_the_caller_is_told_how_far_it_has_come(tmp_path: Path) -> None:
    for number in range(600):
        write(tmp_path / f"saves/{number // 300}/{number}.sav", b"")
    told: list[int] = []
    assert len(glance(str(tmp_path), [], (), told.append).sightings) == 600
    assert told == [300, 600]


def test_a_card_that_fails(tmp_path: Path) -> None:
    write(tmp_path / "saves/a.sav")
    write(tmp_path / "states/a.st1")

    def scan(path: str) -> Any:
        if path.endswith("states"):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return os.scandir(path)

    seen = glance(str(tmp_path), [], scan=scan)
    assert parts(seen) == {"saves/a.sav": Part.SAVES}
    assert [(one.path, "failing" in one.why) for one in seen.unread] == [("states", True)]


def test_a_file_that_cannot_be_opened_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path / "odd/save.bin")
    whole = os.open

    def open_(path: Any, flags: int, mode: int = 0o777, **more: Any) -> int:
        if str(path).endswith("save.bin"):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        return whole(path, flags, mode, **more)

    monkeypatch.setattr(os, "open", open_)
    seen = glance(str(tmp_path), [])
    assert parts(seen) == {"odd/save.bin": Part.SAVES}, "place, name and size are enough here"
    assert [one.path for one in seen.unread] == ["odd/save.bin"]
