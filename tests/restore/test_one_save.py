"""One save by several names, in several homes, of several files: it is one save, and comes from one side."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.storage import LocalStorage
from handhold.archive.verify import verify
from handhold.model import Entry, Kind, Part
from handhold.restore.select import Selection
from handhold.restore.steps import OnNewer
from handhold.restore.undo import prepare_undo
from handhold.restore.units import units_of
from tests.device.trees import layout
from tests.restore.power import cut_off
from tests.restore.test_carry import PLACES, decided, here, put
from tests.restore.world import World, decisions, tree

CHOSEN = layout("tinplate", {"main": "*:Tinplate"}, "saves: saves/**/{game}.*", "saves: saves/**")


def save(path: str, game: str | None) -> Entry:
    return Entry("tinplate", Part.SAVES, "main", path, 1, 0, "00", game)


# -- several files ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("files", "number"),
    [
        # a folder that is one save, though each file is called a game of its own
        ({"saves/MOSS01/data.bin": "data", "saves/MOSS01/icon.png": "icon"}, 1),
        ({"saves/MOSS01/DATA": None, "saves/MOSS01/INDEX": None, "saves/MOSS01/deep/x.bin": "x"}, 1),
        # companions that a layout calls by other names
        ({"saves/Moss.sav": "Moss", "saves/Moss.sav.rtc": "Moss.sav", "saves/Moss.rtc": None}, 1),
        # a folder of many games, one for each core
        ({"saves/Core/Moss.sav": "Moss", "saves/Core/Fern.sav": "Fern", "saves/Core/Salt.rtc": "Salt"}, 3),
        ({"saves/Core/Moss.dat": "Moss", "saves/Core/Fern.dat": "Fern"}, 2),
        ({"saves/Core/Moss.dat": "Moss", "saves/Core/Moss.clk": "Moss", "saves/Core/Fern.dat": "Fern"}, 2),
        ({"saves/Moss.one": "Moss", "saves/Fern.two": "Fern"}, 2),
    ],
)
def test_which_files_are_one_save(files: dict[str, str | None], number: int) -> None:
    assert len(set(units_of(save(*each) for each in files.items()).values())) == number


@pytest.fixture
def parted(tmp_path: Path) -> World:
    """A folder that is one save: each of two handhelds changed another file of it."""
    world = World(tmp_path, [CHOSEN])
    for name in ("data.bin", "icon.png"):
        world.put("plover", f"saves/MOSS01/{name}", f"{name} 1")
    world.night("plover")
    world.card("heron")
    world.carry("heron")
    world.night("heron")
    world.put("heron", "saves/MOSS01/data.bin", "data.bin 2")
    world.night("heron")
    world.put("plover", "saves/MOSS01/icon.png", "icon.png 2")
    return world


def test_a_save_is_never_mixed_though_its_files_have_other_names(parted: World) -> None:
    assert set(here(parted.prepare_carry("plover")).values()) == {"fork"}
    assert not parted.prepare_carry("plover").plan.writes
    parted.carry("plover", take="heron")
    assert tree(parted.card("plover")) == tree(parted.card("heron"))


def test_asking_for_one_file_asks_for_its_save(parted: World) -> None:
    asked = parted.prepare_carry("plover", selection=Selection(games=("data",)))
    assert here(asked) == {"saves/MOSS01/data.bin": "fork", "saves/MOSS01/icon.png": "fork"}


def test_a_save_of_which_one_file_cannot_come_stays_whole(tmp_path: Path) -> None:
    world = World(tmp_path, [CHOSEN])
    world.put("heron", "saves/MOSS01/data.bin", "data")
    world.put("heron", "saves/MOSS01/icon.png", "icon")
    world.night("heron")
    (world.card("plover") / "Tinplate/saves/MOSS01/icon.png").mkdir(parents=True)
    prepared = world.prepare_carry("plover")
    assert set(decided(prepared).values()) == {("blocked", "leave")}
    assert any('"saves/MOSS01/icon.png" cannot come' in step.why for step in prepared.plan.steps)


def test_new_files_of_one_save_do_not_come_from_two_devices(tmp_path: Path) -> None:
    world = World(tmp_path, [CHOSEN])
    world.put("heron", "saves/MOSS01/data.bin", "data of heron")
    world.night("heron")
    world.put("otter", "saves/MOSS01/icon.png", "icon of otter")
    world.night("otter")
    world.card("plover")
    assert set(here(world.prepare_carry("plover")).values()) == {"fork"}
    world.carry("plover", take="otter")
    assert tree(world.card("plover")) == {"Tinplate/saves/MOSS01/icon.png": b"icon of otter"}


# -- several names and homes -----------------------------------------------------------------------------


def two(tmp_path: Path, one: str = "saves/moss.sav", other: str = "saves/moss.sav") -> World:
    """Both have the same; ``other`` is the path on heron."""
    world = World(tmp_path, [PLACES])
    world.put("plover", one, "moss 1")
    world.night("plover")
    world.put("heron", other, "moss 1")
    world.night("heron")
    return world


def test_names_that_differ_by_case_are_one_save(tmp_path: Path) -> None:
    world = two(tmp_path, "saves/Moss.sav", "saves/moss.sav")
    world.put("heron", "saves/moss.sav", "moss 2")
    world.night("heron")
    assert list(here(world.prepare_carry("plover")).values()) == ["older"]
    world.carry("plover")
    assert tree(world.card("plover")) == {"Tinplate/saves/Moss.sav": b"moss 2"}


def test_a_name_in_other_case_on_a_device_that_the_archive_never_saw(tmp_path: Path) -> None:
    world = two(tmp_path)
    world.put("otter", "saves/MOSS.sav", "moss of otter")
    assert list(here(world.prepare_carry("otter")).values()) == ["fork"]
    world.carry("otter", take="plover")
    assert tree(world.card("otter")) == {"Tinplate/saves/MOSS.sav": b"moss 1"}


def test_two_saves_that_stand_side_by_side_stay_two(tmp_path: Path) -> None:
    """Where a file system tells case, and an emulator too."""
    world = two(tmp_path)
    world.put("heron", "saves/Moss.sav", "another game")
    world.night("heron")
    world.put("heron", "saves/moss.sav", "moss 2")
    world.night("heron")
    world.put("plover", "saves/Moss.sav", "another game")
    assert here(world.prepare_carry("plover")) == {"saves/moss.sav": "older", "saves/Moss.sav": "same"}


def test_an_old_copy_in_another_home_is_no_side(tmp_path: Path) -> None:
    """The one that its owner plays is; the copy had progress of its own once, and stays where it is."""
    world = two(tmp_path)
    put(world, "plover", "Emulation/Tinplate/saves/moss.sav", "moss 1 otherwise")
    world.night("plover")
    put(world, "plover", "Tinplate/saves/moss.sav", "moss 2")
    world.night("plover")
    assert list(here(world.prepare_carry("plover")).values()) == ["newer"]
    assert list(here(world.prepare_carry("heron")).values()) == ["older"]
    world.carry("heron")
    assert world.read("heron", "saves/moss.sav") == "moss 2"


def test_two_homes_of_one_device_can_be_chosen_between(tmp_path: Path) -> None:
    world = World(tmp_path, [PLACES])
    put(world, "plover", "Emulation/Tinplate/saves/moss.sav", "moss of old")
    world.later(hours=1)
    put(world, "plover", "Tinplate/saves/moss.sav", "moss of now")
    world.night("plover")
    world.card("heron")
    prepared = world.prepare_carry("heron")
    assert list(here(prepared).values()) == ["fork"]
    assert "plover has it in more than one place" in prepared.plan.steps[0].why
    world.carry("heron", take="plover")
    assert world.read("heron", "saves/moss.sav") == "moss of now"


def test_a_home_that_was_moved_and_played_before_the_next_night(tmp_path: Path) -> None:
    world = two(tmp_path)
    (world.card("plover") / "Emulation").mkdir()
    shutil.move(world.card("plover") / "Tinplate", world.card("plover") / "Emulation/Tinplate")
    put(world, "plover", "Emulation/Tinplate/saves/moss.sav", "moss 2")
    world.night("plover")
    assert list(here(world.prepare_carry("heron")).values()) == ["older"]
    assert list(here(world.prepare_carry("plover")).values()) == ["newer"]


@pytest.mark.parametrize("name", ["tinplate", "tin"])
def test_a_layout_that_calls_the_files_otherwise(tmp_path: Path, name: str) -> None:
    """On the device that has a night with it and on the one that has none: the same files, one history."""
    world = two(tmp_path)
    now = layout(name, {"battery": "*:Tinplate/saves"}, "saves: {game}.sav")
    world.layouts = {now.id: now}
    world.put("plover", "saves/moss.sav", "moss 2")
    world.night("plover")
    assert here(world.prepare_carry("plover")) == {"moss.sav": "newer"}
    assert here(world.prepare_carry("heron")) == {"moss.sav": "older"}
    world.carry("heron")
    assert tree(world.card("heron")) == {"Tinplate/saves/moss.sav": b"moss 2"}
    world.put("heron", "saves/moss.sav", "moss 3")
    assert here(world.prepare_carry("heron")) == {"moss.sav": "newer"}
    world.night("heron")
    assert here(world.prepare_carry("plover")) == {"moss.sav": "older"}


# -- removed ---------------------------------------------------------------------------------------------


def test_what_was_removed_on_one_device_is_told_on_the_other(tmp_path: Path) -> None:
    """Nothing is removed here for it, and nothing comes back there unasked."""
    world = two(tmp_path)
    for device in ("plover", "heron"):
        world.put(device, "saves/fern.sav", "fern 1")
        world.night(device)
    (world.card("plover") / "Tinplate/saves/moss.sav").unlink()
    world.night("plover")
    told = {save.path: (save.here.value, save.removed_on) for save in world.prepare_carry("heron").saves}
    assert told == {"saves/moss.sav": ("newer", ("plover",)), "saves/fern.sav": ("same", ())}
    world.carry("heron")
    assert world.read("heron", "saves/moss.sav") == "moss 1"
    world.carry("plover")
    assert not (world.card("plover") / "Tinplate/saves/moss.sav").exists()


# -- copies of an archive that were put together ---------------------------------------------------------


@pytest.fixture
def merged(tmp_path: Path) -> World:
    """Two copies of an archive went on apart and were put together: plover wrote into both by turns.

    Into the first copy two nights, the later one with what is played last; into the second, between these
    two, three nights, whose numbers are higher.
    """
    world = two(tmp_path)
    archive, copy = tmp_path / "archive", tmp_path / "copy"
    shutil.copytree(archive, copy)

    def night(of: Path, content: str) -> None:
        world.archive = Archive.open(LocalStorage(str(of)))
        world.put("plover", "saves/moss.sav", content)
        world.night("plover")

    night(archive, "moss 2")
    for number in (3, 4, 5):
        night(copy, f"moss {number}")
    night(archive, "moss 6")
    for folder in ("manifests", "bundles"):
        shutil.copytree(copy / folder, archive / folder, dirs_exist_ok=True)
    world.reopened()
    return world


def test_an_archive_that_was_put_together_of_two_cannot_tell(merged: World) -> None:
    """By number "moss 5" came after "moss 6"; by time it did not."""
    prepared = merged.prepare_carry("heron")
    assert list(here(prepared).values()) == ["fork"]
    assert not prepared.plan.writes
    old = next(
        night for night in merged.archive.nights()
        if any(b"".join(merged.archive.content(e)) == b"moss 5" for e in merged.entries(night))
    )  # fmt: skip
    told = merged.prepare("plover", old, on_newer=OnNewer.KEEP)
    assert decisions(told.plan.steps) == {"saves/moss.sav": "fork"}
    assert not told.plan.writes


def test_what_came_after_both_in_number_and_time_is_newer(merged: World) -> None:
    merged.put("plover", "saves/moss.sav", "moss 7")
    merged.night("plover")
    assert list(here(merged.prepare_carry("heron")).values()) == ["older"]
    merged.carry("heron")
    assert merged.read("heron", "saves/moss.sav") == "moss 7"


def test_verify_tells_that_an_archive_was_put_together_of_two(merged: World, tmp_path: Path) -> None:
    report = verify(LocalStorage(str(tmp_path / "archive")), deep=False)
    assert report.ok
    (note,) = [note for note in report.notes if "continued" in note]
    assert "plover" in note
    assert not [n for n in verify(LocalStorage(str(tmp_path / "copy")), deep=False).notes if "continued" in n]


# -- folders ---------------------------------------------------------------------------------------------


def test_undo_takes_the_folders_away_that_a_restore_made(tmp_path: Path) -> None:
    """And only these: one that was there empty before stays, and so does one that got something since."""
    world = World(tmp_path, [CHOSEN])
    for name in ("A/deep/one.sav", "B/two.sav", "C/three.sav"):
        world.put("heron", f"saves/{name}", name)
    night = world.night("heron")
    card = world.card("plover") / "Tinplate"
    (card / "saves/B").mkdir(parents=True)
    world.restore("plover", night)
    (card / "saves/C/notes.txt").write_text("mine")
    world.undo("plover")
    assert {str(one.relative_to(card)) for one in card.rglob("*")} == {
        "saves",
        "saves/B",
        "saves/C",
        "saves/C/notes.txt",
    }
    world.undo("plover")
    assert (card / "saves/A/deep/one.sav").read_text() == "A/deep/one.sav"
    world.undo("plover")
    assert not (card / "saves/A").exists() and (card / "saves/B").is_dir()


@pytest.mark.parametrize("moment", [*range(1, 60, 4)])
def test_undo_takes_the_folders_away_of_a_restore_that_was_cut_off(tmp_path: Path, moment: int) -> None:
    world = World(tmp_path, [CHOSEN])
    for name in ("A/deep/one.sav", "B/two.sav", "C/three.sav"):
        world.put("heron", f"saves/{name}", name)
    night = world.night("heron")
    card = world.card("plover") / "Tinplate"
    (card / "saves/B").mkdir(parents=True)
    cut = cut_off(lambda: world.restore("plover", night), moment, after=True)
    (card / "saves/E").mkdir()  # somebody else's
    made = {str(one.relative_to(card)) for one in card.rglob("*")} - {"saves", "saves/B", "saves/E"}
    world.reopened()
    if not any(one.kind is Kind.RESTORED for one in world.archive.snapshots()):
        assert cut and not made  # before its first record it touches nothing
        return
    world.undo("plover")
    assert {str(one.relative_to(card)) for one in card.rglob("*")} == {"saves", "saves/B", "saves/E"}


def test_undo_counts_the_empty_folders_of_a_restore_that_came_to_no_file(tmp_path: Path) -> None:
    world = World(tmp_path, [CHOSEN])
    world.put("heron", "saves/A/deep/one.sav", "one")
    world.put("heron", "saves/B/two.sav", "two")
    night = world.night("heron")
    card = world.card("plover") / "Tinplate"
    moment = 1
    while not (card / "saves/A/deep").exists():
        assert cut_off(lambda: world.restore("plover", night), moment, after=True)
        moment += 1
    world.reopened()
    prepared = prepare_undo(world.archive, world.device("plover"), clock=world.clock)
    assert not prepared.plan.writes and prepared.cut_off
    assert prepared.empty == sum(1 for one in card.rglob("*") if one.is_dir())
    world.undo("plover", prepared)
    assert not [*card.iterdir()]
