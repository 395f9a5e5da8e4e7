"""``mend`` on the command line: what is lost comes back from the device and from another archive."""

from __future__ import annotations

import random
import shutil
import zipfile
from pathlib import Path

import jsonschema
import pytest

from tests.cli import schemas
from tests.cli.world import World

SECTOR = 4096


@pytest.fixture
def world(tmp_path: Path) -> World:
    """One night with a save of one block and one of many, without parity."""
    world = World(tmp_path)
    world.furnish()
    chance = random.Random(1)
    world.write(world.internal / "Tinplate/saves/Salt Road.sav", chance.randbytes(40_000))
    world.write(world.internal / "Tinplate/saves/Card.sav", chance.randbytes(2 << 20))
    assert world.setup().status == 0
    assert world.run("snapshot").status == 0
    return world


def bundle(world: World) -> Path:
    return max(world.archive.rglob("*.bundle"), key=lambda path: path.stat().st_size)


def spoil(world: World, content: bytes, size: int = 1000) -> None:
    """Overwrites the beginning of some bytes that are stored as they are."""
    data = bundle(world).read_bytes()
    at = data.index(content)
    bundle(world).write_bytes(data[:at] + bytes(size) + data[at + size :])


def comes_back(world: World, folder: Path) -> None:
    """Every file of the night is exported just as it lies on the device."""
    assert world.run("verify", "--deep").status == 0
    assert world.run("export", "latest", str(folder)).status == 0
    for path in (world.internal / "Tinplate/saves").iterdir():
        (copy,) = folder.rglob(path.name)
        assert copy.read_bytes() == path.read_bytes()


def test_what_the_device_still_has_comes_back(world: World, tmp_path: Path) -> None:
    save, card = (world.internal / f"Tinplate/saves/{name}.sav" for name in ("Salt Road", "Card"))
    spoil(world, save.read_bytes()[:64])
    spoil(world, card.read_bytes()[1_000_000:1_000_064])
    # It may have been moved since: the size is the same.
    moved = save.rename(world.internal / "elsewhere.bin")
    planned = world.run("mend", "--dry-run")
    assert planned.status == 4 and "2 blocks found again, from the device" in planned.out
    assert "This was only the plan" in planned.out
    done = world.run("mend", "--yes")
    assert done.status == 0 and "The archive is whole again." in done.out, done.text
    moved.rename(save)
    comes_back(world, tmp_path / "out")
    assert world.run("mend", "--yes").out == "The archive is whole: there is nothing to mend.\n"


def test_only_what_is_missing_is_taken_from_the_device(world: World) -> None:
    card = world.internal / "Tinplate/saves/Card.sav"
    data = card.read_bytes()
    spoil(world, data[1_000_000:1_000_064])
    card.write_bytes(b"played on" + data[9:])  # the first piece is another now, the lost one is not
    done = world.run("mend", "--yes", "--json")
    assert done.status == 0 and done.document["ok"]
    found = [one for one in done.document["mended"] if one["source"] == "the device"]
    assert [one["what"] for one in found] == ["1 block found again"]


def test_an_export_is_cut_as_it_was(world: World, tmp_path: Path) -> None:
    chance = random.Random(3)
    export = tmp_path / "export.zip"
    with zipfile.ZipFile(export, "w") as made:
        made.writestr("saves/a.sav", chance.randbytes(30_000))
        made.writestr("saves/b.sav", chance.randbytes(20_000))
    (world.layouts / "exporter.yaml").write_text(
        "layout: 1\nid: exporter\ntitle: Exporter\nlike: zip-export\n"
        'homes:\n  - {name: export, at: ["internal:Exports"]}\n'
    )
    world.write(world.internal / "Exports/export.zip", export.read_bytes())
    world.next_evening()
    done = world.run("snapshot")
    assert done.status == 0, done.text
    with zipfile.ZipFile(export) as made:
        content = made.read("saves/b.sav")
    for path in world.archive.rglob("*.bundle"):
        data = path.read_bytes()
        if content[:64] in data:
            path.write_bytes(data.replace(content[:64], bytes(64)))
    assert world.run("verify").status == 4
    assert world.run("mend", "--yes").status == 0
    assert world.run("verify", "--deep").status == 0


def test_what_nothing_has_any_more_is_named(world: World) -> None:
    save = world.internal / "Tinplate/saves/Salt Road.sav"
    content = save.read_bytes()
    spoil(world, content[:64])
    save.unlink()
    done = world.run("mend", "--yes")
    assert done.status == 4
    said = " ".join(done.out.split())
    assert "Could not be mended" in said and "Salt Road" in said and "mend --from PATH" in said
    document = world.run("mend", "--yes", "--json")
    assert document.status == 4
    jsonschema.Draft202012Validator(schemas.MEND).validate(document.document)
    assert document.document["damage"][0]["affects"][0]["game"] == "Salt Road"
    other = world.folder / "other"
    shutil.copytree(world.archive, other)
    # The other copy has the same damage, and then again the save.
    assert world.run("mend", "--from", str(other), "--yes").status == 4
    assert world.run("mend", "--from", str(world.archive), "--yes").status == 2
    assert world.run("mend", "--from", str(world.folder / "nowhere"), "--yes").status == 5


def test_a_plan_names_the_night_that_does_not_come_back(world: World) -> None:
    world.next_evening()
    assert world.run("snapshot").status == 0
    spoil(world, (world.internal / "Tinplate/saves/Salt Road.sav").read_bytes()[:64])
    first = min((world.archive / "manifests").iterdir())
    first.write_bytes(first.read_bytes()[:50])
    planned = world.run("mend", "--dry-run")
    assert planned.status == 4 and "1 block found again, from the device" in planned.out
    rest = " ".join(planned.out.partition("Cannot be mended:")[2].split())
    assert first.name in rest and "handhold mend --from PATH" in rest
    assert all(len(line) <= 80 for line in planned.out.splitlines())


def test_from_another_archive(world: World, tmp_path: Path) -> None:
    other = world.folder / "other"
    shutil.copytree(world.archive, other)
    save = world.internal / "Tinplate/saves/Salt Road.sav"
    content = save.read_bytes()
    spoil(world, content[:64])
    save.unlink()
    done = world.run("mend", "--from", str(other), "--yes")
    assert done.status == 0 and "from the other archive" in done.out
    save.write_bytes(content)
    comes_back(world, tmp_path / "out")


def test_nothing_is_written_without_a_yes(world: World) -> None:
    spoil(world, (world.internal / "Tinplate/saves/Salt Road.sav").read_bytes()[:64])
    before = bundle(world).read_bytes()
    done = world.run("mend")
    assert done.status == 2 and "Add --yes" in done.err
    assert world.run("mend", "--json").status == 2
    assert bundle(world).read_bytes() == before


def test_parity_added_later_repairs_a_dead_run(world: World, tmp_path: Path) -> None:
    assert world.run("mend", "--add-parity", "--yes").status == 0
    data = bundle(world).read_bytes()
    dead = 30 * SECTOR
    bundle(world).write_bytes(data[:SECTOR] + bytes(dead) + data[SECTOR + dead :])
    said = world.run("verify")
    assert said.status == 4 and "handhold mend can repair it" in " ".join(said.out.split())
    done = world.run("mend", "--yes")
    assert done.status == 0 and "from its parity" in " ".join(done.out.split())
    assert bundle(world).read_bytes() == data
    comes_back(world, tmp_path / "out")
    world.next_evening()
    world.write(world.internal / "Tinplate/saves/Salt Road.sav", b"played on" * 900)
    assert world.run("snapshot").status == 0
    assert "without parity" not in world.run("verify").out


def test_every_screen_fits(world: World) -> None:
    spoil(world, (world.internal / "Tinplate/saves/Card.sav").read_bytes()[1_000_000:1_000_064])
    for typed in (["mend", "--dry-run"], ["mend", "--add-parity", "--yes"], ["mend", "--yes"]):
        assert all(len(line) <= 80 for line in world.run(*typed).out.splitlines())
