"""A handheld, and a state folder of the test's own."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.world import World


@pytest.fixture(autouse=True)
def own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "state"
    monkeypatch.setenv("XDG_STATE_HOME", str(folder))
    return folder


@pytest.fixture
def world(tmp_path: Path) -> World:
    made = World(tmp_path)
    made.furnish_portable(ascii_only=True)
    assert made.setup("plover").status == 0
    return made
