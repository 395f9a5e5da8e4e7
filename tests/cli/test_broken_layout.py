"""A slip in one layout does not cost the night."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.world import TINPLATE, World

SLIP = TINPLATE.replace("keep:", "kepp:", 1)


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    world.furnish()
    assert world.setup().status == 0
    return world


def kept(world: World) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for entry in world.run("show", "latest", "--json").document["entries"]:
        found.setdefault(entry["emulator"], set()).add(entry["path"])
    return found


@pytest.mark.parametrize("text", [SLIP, "layout: 1\nid: [", "", SLIP.replace("tinplate\n", "tinplate2\n")])
def test_an_emulator_is_kept_by_its_layout_of_the_last_night(world: World, text: str) -> None:
    assert world.run("snapshot").status == 0
    before = kept(world)
    last = world.run("list", "--json").document["snapshots"][0]["snapshot"]
    world.next_evening()
    file = world.layouts / "tinplate.yaml"
    file.write_text(text)
    world.write(world.internal / "Tinplate/saves/New.sav", b"new" * 50)
    for _ in range(2):
        said = world.run("snapshot")
        assert said.status == 3
        flat = " ".join(said.err.split())
        assert f"{file}:" in said.err.replace("\n", "") and "Traceback" not in flat
        if "tinplate2" not in text:
            assert f"tinplate was kept by its layout as {last} has it." in flat
            assert kept(world) == {**before, "tinplate": before["tinplate"] | {"saves/New.sav"}}
        last = world.run("list", "--json").document["snapshots"][-1]["snapshot"]
        world.next_evening()
    file.write_text(TINPLATE)
    said = world.run("snapshot", "--json")
    assert (said.status, said.document["mistakes"]) == (0, [])
    assert kept(world)["tinplate"] == before["tinplate"] | {"saves/New.sav"}


def test_what_no_night_knows_is_recognised(world: World) -> None:
    file = world.layouts / "tinplate.yaml"
    file.write_text(SLIP)
    said = world.run("snapshot")
    assert said.status == 3
    flat = " ".join(said.err.split())
    assert 'unknown key "kepp" in a layout' in flat
    assert "Without a layout (tinplate) only saves and states that are recognised are kept" in flat
    assert {path for each in kept(world).values() for path in each if "Mole" in path} == {
        "saves/Mole Hollow.sav",
        "states/Mole Hollow.st1",
    }
    assert "lantern" in kept(world)


def test_scripts_are_told(world: World) -> None:
    assert world.run("snapshot").status == 0
    world.next_evening()
    (world.layouts / "tinplate.yaml").write_text(SLIP)
    said = world.run("snapshot", "--json")
    assert said.status == 3
    (mistake,) = said.document["mistakes"]
    assert (mistake["line"], mistake["column"], mistake["what"]) == (6, 1, 'unknown key "kepp" in a layout')
    assert [one["emulator"] for one in said.document["stand_ins"]] == ["tinplate"]


def test_a_pattern_of_the_owners_takes_those_upon_it_along(world: World) -> None:
    (world.layouts / "own.yaml").write_text(
        "layout: 1\nid: own\ntitle: Own\nhomes: [{name: main, kind: folder}]\n"
        'keep: [{part: saves, path: "**/*.mcr"}]\n'
    )
    (world.layouts / "lantern.yaml").write_text(
        "layout: 1\nid: lantern\ntitle: Lantern\nlike: own\nhomes: [{name: main, at: 'card:Lantern'}]\n"
    )
    assert world.run("snapshot").status == 0
    before = kept(world)
    world.next_evening()
    (world.layouts / "own.yaml").write_text("layout: 1\nid: own\nkeep: 7\n")
    assert world.run("snapshot").status == 3
    assert kept(world) == before


def test_with_nothing_left_to_keep_by_it_is_a_mistake(world: World) -> None:
    for file in world.layouts.iterdir():
        file.write_text("nonsense")
    said = world.run("snapshot", "--only-layouts")
    assert said.status == 2
    assert ":1:1:" in said.err


def test_other_commands_stop(world: World) -> None:
    assert world.run("snapshot").status == 0
    (world.layouts / "tinplate.yaml").write_text(SLIP)
    assert world.run("layout", "check").status == 2
    assert world.run("survey").status == 2
