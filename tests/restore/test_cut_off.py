"""The power goes at any moment of a restore or an undo: each file is the old or the new one, nothing is lost.

A forked child is ended (``os._exit``) at its n-th call that changes a disk, before or after that call, for
every n. It shows what the program leaves; what a card does with its own caches is not seen here.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from handhold.restore.plan import OnNewer
from tests.restore.power import cut_off
from tests.restore.world import World, tree

OLD = {
    "Tinplate/saves/A.sav": b"A two",
    "Tinplate/saves/B.sav": b"B two",
    "Tinplate/states/A.st0": b"state two",
}
NEW = {
    "Tinplate/saves/A.sav": b"A one",
    "Tinplate/saves/B.sav": b"B one",
    "Tinplate/saves/deep/C.sav": b"C one",
    "Tinplate/states/A.st0": b"state one",
}


@pytest.fixture(scope="module")
def start(tmp_path_factory: pytest.TempPathFactory) -> World:
    world = World(tmp_path_factory.mktemp("start"), layouts=[_layout()])
    for path, content in NEW.items():
        world.put("plover", path.removeprefix("Tinplate/"), content)
    world.night("plover")
    shutil.rmtree(world.card("plover") / "Tinplate/saves/deep")
    for path, content in OLD.items():
        world.put("plover", path.removeprefix("Tinplate/"), content)
    return world


def _layout() -> Any:
    from tests.device.trees import layout

    return layout("tinplate", {"main": "*:Tinplate"}, "saves: saves/**", "states: states/**")


def _copy(start: World, folder: Path) -> World:
    shutil.copytree(start.root, folder)
    world = World.at(folder, start.now)
    world.layouts = start.layouts
    return world


def _restore(world: World) -> None:
    world.restore("plover", world.archive.find("plover"), on_newer=OnNewer.REPLACE)


def _check(world: World, moment: str) -> None:
    card = {path: data for path, data in tree(world.card("plover")).items() if ".part" not in path}
    for path in {*OLD, *NEW}:
        assert card.get(path) in (OLD.get(path), NEW.get(path)), f"{path} {moment}"
        old = OLD.get(path)
        assert old is None or card[path] == old or world.holds(old), f"{path} {moment}"


def _moments(full: bool) -> range:
    return range(1, 400, 1 if full else 7)


@pytest.mark.parametrize(
    ("full", "after"),
    [(False, False), (False, True), *(pytest.param(True, a, marks=pytest.mark.long) for a in (False, True))],
)
def test_a_restore_that_is_cut_off(start: World, tmp_path: Path, full: bool, after: bool) -> None:
    cuts = 0
    for moment in _moments(full):
        world = _copy(start, tmp_path / str(moment))
        if not cut_off(lambda world=world: _restore(world), moment, after):  # type: ignore[misc]
            break
        cuts += 1
        world.reopened()
        _check(world, f"at call {moment}")
        if moment % 2:  # a second run finishes it
            _restore(world)
            assert tree(world.card("plover")) == NEW, moment
        elif any(snapshot.kind.value == "restored" for snapshot in world.archive.snapshots()):
            world.undo("plover")  # or it is taken back as it is
            assert tree(world.card("plover")) == OLD, moment
        shutil.rmtree(world.root)
    else:
        pytest.fail("no run came to its end")
    assert cuts > 3  # the short form takes only some of the moments


@pytest.mark.parametrize("full", [False, pytest.param(True, marks=pytest.mark.long)])
def test_an_undo_that_is_cut_off_is_gone_on_with(start: World, tmp_path: Path, full: bool) -> None:
    restored = _copy(start, tmp_path / "restored")
    _restore(restored)
    cuts = 0
    for moment in _moments(full):
        world = _copy(restored, tmp_path / str(moment))
        if not cut_off(lambda world=world: world.undo("plover"), moment, False):  # type: ignore[misc]
            break
        cuts += 1
        world.reopened()
        _check(world, f"at call {moment}")
        # Cut off after its last record it was through, and the next undo takes it back as a whole.
        through = world.archive.snapshots()[-1].note.startswith("takes back")
        world.undo("plover")
        assert tree(world.card("plover")) == (NEW if through else OLD), moment
        shutil.rmtree(world.root)
    else:
        pytest.fail("no run came to its end")
    assert cuts > 3  # the short form takes only some of the moments
