"""Restores by somebody who may not do everything: run as another user, since root may."""

from __future__ import annotations

import os
import traceback
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from handhold.restore.steps import OnNewer
from tests.restore.world import EVENING, World, decisions

NOBODY = 65534
needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")


def as_nobody(work: Callable[[], None]) -> None:
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
            work()
            status = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(status)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


def give(folder: Path) -> None:
    """Gives the whole world to the other user, and the way to it."""
    for path in [folder, *folder.rglob("*")]:
        os.chown(path, NOBODY, NOBODY, follow_symlinks=False)
    for parent in folder.parents:
        if parent.stat().st_mode & 0o001 == 0:
            parent.chmod(parent.stat().st_mode | 0o011)


@needs_root
def test_what_may_not_be_read_or_written_is_told_and_left(tmp_path: Path) -> None:
    (tmp_path / "world").mkdir()
    world = World(tmp_path / "world")
    for name in ("locked", "secret", "free"):
        world.put("plover", f"saves/{name}/{name}.sav", name)
    from tests.device.trees import layout

    world.layouts = {"tinplate": layout("tinplate", {"main": "*:Tinplate"}, "saves: saves/**")}
    night = world.night("plover")
    (world.card("lantern") / "Tinplate/saves/locked").mkdir(parents=True)
    world.put("lantern", "saves/secret/secret.sav", "mine", EVENING - timedelta(days=9))
    give(world.root)
    os.chown(world.card("lantern") / "Tinplate/saves/locked", 0, 0)
    os.chown(world.card("lantern") / "Tinplate/saves/secret/secret.sav", 0, 0)
    (world.card("lantern") / "Tinplate/saves/secret/secret.sav").chmod(0o600)

    def work() -> None:
        world.reopened()
        applied = world.restore("lantern", night, on_newer=OnNewer.REPLACE)
        assert decisions(applied.plan.steps) == {
            "saves/locked/locked.sav": "failed",
            "saves/secret/secret.sav": "blocked",
            "saves/free/free.sav": "write",
        }
        whys = {step.entry.path: step.why for step in applied.plan.steps}
        assert "not permitted" in whys["saves/locked/locked.sav"]
        assert "cannot be kept first" in whys["saves/secret/secret.sav"]

    as_nobody(work)
    assert world.read("lantern", "saves/secret/secret.sav") == "mine"
    assert world.read("lantern", "saves/free/free.sav") == "free"


@needs_root
def test_files_belong_to_whom_their_neighbours_do(tmp_path: Path) -> None:
    """The emulator runs as another user than the one who restores."""
    world = World(tmp_path)
    world.put("plover", "saves/A.sav", "one")
    world.put("plover", "states/A.st1", "one")
    night = world.night("plover")
    file = world.put("lantern", "saves/A.sav", "old", EVENING - timedelta(days=9))
    file.chmod(0o640)
    give(world.card("lantern"))
    os.chown(file, NOBODY, 12)
    assert not world.restore("lantern", night).failed
    told = file.stat()
    assert file.read_text() == "one" and (told.st_uid, told.st_gid, told.st_mode & 0o777) == (
        NOBODY,
        12,
        0o640,
    )
    for path in ("states", "states/A.st1"):
        assert (world.card("lantern") / "Tinplate" / path).stat().st_uid == NOBODY
