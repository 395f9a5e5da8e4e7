"""Where homes go: options first, then the layout that the owner has now, then what the snapshot recorded."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from handhold.archive.standing import ELSEWHERE
from handhold.device.volumes import open_device
from handhold.errors import WrongInput
from handhold.layouts.layout import Layout
from handhold.model import Device, HomeKind, Site
from handhold.restore.found import NoTarget, Target
from handhold.restore.targets import Elsewhere, HomeOption, home_option, resolve
from tests.device.trees import layout

TINPLATE = layout("tinplate", {"main": ("card:Tinplate", "internal:Tinplate")}, "saves: **")
HIDDEN = layout("hidden", {"own": "card:Android/data/hidden"}, "saves: **", kind=HomeKind.PRIVATE)
RECORDED = (
    Site("tinplate", "main", HomeKind.FOLDER, "card", "Old/Tinplate"),
    Site("tinplate", "main@internal", HomeKind.FOLDER, "internal", "Tinplate"),
    Site("hidden", "own", HomeKind.PRIVATE, "card", "Android/data/hidden"),
)
MAIN = ("tinplate", "main")


@pytest.fixture
def device(tmp_path: Path) -> Device:
    for volume in ("card", "internal"):
        (tmp_path / volume).mkdir()
    return open_device("pebble", {v: str(tmp_path / v) for v in ("card", "internal")})


def find(
    device: Device,
    key: tuple[str, str] = MAIN,
    *,
    own: bool = True,
    elsewhere: Elsewhere | None = None,
    layouts: tuple[Layout, ...] = (TINPLATE, HIDDEN),
) -> Target | NoTarget:
    return resolve(device, layouts, RECORDED, {key}, own=own, elsewhere=elsewhere)[key]


def whole(target: Target | NoTarget) -> str:
    assert isinstance(target, Target)
    return os.path.join(target.base, target.below).rstrip("/")


def test_the_layout_wins_over_what_was_recorded(device: Device, tmp_path: Path) -> None:
    (tmp_path / "card/Tinplate").mkdir()
    (tmp_path / "card/Old/Tinplate").mkdir(parents=True)
    target = find(device)
    assert whole(target) == str(tmp_path / "card/Tinplate")
    assert isinstance(target, Target) and target.here


def test_the_recorded_path_on_the_own_device_only(device: Device, tmp_path: Path) -> None:
    assert whole(find(device)) == str(tmp_path / "card/Old/Tinplate")
    other = find(device, own=False)
    assert isinstance(other, NoTarget) and "start it once" in other.why


def test_the_same_home_on_another_volume(device: Device, tmp_path: Path) -> None:
    (tmp_path / "internal/Tinplate").mkdir()
    assert whole(find(device, own=False)) == str(tmp_path / "internal/Tinplate")
    # Of two, the one on the volume that was recorded.
    (tmp_path / "card/Tinplate").mkdir()
    assert whole(find(device, ("tinplate", "main@internal"))) == str(tmp_path / "internal/Tinplate")


def test_to_replaces_a_volume(device: Device, tmp_path: Path) -> None:
    (tmp_path / "card/Tinplate").mkdir()
    (tmp_path / "aside").mkdir()
    to = Elsewhere({"card": str(tmp_path / "aside")})
    target = find(device, elsewhere=to)
    assert whole(target) == str(tmp_path / "aside/Old/Tinplate")
    assert isinstance(target, Target) and not target.here and target.site.volume == ELSEWHERE
    (tmp_path / "aside/Tinplate").mkdir()
    assert whole(find(device, elsewhere=to)) == str(tmp_path / "aside/Tinplate")
    same = find(device, elsewhere=Elsewhere({"card": str(tmp_path / "card")}))
    assert isinstance(same, Target) and same.here  # the very place where the device has it
    with pytest.raises(WrongInput, match="does not exist"):
        find(device, elsewhere=Elsewhere({"card": str(tmp_path / "nowhere")}))


def test_what_lies_on_another_volume_stays_there(device: Device, tmp_path: Path) -> None:
    (tmp_path / "internal/Tinplate").mkdir()
    (tmp_path / "aside/Tinplate").mkdir(parents=True)
    to = Elsewhere({"card": str(tmp_path / "aside")})
    key = ("tinplate", "main@internal")
    assert whole(find(device, key, elsewhere=to)) == str(tmp_path / "internal/Tinplate")
    assert whole(find(device, MAIN, elsewhere=to)) == str(tmp_path / "aside/Tinplate")


def test_home_wins_over_everything(device: Device, tmp_path: Path) -> None:
    (tmp_path / "card/Tinplate").mkdir()
    option = HomeOption("tinplate", None, str(tmp_path / "new"))
    target = find(device, elsewhere=Elsewhere(homes=(option,)))
    assert whole(target) == str(tmp_path / "new") and isinstance(target, Target) and not target.here
    with pytest.raises(WrongInput, match="not there"):
        option = HomeOption("tinplate", None, str(tmp_path / "a/b"))
        find(device, elsewhere=Elsewhere(homes=(option,)))
    (tmp_path / "file").touch()
    with pytest.raises(WrongInput, match="no folder"):
        option = HomeOption("tinplate", None, str(tmp_path / "file"))
        find(device, elsewhere=Elsewhere(homes=(option,)))
    with pytest.raises(WrongInput, match='no home "mian"'):
        option = HomeOption("tinplate", "mian", str(tmp_path))
        find(device, elsewhere=Elsewhere(homes=(option,)))


def test_two_homes_need_a_name(device: Device, tmp_path: Path) -> None:
    keys = {MAIN, ("tinplate", "main@internal")}
    homes = (HomeOption("tinplate", None, str(tmp_path)),)
    with pytest.raises(WrongInput, match="more than one home"):
        resolve(device, (TINPLATE,), RECORDED, keys, own=True, elsewhere=Elsewhere(homes=homes))


@pytest.mark.parametrize("text", ["", "tinplate", "=x", "tinplate=", "tinplate:=x", ":main=x"])
def test_home_options_that_say_nothing(text: str) -> None:
    with pytest.raises(WrongInput, match="does not say where a home lies"):
        home_option(text)


def test_private_homes_are_never_made(device: Device, tmp_path: Path) -> None:
    key = ("hidden", "own")
    assert isinstance(find(device, key), NoTarget)
    (tmp_path / "card/Android/data/hidden").mkdir(parents=True)
    assert whole(find(device, key)) == str(tmp_path / "card/Android/data/hidden")


def test_without_a_layout(device: Device) -> None:
    missing = find(device, layouts=(), own=False)
    assert isinstance(missing, NoTarget) and "no layout says" in missing.why
    assert isinstance(find(device, layouts=(), own=True), Target)


def test_a_volume_that_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "internal").mkdir()
    device = open_device("pebble", {"internal": str(tmp_path / "internal")})
    missing = find(device)
    assert isinstance(missing, NoTarget) and 'the volume "card" is not there' in missing.why
