"""Single members out of an export: found by game and part, put back as a smaller zip or as files."""

from __future__ import annotations

import os
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import pytest

from handhold.errors import UnknownName, WrongInput
from handhold.layouts.stored import from_stored, stored_form
from handhold.model import Part
from handhold.restore.inside import Inside
from handhold.restore.select import Selection, choose
from tests.exports.test_ziptree import MEMBERS
from tests.exports.world import World, hatbox
from tests.exports.writers import WRITERS, sound
from tests.restore.world import tree

ALL = dict(MEMBERS, **{"controls/pad.ini": b"a=96\n", "textures/lid.tex": b"\xff" * 9000})


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


def test_the_pattern_knows_the_usual_folders(world: World) -> None:
    world.export(ALL)
    snapshot = world.take().snapshot
    (entry,) = world.entries(snapshot)
    inside = Inside(world.archive, world.archive.read(snapshot), {}).of(entry)
    assert {one.member.name: (one.part.value, one.game) for one in inside} == {
        "saves/Lamplighter.sav": ("saves", "Lamplighter"),
        "saves/Eleven Bells.sav": ("saves", "Eleven Bells"),
        "saves/月のうさぎ工房.sav": ("saves", "月のうさぎ工房"),
        "states/Lamplighter.st1": ("states", "Lamplighter"),
        "settings.txt": ("settings", None),
        "empty.txt": ("saves", None),
        "controls/pad.ini": ("controls", None),
        "textures/lid.tex": ("textures", None),
    }


def test_the_owners_own_rules_come_first() -> None:
    own = hatbox('inside:\n  - {part: cheats, path: "saves/{game}.sav"}\n')
    verdict = own.member("saves/Lamplighter.sav")
    assert verdict is not None
    assert (verdict.part, verdict.game) == (Part.CHEATS, "Lamplighter")
    again = from_stored(stored_form(own))
    assert again == own
    assert again.inside == own.inside


@pytest.mark.parametrize("name", WRITERS)
def test_one_game_as_a_smaller_zip(name: str, world: World) -> None:
    world.export(ALL, write=WRITERS[name])
    snapshot = world.take().snapshot
    before = tree(world.exports())
    applied = world.brought(snapshot, Selection(games=("lamplighter",)))
    (written,) = applied.plan.writes
    assert written.path == "hatbox nightly (only Lamplighter, from marten 2026-11-24).zip"
    made = world.exports() / written.path
    assert sound(made)
    with zipfile.ZipFile(made) as zip_:
        assert zip_.testzip() is None
        assert {info.filename: zip_.read(info) for info in zip_.infolist()} == {
            name: ALL[name] for name in ("saves/Lamplighter.sav", "states/Lamplighter.st1")
        }
    assert {k: v for k, v in tree(world.exports()).items() if k != written.path} == before
    # What it is made of was in the archive already: only a directory is new.
    assert world.kept(applied.restored).keys() == {written.path} if applied.restored else False
    assert not world.brought(snapshot, Selection(games=("lamplighter",))).plan.writes  # it is there now
    world.undo("marten")
    assert tree(world.exports()) == before


def test_only_the_newest_export_that_has_it(world: World) -> None:
    world.export({"saves/Lamplighter.sav": b"old", "saves/Gone.sav": b"only here"}, "a 2022.zip")
    world.later(days=1)
    world.export({"saves/Lamplighter.sav": b"new"}, "b nightly.zip")
    snapshot = world.take().snapshot
    prepared = world.planned(snapshot, Selection(games=("Lamplighter",)))
    (step,) = prepared.plan.writes
    assert step.path.startswith("b nightly (only Lamplighter")
    assert any("Older exports" in one.what for one in prepared.by_hand)
    (step,) = world.planned(snapshot, Selection(games=("Gone",))).plan.writes
    assert step.path.startswith("a 2022 (only Gone")


def test_a_part_as_a_smaller_zip(world: World) -> None:
    world.export(ALL)
    plan = world.brought(world.take().snapshot, Selection(parts=(Part.STATES, Part.TEXTURES))).plan
    (written,) = plan.writes
    with zipfile.ZipFile(world.exports() / written.path) as zip_:
        assert zip_.namelist() == ["states/Lamplighter.st1", "textures/lid.tex"]


def test_the_whole_zip_where_it_fits_itself(world: World) -> None:
    path = world.export(ALL)
    data = path.read_bytes()
    snapshot = world.take().snapshot
    path.unlink()
    applied = world.brought(snapshot, Selection(emulators=("hatbox",)))
    assert [step.path for step in applied.plan.writes] == ["hatbox nightly.zip"]
    assert path.read_bytes() == data


@pytest.mark.parametrize("name", ["zip with times", "java", "python zip64"])
def test_members_as_files(name: str, world: World) -> None:
    when = datetime(2026, 11, 24, 20, 0, 2, tzinfo=UTC)
    world.export(ALL, write=WRITERS[name], when=when)
    snapshot = world.take().snapshot
    applied = world.brought(snapshot, Selection(), unpack=True)
    assert not applied.plan.left
    assert tree(world.exports() / "hatbox nightly") == ALL
    file = world.exports() / "hatbox nightly/saves/Lamplighter.sav"
    if name == "zip with times":
        assert os.stat(file).st_mtime == when.timestamp()
    world.undo("marten")
    assert not file.exists()


def test_names_that_begin_with_a_dot_and_a_slash(world: World) -> None:
    world.export({f"./{name}": content for name, content in ALL.items()})
    snapshot = world.take().snapshot
    (written,) = world.brought(snapshot, Selection(games=("Lamplighter",))).plan.writes
    with zipfile.ZipFile(world.exports() / written.path) as zip_:  # the names stay as the emulator wrote them
        assert zip_.namelist() == ["./saves/Lamplighter.sav", "./states/Lamplighter.st1"]
    assert not world.brought(snapshot, Selection(), unpack=True).plan.left
    assert tree(world.exports() / "hatbox nightly") == ALL


def test_one_game_as_files(world: World) -> None:
    world.export(ALL)
    snapshot = world.take().snapshot
    world.brought(snapshot, Selection(games=("Eleven*",)), unpack=True)
    assert set(tree(world.exports() / "hatbox nightly")) == {"saves/Eleven Bells.sav"}


def test_a_dry_run_writes_nothing_into_the_archive(world: World) -> None:
    world.export(ALL)
    snapshot = world.take().snapshot
    before = tree(world.root / "archive")
    assert world.planned(snapshot, Selection(games=("lamplighter",))).plan.writes
    assert world.planned(snapshot, Selection(), unpack=True).plan.writes
    assert tree(world.root / "archive") == before


def test_a_game_that_no_zip_holds(world: World) -> None:
    world.export(ALL)
    entries = world.entries(world.take().snapshot)
    inside = Inside(world.archive, world.archive.read(world.archive.nights()[-1]), {})
    with pytest.raises(UnknownName, match="Lamplighter"):
        choose(entries, Selection(games=("Lamplihgter",)), inside.of)
    with pytest.raises(WrongInput, match="nothing that fits"):
        choose(entries, Selection(parts=(Part.PICTURES,)), inside.of)


def test_what_is_to_be_imported_is_named(world: World) -> None:
    world.export(ALL)
    prepared = world.planned(world.take().snapshot, Selection(games=("Lamplighter",)))
    assert any("only Lamplighter" in one.what for one in prepared.by_hand)


def test_a_game_whose_name_no_card_can_hold(world: World) -> None:
    world.export({'saves/What? "Now": *.sav': b"x" * 500})
    (written,) = world.brought(world.take().snapshot, Selection(games=("what*",))).plan.writes
    assert written.path == "hatbox nightly (only What_ _Now__ _, from marten 2026-11-24).zip"


def test_zip64_offsets_of_100_000_members(world: World) -> None:
    path = world.exports() / "many.zip"
    with zipfile.ZipFile(path, "w") as made:
        for number in range(100_000):
            made.writestr(zipfile.ZipInfo(f"saves/Game {number % 2}/{number}.sav"), b"%d" % number)
    world.stamped(path)
    snapshot = world.take().snapshot
    (entry,) = world.entries(snapshot)
    assert world.back(entry) == path.read_bytes()
    (written,) = world.brought(snapshot, Selection(games=("7777?",))).plan.writes
    assert sound(world.exports() / written.path)
    with zipfile.ZipFile(world.exports() / written.path) as zip_:
        assert len(zip_.namelist()) == 10
    (written,) = world.brought(
        snapshot, Selection(games=("*1", "*3", "*5", "*7", "*9", "*0", "*2"))
    ).plan.writes
    with zipfile.ZipFile(world.exports() / written.path) as zip_:  # with zip64 records: more than 65,535
        assert len(zip_.namelist()) == 70_000
    assert sound(world.exports() / written.path)
