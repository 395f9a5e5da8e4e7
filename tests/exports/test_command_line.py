"""Exports on the command line, as their owner meets them."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from tests.cli.world import World
from tests.exports.test_ziptree import MEMBERS
from tests.exports.world import HATBOX
from tests.exports.writers import python, sound


@pytest.fixture
def world(tmp_path: Path) -> World:
    made = World(tmp_path)
    made.furnish_portable(ascii_only=True)
    (made.layouts / "hatbox.yaml").write_text(HATBOX, "utf-8")
    assert made.setup().status == 0
    return made


def export(world: World, name: str = "hatbox nightly.zip", days_ago: float = 0.1) -> Path:
    path = world.card / "Exports/Hatbox" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    python(path, MEMBERS, world.time)
    return world.write(path, path.read_bytes(), minutes_ago=days_ago * 24 * 60)


def test_show_looks_inside(world: World) -> None:
    export(world)
    assert world.run("snapshot").status == 0
    (entry,) = [e for e in world.run("show", "--json").document["entries"] if e["emulator"] == "hatbox"]
    members = {one["name"]: one for one in entry["members"]}
    assert members.keys() == MEMBERS.keys()
    assert members["saves/Lamplighter.sav"]["game"] == "Lamplighter"
    assert members["states/Lamplighter.st1"]["part"] == "states"
    assert members["saves/Eleven Bells.sav"]["size"] == 32_768
    said = world.run("show").out
    assert "in it: saves" in said
    assert "Lamplighter" in said
    said = world.run("show", "--files", "--game", "Lamplighter").out
    assert "in it: saves/Lamplighter.sav" in said
    assert "Eleven Bells" not in said


def test_one_game_is_brought_back(world: World) -> None:
    path = export(world)
    assert world.run("snapshot").status == 0
    done = world.run("restore", "latest", "--game", "Lamplighter", "--yes")
    assert done.status == 0
    assert "only Lamplighter" in done.out
    (new,) = [p for p in path.parent.iterdir() if p != path]
    assert sound(new)
    with zipfile.ZipFile(new) as made:
        assert made.namelist() == ["saves/Lamplighter.sav", "states/Lamplighter.st1"]
    assert world.run("undo", "--yes").status == 0
    assert not new.exists()


def test_members_as_files(world: World, tmp_path: Path) -> None:
    export(world)
    assert world.run("snapshot").status == 0
    folder = tmp_path / "unpacked"
    folder.mkdir()
    done = world.run(
        "restore", "latest", "--emulator", "hatbox", "--unpack", "--home", f"hatbox={folder}", "--yes"
    )
    assert done.status == 0
    found = {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    assert found == {f"hatbox nightly/{name}": content for name, content in MEMBERS.items()}


def test_an_old_export_is_named(world: World) -> None:
    export(world, days_ago=23.5)
    survey = world.run("survey")
    assert "23 days old" in survey.out
    assert "export again inside Hatbox" in " ".join(survey.out.split())
    (stale,) = world.run("survey", "--json").document["stale"]
    assert (stale["emulator"], stale["path"]) == ("hatbox", "Exports/Hatbox/hatbox nightly.zip")
    kept = world.run("snapshot")
    assert kept.status == 0
    assert "23 days old" in kept.out
    assert "23 days old" in world.run("--quiet", "snapshot").out


def test_only_the_newest_are_kept(world: World) -> None:
    for number, days in enumerate((30, 20, 10, 1)):
        export(world, f"{number}.zip", days)
    done = world.run("snapshot", "--newest", "2")
    assert "2 older export files of hatbox left out" in " ".join(done.out.split())
    document = world.run("snapshot", "--newest", "1", "--json").document
    assert [one["path"] for one in document["older_exports"]] == [
        f"Exports/Hatbox/{number}.zip" for number in (2, 1, 0)
    ]
    kept = [e["path"] for e in world.run("show", "--json").document["entries"] if e["emulator"] == "hatbox"]
    assert kept == ["3.zip"]


PEDLAR = """\
layout: 1
id: pedlar
title: Pedlar
like: folder-export
homes:
  - {name: export, at: ["card:Exports/Pedlar"]}
newest: all
keep:
  - {part: saves, path: "*/saves/{game}.sav"}
"""


def test_folder_exports_likewise(world: World) -> None:
    (world.layouts / "pedlar.yaml").write_text(PEDLAR, "utf-8")
    for folder, days in (("2026-01-01", 50), ("2026-01-20", 30), ("2026-02-02", 20)):
        for game in ("Moss", "Fern"):
            data = f"{game} {folder}".encode() * 50
            world.write(world.card / f"Exports/Pedlar/{folder}/saves/{game}.sav", data, days * 24 * 60)
    done = world.run("snapshot", "--newest", "2", "--json").document
    assert {one["path"] for one in done["older_exports"]} == {
        f"Exports/Pedlar/2026-01-01/saves/{game}.sav" for game in ("Moss", "Fern")
    }
    (stale,) = done["stale"]
    assert stale["emulator"] == "pedlar"
    assert stale["path"].startswith("Exports/Pedlar/2026-02-02/")
    assert "20 days old" in stale["why"]
    saves = world.card / "Exports/Pedlar/2026-02-02/saves"
    (saves / "Moss.sav").unlink()
    (saves / "Fern.sav").unlink()
    back = world.run("restore", "latest", "--emulator", "pedlar", "--game", "Moss", "--yes")
    assert back.status == 0
    assert "bring in the exported items" in " ".join(back.out.split())
    assert (saves / "Moss.sav").read_bytes() == b"Moss 2026-02-02" * 50
    assert not (saves / "Fern.sav").exists()


def test_the_config_can_say_how_many(world: World) -> None:
    for number, days in enumerate((3, 2, 1)):
        export(world, f"{number}.zip", days)
    world.config.write_text(world.config.read_text("utf-8") + "newest: 1\n", "utf-8")
    assert len(world.run("snapshot", "--json").document["older_exports"]) == 2
    world.config.write_text(world.config.read_text("utf-8").replace("newest: 1", "newest: none"), "utf-8")
    wrong = world.run("snapshot")
    assert wrong.status == 2
    assert "newest" in wrong.err


def test_an_export_that_is_no_sound_zip_is_told_and_kept(world: World) -> None:
    path = export(world)
    world.write(path, path.read_bytes()[:-100])
    done = world.run("snapshot")
    assert done.status == 0
    assert "not sound" in done.out
    assert "cut off" in done.out
    (odd,) = world.run("snapshot", "--reread", "--json").document["odd"]
    assert odd["emulator"] == "hatbox"
