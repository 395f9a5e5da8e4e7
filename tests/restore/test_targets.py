"""Where homes go: options first, then the layout that the owner has now, then what the snapshot recorded."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from handhold.archive.standing import ELSEWHERE
from handhold.device.volumes import open_device
from handhold.errors import UnknownName, WrongInput
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
    return open_device("plover", {v: str(tmp_path / v) for v in ("card", "internal")})


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


CARD, INTERNAL = (Site("tinplate", "main", HomeKind.FOLDER, v, "Tinplate") for v in ("card", "internal"))
SECOND = Site("tinplate", "main@internal", HomeKind.FOLDER, "internal", "Tinplate")


def test_on_the_own_device_the_volume_tells_and_not_the_name(device: Device, tmp_path: Path) -> None:
    """That night the card was out, so ``main`` was the home on the internal storage; now the card is back."""
    for volume in ("card", "internal"):
        (tmp_path / volume / "Tinplate").mkdir()
    targets = resolve(device, (TINPLATE,), (INTERNAL,), {MAIN}, own=True)
    assert whole(targets[MAIN]) == str(tmp_path / "internal/Tinplate")
    # On another device a home with the volume's name is asked first as well.
    targets = resolve(device, (TINPLATE,), (INTERNAL,), {MAIN}, own=False)
    assert whole(targets[MAIN]) == str(tmp_path / "internal/Tinplate")


def test_a_home_that_its_owner_moved_is_found_and_told(device: Device, tmp_path: Path) -> None:
    (tmp_path / "internal/Tinplate").mkdir()
    (tmp_path / "card/Music").mkdir()
    target = resolve(device, (TINPLATE,), (CARD,), {MAIN}, own=True)[MAIN]
    assert whole(target) == str(tmp_path / "internal/Tinplate")
    assert isinstance(target, Target) and "card:Tinplate" in target.note
    # But not where the snapshot has another home at that place: then the card's is made anew.
    keys = {MAIN, ("tinplate", "main@internal")}
    both = resolve(device, (TINPLATE,), (CARD, SECOND), keys, own=True)
    assert {key[1]: whole(target) for key, target in both.items()} == {
        "main": str(tmp_path / "card/Tinplate"),
        "main@internal": str(tmp_path / "internal/Tinplate"),
    }
    names = {target.site.home for target in both.values() if isinstance(target, Target)}
    assert len(names) == 2  # in what records the restore


def test_a_card_that_is_out_leaves_a_step_by_hand(device: Device, tmp_path: Path) -> None:
    (tmp_path / "internal/Tinplate").mkdir()
    out = {"card": "the volume is empty; is the card in?"}
    for own in (True, False):
        target = resolve(device, (TINPLATE,), (CARD,), {MAIN}, own=own, out=out)[MAIN]
        assert isinstance(target, NoTarget) and "is the card in?" in target.why
    to = Elsewhere({"card": str(tmp_path / "card")})
    target = resolve(device, (TINPLATE,), (CARD,), {MAIN}, own=True, out=out, elsewhere=to)[MAIN]
    assert whole(target) == str(tmp_path / "card/Tinplate")
    assert isinstance(target, Target) and target.here


def test_options_that_name_what_the_snapshot_does_not_have(device: Device, tmp_path: Path) -> None:
    def ask(elsewhere: Elsewhere) -> None:
        volumes = {"card", "internal"}
        resolve(device, (TINPLATE,), RECORDED, {MAIN}, own=True, elsewhere=elsewhere, volumes=volumes)

    with pytest.raises(UnknownName, match=r"Did you mean internal\?"):
        ask(Elsewhere({"internl": str(tmp_path)}))
    with pytest.raises(UnknownName, match=r"Did you mean tinplate\?"):
        ask(Elsewhere(homes=(HomeOption("tinplat", None, str(tmp_path)),)))
    with pytest.raises(WrongInput, match=r"--to internal=.*does not exist") as told:
        ask(Elsewhere({"internal": str(tmp_path / "not/there")}))
    assert "Make the folder first" in told.value.advice


@pytest.mark.parametrize("path", [".ssh", "home/.config/autostart", ""])
def test_no_hidden_place_and_no_root_on_an_archives_word(device: Device, tmp_path: Path, path: str) -> None:
    """The owner's own layout may name any place; a layout from the archive, and a recorded place, may not."""
    for folder in (".ssh", "home/.config/autostart"):
        (tmp_path / "card" / folder).mkdir(parents=True, exist_ok=True)
    theirs = layout("tinplate", {"main": (f"card:{path}",)}, "saves: **")
    recorded = (Site("tinplate", "main", HomeKind.FOLDER, "card", path),)
    for own in (True, False):
        target = resolve(device, (theirs,), recorded, {MAIN}, own=own, owners=())[MAIN]
        assert isinstance(target, NoTarget) and "only the archive says" in target.why
        assert isinstance(resolve(device, (theirs,), recorded, {MAIN}, own=own)[MAIN], Target)
    # The owner's layout says another place, and the recorded one is no better for that.
    target = resolve(device, (TINPLATE,), recorded, {MAIN}, own=True)[MAIN]
    assert isinstance(target, NoTarget)
    home = Elsewhere(homes=(HomeOption("tinplate", None, str(tmp_path / "card" / path)),))
    target = resolve(device, (theirs,), recorded, {MAIN}, own=False, owners=(), elsewhere=home)[MAIN]
    assert whole(target) == str(tmp_path / "card" / path).rstrip("/")


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
    device = open_device("plover", {"internal": str(tmp_path / "internal")})
    missing = find(device)
    assert isinstance(missing, NoTarget) and 'the volume "card" is not there' in missing.why
