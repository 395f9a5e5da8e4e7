"""``thin`` and ``mirror`` on the command line: what an owner reads, what scripts read, and the statuses."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import jsonschema
import pytest

from handhold.archive.lock import hold
from tests.cli import schemas
from tests.cli.world import World

RULE = ("--nights", "3", "--weeks", "2", "--zone", "Europe/Rome")


@pytest.fixture
def world(tmp_path: Path) -> World:
    """Eight evenings from Sunday 2026-03-01 on; a save that was there on the third evening alone."""
    world = World(tmp_path)
    world.furnish_portable()
    assert world.setup().status == 0
    for evening in range(8):
        short = world.internal / "Tinplate/saves/Short.sav"
        world.write(world.internal / "Tinplate/saves/Long.sav", os.urandom(3000))
        if evening == 2:
            world.write(short, b"gone tomorrow")
        elif short.exists():
            short.unlink()
        assert world.run("snapshot").status == 0
        world.next_evening()
    return world


def nights(world: World, *options: str) -> list[str]:
    document = world.run(*options, "list", "--json").document
    return [one["snapshot"].split(".")[1] for one in document["snapshots"] if one["kind"] == "night"]


def flat(text: str) -> str:
    """The text, wherever its lines are broken."""
    return " ".join(text.split())


def fits(text: str) -> bool:
    return all(len(line) <= 80 for line in text.splitlines() if "/" not in line)


def test_a_dry_run_shows_what_goes_and_changes_nothing(world: World) -> None:
    before = {path: path.read_bytes() for path in world.archive.rglob("*") if path.is_file()}
    said = world.run("thin", *RULE, "--dry-run")
    assert said.status == 0
    assert fits(said.text)
    for piece in ("2026-03-02", "2026-03-05", "come back", "Short", "--let-go", "nothing was changed"):
        assert piece in flat(said.out), piece
    after = {path: path.read_bytes() for path in world.archive.rglob("*") if path.is_file()}
    assert {p: d for p, d in after.items() if ".lock" not in p.name} == {
        p: d for p, d in before.items() if ".lock" not in p.name
    }


def test_what_goes_and_what_stays(world: World) -> None:
    """By hand: nights 6, 7, 8; Sunday the 1st ends 2026-W09; the 3rd alone has a save."""
    said = world.run("thin", *RULE, "--json", "--yes")
    assert said.status == 0
    jsonschema.validate(said.document, schemas.THIN)
    stays = {one["snapshot"].split(".")[1]: one["why"] for one in said.document["stays"]}
    assert stays == {
        "2026-03-01": ["week 2026-W09"],
        "2026-03-03": ["the only one with a save"],
        "2026-03-06": ["night 2026-03-06"],
        "2026-03-07": ["night 2026-03-07"],
        "2026-03-08": ["newest of plover", "night 2026-03-08", "week 2026-W10"],
    }
    assert [one.split(".")[1] for one in said.document["goes"]] == ["2026-03-02", "2026-03-04", "2026-03-05"]
    assert said.document["freed"] > 0
    assert nights(world) == sorted(stays)
    assert world.run("verify", "--deep").status == 0
    gone = world.run("show", "plover.2026-03-02.220002")
    assert gone.status == 2
    # a date in between means the last one before it that is there
    assert "plover.2026-03-03" in world.run("show", "plover.2026-03-05", "--json").out


def test_letting_go_of_last_copies(world: World) -> None:
    said = world.run("thin", *RULE, "--let-go", "--yes")
    assert said.status == 0
    assert "2026-03-03" not in nights(world)


def test_a_restore_decides_as_if_nothing_had_been_let_go(world: World) -> None:
    """The version of the second evening stands on the device with a time that lies, and its night is gone."""
    save = world.internal / "Tinplate/saves/Long.sav"
    night = "plover.2026-03-02"
    assert world.run("restore", night, "--game", "Long", "--on-newer", "replace", "--yes").status == 0
    old = save.read_bytes()
    assert world.run("undo", "--yes").status == 0
    assert save.read_bytes() != old
    whole = world.folder / "whole"
    shutil.copytree(world.archive, whole)
    assert world.run("thin", "--nights", "1", "--let-go", "--yes").status == 0
    assert nights(world) == ["2026-03-08"]
    save.write_bytes(old)
    os.utime(save, ns=(2 * 10**18, 2 * 10**18))
    decided = []
    for archive in (whole, world.archive):
        said = world.run("--archive", str(archive), "restore", "latest", "--dry-run", "--json")
        decided.append([(step["path"], step["decision"]) for step in said.document["steps"]])
    assert decided[0] == decided[1]
    assert ("saves/Long.sav", "forward") in decided[1]


@pytest.mark.parametrize(
    ("arguments", "status", "piece"),
    [
        (["thin"], 2, "not told what stays"),
        (["thin", "--nights", "0"], 2, "not told what stays"),
        (["thin", "--nights", "-1"], 2, "--nights"),
        (["thin", "--nights", "1", "--zone", "Nowhere/Town"], 2, "no time zone"),
        (["thin", "--nights", "1", "--json"], 2, "cannot ask"),
        (["thin", "--nights", "1"], 2, "--yes"),
        (["thin", "--nights", "99", "--yes"], 0, "came back"),  # only small bundles are gathered
    ],
)
def test_what_was_typed(world: World, arguments: list[str], status: int, piece: str) -> None:
    said = world.run(*arguments)
    assert (said.status, piece in flat(said.text)) == (status, True), said.text
    assert len(nights(world)) == 8


def test_a_hurt_list_of_files_keeps_everything(world: World) -> None:
    manifest = min(world.archive.glob("manifests/*.manifest"))
    manifest.write_bytes(b"\\0" * 400)
    said = world.run("thin", *RULE, "--yes")
    assert said.status == 4
    assert "verify" in said.err
    assert len(nights(world)) == 7


def test_it_waits_for_nobody(world: World) -> None:
    with hold(str(world.archive), "snapshot"):
        assert world.run("thin", *RULE, "--yes").status == 5


# -- mirror -----------------------------------------------------------------------------------------------


def test_a_second_archive(world: World) -> None:
    second = world.folder / "second"
    said = world.run("mirror", str(second))
    assert said.status == 5 and "empty folder" in flat(said.err)  # the card is out, or it is to be made
    second.mkdir()
    said = world.run("mirror", str(second))
    assert said.status == 0 and fits(said.text)
    assert "8 snapshots" in flat(said.out)
    assert "lacks nothing" in flat(world.run("mirror", str(second)).out)
    assert world.run("snapshot").status == 0
    said = world.run("mirror", str(second), "--json")
    jsonschema.validate(said.document, schemas.MIRROR)
    assert said.document["arrived"] and not said.document["diverged"]
    assert nights(world, "--archive", str(second)) == nights(world)
    assert [one["path"] for one in world.run("list", "--last", "--json").document["mirrors"]] == [str(second)]
    assert world.run("--archive", str(second), "verify", "--deep").status == 0
    shutil.rmtree(world.archive)  # the card is lost
    said = world.run("--archive", str(second), "restore", "latest", "--dry-run")
    assert said.status == 0


def test_two_that_diverged(world: World) -> None:
    second = world.folder / "second"
    second.mkdir()
    world.run("mirror", str(second))
    assert world.run("--archive", str(second), "snapshot").status == 0
    assert world.run("snapshot").status == 0
    said = world.run("mirror", str(second))
    assert said.status == 0
    assert "went on apart" in said.err and "plover went on in both" in flat(said.err) and fits(said.text)
    assert len(nights(world, "--archive", str(second))) == 10


@pytest.mark.parametrize("where", ["safe/archive", "safe/archive/bundles", "safe"])
def test_no_archive_lies_in_its_own_mirror(world: World, where: str) -> None:
    said = world.run("mirror", str(world.folder / where))
    assert said.status == 2 and not (world.archive / "bundles/archive.yaml").exists()


def test_another_archive_is_no_mirror(world: World) -> None:
    other = world.folder / "other"
    assert world.run("--archive", str(other), "setup", "--yes").status == 0
    assert world.run("--archive", str(world.archive), "mirror", str(other)).status == 2
