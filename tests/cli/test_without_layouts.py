"""The whole job on a handheld for which nobody has written a layout."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from tests.cli import schemas
from tests.cli.world import TINPLATE, World
from tests.device.trees import as_nobody, open_to_all

BATTERY = b"\x01\x02\x03\x04" * 512 + b"\xff" * 6144


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    for layout in world.layouts.iterdir():
        layout.unlink()
    world.write(world.internal / "Tinplate/saves/Mole Hollow.sav", BATTERY)
    world.write(world.internal / "Tinplate/states/Mole Hollow.st1", b"\x01state" * 900)
    world.write(world.internal / "Tinplate/config/main.ini", "speed=1\nscreen=640x480\n")
    world.write(world.card / "Games/Fieldfare/Lighthouse.bin", b"game" * 9000)
    world.write(world.card / "Games/Fieldfare/Lighthouse.sav", BATTERY[::-1])
    world.write(world.card / "Music/song.ogg", b"not ours")
    assert world.setup().status == 0
    return world


def test_the_whole_job(world: World) -> None:
    survey = world.run("survey", "--json")
    assert survey.status == 0, survey.text
    Draft202012Validator(schemas.SURVEY).validate(survey.document)
    emulators = {one["id"]: one for one in survey.document["emulators"]}
    assert {(name, one["title"], one["how"]) for name, one in emulators.items()} == {
        ("tinplate", "Tinplate", "recognised"),
        ("fieldfare", "Fieldfare", "recognised"),
    }
    assert emulators["fieldfare"]["reach"] == "games"
    assert all(one["reasons"] for one in emulators.values())
    looks = {one["path"]: one["part"] for one in survey.document["unclaimed"]}
    assert looks["Tinplate/config"] == "settings"

    said = world.run("snapshot")
    assert said.status == 0, said.text
    assert "tinplate" in said.out and "--why" in said.out
    night = world.run("snapshot", "--json").document
    assert (night["files"], night["new_files"]) == (3, 0)
    assert {(one["emulator"], one["files"]) for one in night["recognised"]} == {
        ("tinplate", 2),
        ("fieldfare", 1),
    }
    shown = world.run("show", "--json").document
    assert {(one["emulator"], one["part"], one["game"], one["path"]) for one in shown["entries"]} == {
        ("tinplate", "saves", "Mole Hollow", "saves/Mole Hollow.sav"),
        ("tinplate", "states", "Mole Hollow", "states/Mole Hollow.st1"),
        ("fieldfare", "saves", "Lighthouse", "Lighthouse.sav"),
    }

    (world.internal / "Tinplate/saves/Mole Hollow.sav").unlink()
    shutil.rmtree(world.card / "Games")
    said = world.run("restore", "latest", "--emulator", "Tinplate", "--game", "mole*", "--yes")
    assert said.status == 0, said.text
    assert (world.internal / "Tinplate/saves/Mole Hollow.sav").read_bytes() == BATTERY
    assert world.run("restore", "latest", "--yes").status == 0
    assert (world.card / "Games/Fieldfare/Lighthouse.sav").read_bytes() == BATTERY[::-1]
    assert world.run("undo", "--yes").status == 0
    assert not (world.card / "Games/Fieldfare/Lighthouse.sav").exists()


def test_why(world: World) -> None:
    said = world.run("survey")
    assert "(recognised)" in said.out and "Recognised, because" not in said.out
    said = world.run("survey", "--why")
    assert "Recognised, because" in said.out
    assert '"saves"' in said.out


@pytest.mark.parametrize("where", ["option", "config"])
def test_recognition_can_be_turned_off(world: World, where: str) -> None:
    if where == "config":
        world.config.write_text(world.config.read_text() + "recognise: false\n")
        options: tuple[str, ...] = ()
    else:
        options = ("--only-layouts",)
    assert world.run("survey", *options, "--json").document["emulators"] == []
    said = world.run("snapshot", *options)
    assert said.status == 2
    assert "--only-layouts" in said.err
    (world.layouts / "tinplate.yaml").write_text(TINPLATE)
    night = world.run("snapshot", *options, "--json").document
    assert night["recognised"] == []
    assert {one["emulator"] for one in world.run("show", "--json").document["entries"]} == {"tinplate"}


def test_a_config_that_says_it_wrongly(world: World) -> None:
    world.config.write_text(world.config.read_text() + "recognise: perhaps\n")
    said = world.run("survey")
    assert said.status == 2
    assert "true or false" in said.err


def test_a_layout_comes_to_claim_the_same_files(world: World) -> None:
    world.run("snapshot")
    world.next_evening()
    layout = TINPLATE.replace("id: tinplate", "id: tin")
    (world.layouts / "tin.yaml").write_text(layout)
    said = world.run("snapshot")
    assert "2 files of tinplate kept as tin from now on" in said.out
    assert "is not on the device now" not in said.out
    shown = {one["emulator"] for one in world.run("show", "--json").document["entries"]}
    assert shown == {"tin", "fieldfare"}
    again = world.run("snapshot", "--json").document
    assert (again["renamed"], again["new_files"], again["gone"]) == ([], 0, [])


def test_a_drafted_id_goes_on_where_recognition_was(world: World) -> None:
    """A layout with the id that recognition gave: the same save, whose history the archive knows."""
    world.run("snapshot")
    world.next_evening()
    world.write(world.internal / "Tinplate/saves/Mole Hollow.sav", BATTERY[:-1] + b"2")
    (world.layouts / "tinplate.yaml").write_text(TINPLATE)
    night = world.run("snapshot", "--json").document
    assert night["renamed"] == []
    first = world.run("list", "--json").document["snapshots"][0]["snapshot"]
    plan = world.run(
        "restore", first, "--game", "Mole Hollow", "--part", "saves", "--dry-run", "--json"
    ).document
    assert [step["decision"] for step in plan["steps"]] == ["newer"]


def test_on_another_handheld(world: World, tmp_path: Path) -> None:
    world.run("snapshot")
    other = tmp_path / "heron"
    (other / "Emulation/Tinplate/saves").mkdir(parents=True)
    options = (
        "--config",
        str(tmp_path / "none"),
        "--layouts",
        str(world.layouts),
        "--archive",
        str(world.archive),
    )
    device = ("--device", "heron", "--volume", f"internal={other}")
    said = world.bare(*options[2:], *device, "restore", "plover", "--yes", "--json")
    steps = {step["path"]: step for step in said.document["steps"]}
    # A folder of that name is there.
    assert (other / "Emulation/Tinplate/saves/Mole Hollow.sav").read_bytes() == BATTERY
    assert steps["saves/Mole Hollow.sav"]["decision"] == "write"
    # The other is not, so its owner is asked.
    assert steps["Lighthouse.sav"]["decision"] == "by-hand"
    assert "Fieldfare" in steps["Lighthouse.sav"]["why"] and "--home" in steps["Lighthouse.sav"]["why"]
    assert said.status == 3
    (other / "Roms").mkdir()
    said = world.bare(
        *options[2:], *device, "restore", "plover", "--emulator", "fieldfare", "--home",
        f"fieldfare={other}/Roms", "--yes",
    )  # fmt: skip
    assert said.status == 0, said.text
    assert (other / "Roms/Lighthouse.sav").read_bytes() == BATTERY[::-1]


def test_the_same_path_on_another_handheld_comes_first(world: World, tmp_path: Path) -> None:
    world.run("snapshot")
    other = tmp_path / "heron"
    for folder in ("Tinplate", "Emulation/Tinplate"):
        (other / folder).mkdir(parents=True)
    options = ("--layouts", str(world.layouts), "--archive", str(world.archive), "--device", "heron")
    said = world.bare(*options, "--volume", f"internal={other}", "restore", "plover", "--yes")
    assert (other / "Tinplate/saves/Mole Hollow.sav").read_bytes() == BATTERY, said.text
    # Two folders of that name elsewhere: nobody guesses.
    third = tmp_path / "wren"
    for folder in ("Emulation/Tinplate", "Emulators/Tinplate"):
        (third / folder).mkdir(parents=True)
    said = world.bare(
        *options[:-1], "wren", "--volume", f"internal={third}", "restore", "plover", "--dry-run", "--json"
    )
    why = {step["path"]: step["why"] for step in said.document["steps"]}["saves/Mole Hollow.sav"]
    assert "internal:Emulation/Tinplate and internal:Emulators/Tinplate" in why


def test_what_changed_and_nobody_knows(world: World) -> None:
    world.write(world.card / "Odd/slot.xyz", b"x" * 777)
    assert world.run("survey", "--json").document["changed"] == []  # no night yet
    world.run("snapshot")
    world.next_evening()
    world.write(world.card / "Odd/slot.xyz", b"y" * 777)
    said = world.run("survey")
    assert "Changed since the last snapshot, and nobody knows what it is:\n  card:Odd" in said.out
    os.rename(world.archive, f"{world.archive}-out")  # the card is out
    assert world.run("survey", "--json").document["changed"] == []


def test_the_ways_to_private_storage(world: World) -> None:
    (world.layouts / "burrow.yaml").write_text(
        'layout: 1\nid: burrow\ntitle: Burrow\nlike: private-storage\nhomes:\n'
        '  - {name: main, at: ["internal:Android/data/com.example.burrow/files"]}\n'
        '  - {name: moved, kind: folder, at: ["card:Burrow"]}\n'
    )  # fmt: skip
    locked = world.internal / "Android/data/com.example.burrow"
    (locked / "files").mkdir(parents=True)
    locked.chmod(0)

    def check() -> None:
        said = world.run("survey", "--json")
        assert said.status == 3
        (burrow,) = [one for one in said.document["emulators"] if one["id"] == "burrow"]
        assert burrow["state"] == "unreachable"
        assert [(way["volume"], way["path"], way["outcome"]) for way in burrow["ways"]] == [
            ("internal", "Android/data/com.example.burrow/files", "not listed"),
            ("card", "Burrow", "not there"),
        ]
        assert any(gap["advice"] for gap in said.document["gaps"])
        said = world.run("survey")
        assert "internal:Android/data/com.example.burrow/files: not listed" in said.out

    with open_to_all(world.folder):
        as_nobody(check)
    locked.chmod(0o755)
    (locked / "files").chmod(0)

    def refused() -> None:
        (burrow,) = [o for o in world.run("survey", "--json").document["emulators"] if o["id"] == "burrow"]
        assert [way["outcome"] for way in burrow["ways"]] == ["refused", "not there"]

    with open_to_all(world.folder):
        as_nobody(refused)
