"""Saves and states that a real emulator wrote."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from handhold.layouts.recognition.recognise import (
    HEAD,
    SURE,
    Looks,
    Seen,
    Surroundings,
    look_around,
    recognise,
)
from handhold.model import Part
from tests.real.evenings import play, set_up


def looked_at(top: Path) -> dict[str, Looks]:
    """What each file below a folder looks like, by its path."""
    found: dict[str, Looks] = {}
    todo = [("", Surroundings.top())]
    while todo:
        path, above = todo.pop()
        entries = sorted(os.scandir(top / path), key=lambda entry: entry.name)
        files = [Seen(e.name, e.stat().st_size, e.stat().st_mtime_ns) for e in entries if e.is_file()]
        folders = [e.name for e in entries if e.is_dir()]

        def head(file: Seen, path: str = path) -> bytes:
            with open(top / path / file.name, "rb") as stream:
                return stream.read(HEAD)

        here = look_around(above, files, folders, head)
        for file, looks in zip(files, recognise(here, files, folders, head), strict=True):
            found[f"{path}/{file.name}".lstrip("/")] = looks
        todo += [(f"{path}/{name}".lstrip("/"), here.into(name)) for name in folders]
    return found


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Path:
    top = tmp_path_factory.mktemp("device")
    play(set_up(str(top)), 120)
    return top


def test_in_folders_of_their_own(played: Path) -> None:
    found = looked_at(played)
    assert {path: looks.part for path, looks in found.items()} == {
        "Wickwork/saves/Lamplighter.sav": Part.SAVES,
        "Wickwork/states/Lamplighter.st1": Part.STATES,
        "Games/Lamplighter.bin": Part.GAMES,
    }
    assert all(looks.confidence >= SURE for looks in found.values())


@pytest.mark.parametrize("folder", ["Games", "stuff", "old handheld/copy", "Documents"])
def test_in_one_heap_beside_the_game(played: Path, tmp_path: Path, folder: str) -> None:
    heap = tmp_path / folder
    heap.mkdir(parents=True)
    for path in played.rglob("Lamplighter.*"):
        shutil.copy(path, heap)
    found = {path.rpartition("/")[2]: looks for path, looks in looked_at(tmp_path).items()}
    assert found["Lamplighter.sav"].part is Part.SAVES and found["Lamplighter.sav"].confidence >= SURE
    assert found["Lamplighter.st1"].part is Part.STATES and found["Lamplighter.st1"].confidence >= SURE
    game = found["Lamplighter.bin"]
    assert game.part in (Part.GAMES, None) or game.confidence < SURE


@pytest.mark.parametrize("name", ["Lamplighter.xyz", "Lamplighter", "Lamplighter.dat"])
def test_a_save_with_an_odd_ending_beside_the_game(played: Path, tmp_path: Path, name: str) -> None:
    shutil.copy(played / "Wickwork/saves/Lamplighter.sav", tmp_path / name)
    shutil.copy(played / "Games/Lamplighter.bin", tmp_path / "Lamplighter.rom")
    found = looked_at(tmp_path)
    assert found[name].part is Part.SAVES and found[name].confidence >= SURE
    assert found["Lamplighter.rom"].part is Part.GAMES
