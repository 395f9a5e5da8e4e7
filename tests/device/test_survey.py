"""What a walk means for the owner."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from handhold.device.survey import Tally, tally
from handhold.model import HomeKind, Part
from tests.device.trees import as_nobody, fill, layout, open_to_all, walked


def test_tally(tmp_path: Path) -> None:
    fill(tmp_path / "card", "Tinplate/saves/a.sav", "Tinplate/saves/b.sav", content=b"12345")
    fill(tmp_path / "internal", "Tinplate/saves/c.sav", "Tinplate/states/c.st0", "Lantern/", content=b"123")
    fill(tmp_path / "internal", "Games/one.bin", "Games/two.bin", "Tinplate/shaders/x", content=b"1234567")
    for number, path in enumerate(sorted(tmp_path.rglob("*.sav"))):
        os.utime(path, ns=(0, 1_600_000_000_000_000_000 + number))
    os.utime(tmp_path / "internal/Tinplate/states/c.st0", ns=(0, 1_500_000_000_000_000_000))
    layouts = [
        layout(
            "tinplate", {"main": "*:Tinplate"}, "skip: shaders/**", "saves: saves/**", "states: states/**"
        ),
        layout("lantern", {"main": "*:Lantern"}, "saves: **", kind=HomeKind.EXPORT),
        layout("absent", {"main": "*:Nowhere"}, "saves: **", kind=HomeKind.PRIVATE),
        layout("shelf", {"main": "*:Games"}, "games: **", kind=HomeKind.GAMES),
        layout("a-pattern", {"main": ()}, "saves: **"),
    ]
    volumes = {"internal": tmp_path / "internal", "card": tmp_path / "card"}
    found = {f.emulator: f for f in tally(walked(volumes, *layouts), layouts)}
    assert list(found) == ["absent", "lantern", "shelf", "tinplate"]
    tinplate = found["tinplate"]
    assert tinplate.parts[Part.SAVES] == Tally(3, 13, 1_600_000_000_000_000_002)
    assert tinplate.parts[Part.STATES] == Tally(1, 3, 1_500_000_000_000_000_000)
    assert list(tinplate.parts) == [Part.SAVES, Part.STATES]
    assert [(s.home, s.volume) for s in tinplate.sites] == [("main", "internal"), ("main@card", "card")]
    assert (tinplate.state, tinplate.reach, tinplate.title, tinplate.how) == (
        "found", HomeKind.FOLDER, "Tinplate", "layout",
    )  # fmt: skip
    assert (found["lantern"].state, found["lantern"].reach, found["lantern"].parts) == (
        "found", HomeKind.EXPORT, {},
    )  # fmt: skip
    assert (found["absent"].state, found["absent"].reach) == ("absent", HomeKind.PRIVATE)
    games = found["shelf"].parts[Part.GAMES]
    assert (games.files, games.bytes) == (2, 14)


def test_reach_and_state_of_what_cannot_be_listed(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("needs root, to become somebody else")
    fill(tmp_path, "Private/files/a.sav", "Out/a.sav", "Shut/a.sav")
    (tmp_path / "Private").chmod(0o700)
    (tmp_path / "Shut").chmod(0o700)
    kinds = {"app": HomeKind.PRIVATE, "out": HomeKind.EXPORT}
    layouts = [
        layout("only", {"app": "*:Private/files"}, "saves: **", kinds=kinds),
        layout("both", {"app": "*:Private/files", "out": "*:Out"}, "saves: **", kinds=kinds),
        layout("shut", {"main": "*:Shut"}, "saves: **"),
    ]

    def check() -> None:
        found = {f.emulator: (f.state, f.reach) for f in tally(walked({"v": tmp_path}, *layouts), layouts)}
        assert found == {
            "only": ("unreachable", HomeKind.PRIVATE),
            "both": ("found", HomeKind.EXPORT),
            "shut": ("unreachable", HomeKind.FOLDER),
        }

    with open_to_all(tmp_path):
        as_nobody(check)
