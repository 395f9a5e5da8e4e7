"""Real saves and states through the command line: three evenings, each brought back, each played on from."""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from handhold.cli.main import run
from handhold.model import NS

from .evenings import Counter, Places, play, play_on_from_state, read_counter, set_up

FRAMES = (200, 320, 260)  # of play on each evening; the first about three seconds long
AFTERWARDS = 150

Handhold = Callable[..., Any]


@pytest.fixture
def handhold(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Handhold:
    """Runs a command on the device and archive of the test; returns its JSON document."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    for name in list(os.environ):
        if name.startswith("HANDHOLD_"):
            monkeypatch.delenv(name)
    layouts = tmp_path / "layouts"
    layouts.mkdir()
    shutil.copy(Path(__file__).with_name("wickwork.yaml"), layouts)
    config = tmp_path / "config.yaml"

    def command(*arguments: str, status: int = 0) -> Any:
        got = run(
            [
                *("--config", str(config), "--archive", str(tmp_path / "archive")),
                *("--device", "marten", "--volume", f"internal={tmp_path / 'internal'}"),
                *("--layouts", str(layouts)),
                *arguments,
            ]
        )
        said = capsys.readouterr()
        assert got == status, said.err
        return json.loads(said.out) if "--json" in arguments else said.out

    (tmp_path / "internal").mkdir()
    command("setup", "--yes")
    return command


@pytest.fixture
def places(tmp_path: Path, handhold: Handhold) -> Places:
    return set_up(str(tmp_path / "internal"))


def three_evenings(places: Places, handhold: Handhold) -> list[tuple[str, Counter]]:
    """The name of each night's snapshot, and what the running game had counted that evening."""
    nights = []
    for days_ago, frames in zip((3, 2, 1), FRAMES, strict=True):
        counted = play(places, frames)
        written_ago(places, days_ago * 86_400)
        taken = handhold("snapshot", "--json")
        assert (taken["files"], taken["gaps"]) == (2, []), "a save and a state; the game is not kept"
        nights.append((taken["snapshot"], counted))
    return nights


def written_ago(places: Places, seconds: int) -> None:
    """Sets the clock of an evening: the emulator wrote its files that long ago."""
    at = time.time_ns() - seconds * NS
    for path in (places.save, places.state):
        os.utime(path, ns=(at, at))


def lose_everything(places: Places) -> None:
    shutil.rmtree(places.home)
    os.makedirs(places.home)


def test_each_evening_comes_back_and_the_game_counts_on(places: Places, handhold: Handhold) -> None:
    nights = three_evenings(places, handhold)
    assert [counted.evenings for _, counted in nights] == [1, 2, 3]
    assert len({name for name, _ in nights}) == 3
    start_up = FRAMES[0] - nights[0][1].frames
    for name, counted in nights:
        lose_everything(places)
        plan = handhold("restore", name, "--yes", "--json")
        assert sorted(step["decision"] for step in plan["steps"]) == ["write", "write"]
        assert read_counter(places.save) == counted
        loaded, after = play_on_from_state(places, AFTERWARDS)
        assert loaded == counted
        assert after == Counter(counted.frames + AFTERWARDS, counted.evenings)
        on = play(places, AFTERWARDS)
        assert on == Counter(counted.frames + AFTERWARDS - start_up, counted.evenings + 1)
    checked = handhold("verify", "--deep", "--json")
    assert checked["ok"] is True


def test_the_save_alone(places: Places, handhold: Handhold) -> None:
    nights = three_evenings(places, handhold)
    lose_everything(places)
    handhold("restore", nights[1][0], "--part", "saves", "--game", "lamp*", "--yes")
    assert not os.path.exists(places.state)
    assert play(places, AFTERWARDS).evenings == 3, "the third evening, from the second night"


def test_newer_progress_stays(places: Places, handhold: Handhold) -> None:
    nights = three_evenings(places, handhold)
    newest = play(places, AFTERWARDS)  # and no snapshot after it
    written_ago(places, 3_600)
    plan = handhold("restore", nights[0][0], "--yes", "--json", status=3)
    assert [step["decision"] for step in plan["steps"]] == ["newer", "newer"]
    assert read_counter(places.save) == newest
    assert play(places, AFTERWARDS).evenings == newest.evenings + 1


def test_back_to_an_older_night_on_purpose_and_undone(places: Places, handhold: Handhold) -> None:
    nights = three_evenings(places, handhold)
    handhold("restore", nights[0][0], "--on-newer", "replace", "--yes")
    assert read_counter(places.save) == nights[0][1]
    handhold("undo", "--yes")
    assert read_counter(places.save) == nights[2][1]
    loaded, _ = play_on_from_state(places, 1)
    assert loaded == nights[2][1]
