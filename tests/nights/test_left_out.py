"""What a night left out it says nothing of; a save that was emptied is told until it is mended."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.storage import LocalStorage
from tests.cli.world import World

SAVE = b"chapter 4" * 100


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    for name in ("Moss", "Fern", "Reed"):
        world.write(world.internal / f"Tinplate/saves/{name}.sav", name.encode() * 100)
    world.write(world.internal / "Tinplate/states/Moss.st1", b"state" * 100)
    world.write(world.card / "Quill/saves/Heath.srm", b"\1heath" * 1000)
    world.write(world.card / "Quill/states/Heath.state1", b"\1state" * 1000)
    assert world.setup().status == 0
    assert world.run("snapshot").status == 0
    world.next_evening()
    return world


def gone(world: World, *options: str) -> dict[str, str]:
    found = world.run("snapshot", *options, "--json").document["gone_files"]
    world.next_evening()
    return {one["path"]: one["what"] for one in found}


def test_what_went_while_saves_were_left_out_is_told(world: World) -> None:
    assert gone(world, "--leave", "saves") == {}
    (world.internal / "Tinplate/saves/Fern.sav").unlink()
    assert gone(world, "--leave", "saves") == {}
    said = world.run("snapshot", "--json").document
    assert [one["path"] for one in said["gone_files"]] == ["saves/Fern.sav"]
    assert said["new_files"] == 0  # they lay there all the time
    world.next_evening()
    assert gone(world) == {}


def test_what_was_emptied_while_saves_were_left_out_is_told(world: World) -> None:
    first = world.run("list", "--json").document["snapshots"][0]["snapshot"]
    gone(world, "--leave", "saves")
    world.write(world.internal / "Tinplate/saves/Fern.sav", b"\0" * 512, 1)
    gone(world, "--leave", "saves")
    (one,) = world.run("snapshot", "--json").document["suspicious"]
    assert (one["game"], one["what"], one["last_good"]) == ("Fern", "all zero", first)


def test_what_went_while_nothing_was_recognised_is_told(world: World) -> None:
    assert gone(world, "--only-layouts") == {}
    (world.card / "Quill/saves/Heath.srm").unlink()
    assert gone(world, "--only-layouts") == {}
    assert set(gone(world).values()) == {"gone"}


def test_both_at_once_and_a_card_that_is_out(world: World) -> None:
    gone(world, "--only-layouts", "--leave", "states")
    away = world.folder / "away"
    world.card.rename(away)
    world.card.mkdir()
    assert gone(world, "--leave", "saves") == {}
    world.card.rmdir()
    away.rename(world.card)
    (world.card / "Quill/saves/Heath.srm").unlink()
    (world.internal / "Tinplate/states/Moss.st1").unlink()
    (world.internal / "Tinplate/saves/Moss.sav").unlink()
    assert {path.rpartition("/")[2] for path in gone(world)} == {"Heath.srm", "Moss.st1", "Moss.sav"}
    assert gone(world) == {}


def test_recognised_files_of_a_part_that_is_left_out_are_not_counted(world: World) -> None:
    kept = world.run("snapshot", "--leave", "saves", "--json").document
    assert kept["recognised"] == [{"emulator": "quill", "files": 1}]
    world.next_evening()
    kept = world.run("snapshot", "--leave", "saves", "--leave", "states", "--json").document
    assert kept["recognised"] == []


def test_only_layouts_says_what_it_leaves_out(world: World) -> None:
    said = " ".join(world.run("snapshot", "--only-layouts").out.split())
    assert "Left out, as asked (no layout names them): 2 files of quill; earlier nights keep" in said
    for wrong in ("was kept last time", "Gone since", "folder is not", "no layout speaks"):
        assert wrong not in said
    world.next_evening()
    assert "Left out" not in world.run("snapshot", "--only-layouts").out


# What holds nothing any more


def suspicious(world: World) -> list[tuple[str, str, str]]:
    found = world.run("snapshot", "--json").document["suspicious"]
    world.next_evening()
    return [(one["game"], one["what"], one["last_good"]) for one in found]


@pytest.mark.parametrize(
    ("content", "what"), [(b"", "empty"), (b"\0" * 8192, "all zero"), (b"\xff" * 8192, "all 0xFF")]
)
def test_it_is_told_as_long_as_it_stays_so(world: World, content: bytes, what: str) -> None:
    first = world.run("list", "--json").document["snapshots"][0]["snapshot"]
    save = world.write(world.internal / "Tinplate/saves/Fern.sav", content, 1)
    for _ in range(3):
        assert suspicious(world) == [("Fern", what, first)]
    assert first in world.run("--quiet", "snapshot").out
    world.next_evening()
    back = world.run("restore", first, "--game", "Fern", "--on-newer", "replace", "--yes")
    assert back.status == 0
    assert save.read_bytes() == b"Fern" * 100
    assert suspicious(world) == []


def test_it_is_told_when_it_is_empty_in_another_way(world: World) -> None:
    first = world.run("list", "--json").document["snapshots"][0]["snapshot"]
    world.write(world.internal / "Tinplate/saves/Fern.sav", b"", 1)
    suspicious(world)
    world.write(world.internal / "Tinplate/saves/Fern.sav", b"\xff" * 400, 1)
    assert suspicious(world) == [("Fern", "all 0xFF", first)]
    assert suspicious(world) == [("Fern", "all 0xFF", first)]


def test_what_never_held_anything_is_no_news(world: World) -> None:
    world.write(world.internal / "Tinplate/saves/Blank.sav", b"\xff" * 8192)
    assert suspicious(world) == []
    world.write(world.internal / "Tinplate/saves/Blank.sav", b"\0" * 8192, 1)
    assert suspicious(world) == []


def test_it_stays_told_through_a_card_that_is_out_and_a_layout_that_is_new(world: World) -> None:
    first = world.run("list", "--json").document["snapshots"][0]["snapshot"]
    world.write(world.card / "Quill/saves/Heath.srm", bytes(6000), 1)
    assert suspicious(world) == [("Heath", "all zero", first)]
    away = world.folder / "away"
    world.card.rename(away)
    world.card.mkdir()
    assert suspicious(world) == []
    world.card.rmdir()
    away.rename(world.card)
    assert suspicious(world) == [("Heath", "all zero", first)]
    (world.layouts / "feather.yaml").write_text(
        "layout: 1\nid: feather\ntitle: Feather\nhomes:\n  - {name: main, kind: folder, at: card:Quill}\n"
        'keep:\n  - {part: saves, path: "saves/{game}.srm"}\n'
    )
    for _ in range(2):
        assert suspicious(world) == [("Heath", "all zero", first)]


def test_the_night_to_go_back_to_can_go_itself(world: World) -> None:
    assert world.run("snapshot").status == 0
    second = world.run("list", "--json").document["snapshots"][1]["snapshot"]
    world.next_evening()
    world.write(world.internal / "Tinplate/saves/Fern.sav", b"", 1)
    assert suspicious(world) == [("Fern", "empty", second)]
    archive = Archive.open(LocalStorage(str(world.archive)))
    first = archive.nights()[0]
    (world.archive / archive.nights()[1].file).unlink()
    assert suspicious(world) == [("Fern", "empty", first.name)]
    (world.archive / first.file).unlink()
    for _ in range(2):
        said = " ".join(world.run("snapshot").out.split())
        assert "Empty now (no night has a good one any more): tinplate saves: Fern." in said
        assert "To go back" not in said
        world.next_evening()


def test_a_whole_folder_that_was_emptied_is_told_by_night(world: World) -> None:
    for name in ("Moss", "Fern", "Reed"):
        world.write(world.internal / f"Tinplate/saves/{name}.sav", b"", 1)
    said = " ".join(world.run("snapshot").out.split())
    assert "tinplate saves: Fern, Moss and Reed." in said
    assert "handhold restore NIGHT --emulator EMULATOR --game GAME --on-newer replace" in said
    shutil.rmtree(world.internal / "Tinplate/saves")
    world.next_evening()
    assert suspicious(world) == []


def test_a_folder_that_is_renamed_by_case_only_is_what_it_was(world: World) -> None:
    world.write(world.card / "Quill/saves/Heath.srm", b"\2heath" * 1000, 1)
    said = world.run("snapshot", "--json").document
    before = entries(world)
    second = said["snapshot"]
    for old, new in (("Quill", "x"), ("x", "QUILL")):
        (world.card / old).rename(world.card / new)
    world.next_evening()
    said = world.run("snapshot", "--json").document
    assert (said["gone_files"], said["renamed"], said["new_files"]) == ([], [], 0)
    assert entries(world) == before
    world.write(world.card / "QUILL/saves/Heath.srm", b"\1heath" * 1000, 1)  # somebody put the first back
    world.next_evening()
    decided = world.run("restore", second, "--game", "Heath", "--part", "saves", "--dry-run", "--json")
    assert [step["decision"] for step in decided.document["steps"]] == ["forward"]


def test_two_folders_of_one_name_but_for_case_are_two(world: World) -> None:
    world.write(world.card / "quill/saves/Heath.srm", b"\2other" * 1000)
    if len(list(world.card.iterdir())) < 2:
        pytest.skip("this file system knows no case")
    assert world.run("snapshot").status == 0
    assert sorted(size for home, path, size in entries(world) if path == "saves/Heath.srm") == [6000, 6000]


def entries(world: World) -> set[tuple[str, str, int]]:
    return {
        (e["home"], e["path"], e["size"])
        for e in world.run("show", "latest", "--emulator", "quill", "--json").document["entries"]
    }
