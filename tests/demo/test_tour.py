"""The command ``handhold demo``: the whole story with the real commands, and the same story every time."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from handhold.cli.main import run
from handhold.demo.build import build, play_evening
from handhold.demo.scenario import read_scenario

from .opening import open_up


@pytest.fixture(autouse=True)
def _alone(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for name in ("CONFIG", "ARCHIVE", "DEVICE", "VOLUME", "LAYOUTS", "QUIET"):
        monkeypatch.delenv(f"HANDHOLD_{name}", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("TZ", "UTC")


def _without_chance(text: str) -> str:
    """Without what the machine at hand has a part in: its free room, and how long it took.

    Nor what an archive grew by: a few bytes more or less, for it has a random name of its own.
    """
    room, time = r"[\d.]+ [KMGT]iB free|\([\d.]+ [KMGT]iB", r"under a second|[\d.]+ (s|seconds)"
    return re.sub(rf"({room}|{time})\b", "…", text)


def test_the_tour_twice(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = []
    for name in ("once", "more"):  # of the same length, so that lines break at the same places
        status = run(["demo", str(tmp_path / name)])
        said = capsys.readouterr()
        assert status == 0, said.out[-2000:] + said.err
        told.append(_without_chance(said.out.replace(f"/{name}", "/folder")))
        open_up(tmp_path / name)
    assert told[0] == told[1]
    scenario = read_scenario()
    first, second = scenario.devices
    for folder in (first.name, second.name):
        compared = subprocess.run(
            ["diff", "-r", f"once/{folder}", f"more/{folder}"], cwd=tmp_path, capture_output=True, text=True
        )
        assert (compared.stdout, compared.returncode) == ("", 0)

    # The lost save is on marten again, as it was after the last evening; heron has its own newer one.
    untouched = build(str(tmp_path / "by hand"))
    for number in (1, 2, 3):
        play_evening(untouched, number)
    open_up(tmp_path / "by hand")
    volume, _, path = scenario.lost.path.partition(":")
    came_back = tmp_path / "once" / first.name / volume / path
    assert came_back.read_bytes() == (tmp_path / "by hand" / first.name / volume / path).read_bytes()
    compared = subprocess.run(
        ["diff", "-r", f"once/{first.name}", f"by hand/{first.name}"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
    )
    assert (compared.stdout, compared.returncode) == ("", 0), "and nothing else on marten is another"


def test_a_folder_that_is_in_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "mine.sav").write_bytes(b"mine")
    assert run(["demo", str(tmp_path)]) == 2
    said = capsys.readouterr()
    assert "not empty" in " ".join(said.err.split())  # wherever the line was broken
    assert [p.name for p in tmp_path.iterdir()] == ["mine.sav"]
