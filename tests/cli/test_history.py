"""``history`` over the real command line, on two handhelds that share an archive."""

from __future__ import annotations

import os
import re
import shlex
import zipfile
from datetime import timedelta
from pathlib import Path

import jsonschema
import pytest

from tests.cli.schemas import HISTORY
from tests.cli.test_carry import SAVE, Handheld, handheld
from tests.cli.world import World


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


@pytest.fixture
def plover(world: World) -> Handheld:
    made = handheld(world, "plover")
    assert made.run("setup").status == 0
    return made


@pytest.fixture
def wren(world: World, plover: Handheld) -> Handheld:
    return handheld(world, "wren")


def test_versions_are_shown_newest_first_and_within_the_screen(plover: Handheld) -> None:
    for chapter in ("chapter 1", "chapter 2", "chapter 3"):
        plover.play(chapter)
        plover.night()
    said = plover.run("history", "mole hollow")
    assert said.status == 0, said.text
    assert [line.split()[0] for line in said.out.splitlines() if re.match(r" *\d+  2026", line)] == [
        "3", "2", "1",
    ]  # fmt: skip
    assert "Mole Hollow (tinplate, saves), 3 versions" in said.out
    assert said.out.count("plover*") == 1 and "* stood there when last seen." in said.out
    lines = [line for line in said.out.splitlines() if not re.match(r" +(handhold )?--", line)]
    assert all(len(line) <= 80 for line in lines)  # paths that were typed stay whole in a command


def test_the_command_that_is_printed_brings_a_version_back_and_undo_takes_it_away(plover: Handheld) -> None:
    plover.play("chapter 1")
    plover.night()
    plover.play("chapter 2")
    plover.night()
    said = plover.run("history", "Mole Hollow")
    printed = re.search(r"  handhold .*?(history .*?replace)", said.out, re.DOTALL)
    assert printed is not None, said.out
    command = shlex.split(printed[1].replace("\\\n", ""))
    kept = plover.run(*command[:-2], "--yes")  # without --on-newer replace newer progress stays
    assert kept.status == 3 and plover.read() == "chapter 2", kept.text
    only = plover.run(*command, "--dry-run")
    assert only.status == 0 and plover.read() == "chapter 2" and "only the plan" in only.out
    done = plover.run(*command, "--yes")
    assert done.status == 0 and plover.read() == "chapter 1", done.text
    assert plover.run("undo", "--yes").status == 0
    assert plover.read() == "chapter 2"


def test_a_fork_is_shown_as_one_with_the_way_to_choose(plover: Handheld, wren: Handheld) -> None:
    plover.play("chapter 1")
    plover.night()
    wren.play("chapter 1")
    wren.night()
    plover.play("plover's chapter")
    plover.night()
    wren.play("wren's chapter")
    wren.night()
    said = wren.run("history", "--game", "Mole*")
    assert "Fork: 3 on wren and 2 on plover; neither came after the other." in said.out
    assert 'handhold carry --take wren --game "Mole Hollow"' in said.out
    assert re.search(r"^ 3 .* wren\* +after 1$", said.out, re.MULTILINE), said.out
    document = wren.run("history", "--game", "Mole*", "--json").document
    jsonschema.validate(document, HISTORY)
    (save,) = document["saves"]
    assert save["fork"] == [3, 2]
    assert [(v["number"], v["after"]) for v in save["versions"]] == [(3, 1), (2, 1), (1, None)]


def test_a_save_of_two_files_comes_back_as_one(plover: Handheld) -> None:
    layout = plover.world.layouts / "tinplate.yaml"
    layout.write_text(layout.read_text().replace("{game}.sav", "{game}.{sav,clock}"))
    clock, other = "Tinplate/saves/Mole Hollow.clock", "Tinplate/saves/Mole Hill.sav"
    for chapter in ("1", "2"):
        plover.play(f"chapter {chapter}")
        plover.play(f"clock {chapter}", clock)
        plover.play(f"other {chapter}", other)
        plover.night()
    asked = ("history", "saves/Mole Hollow.sav", "--restore", "1", "--on-newer", "replace")
    assert plover.run(*asked, "--yes").status == 0
    assert (plover.read(), plover.read(clock), plover.read(other)) == ("chapter 1", "clock 1", "other 2")
    several = plover.run("history", "saves", "--restore", "1")
    assert several.status == 2 and "3 files fit" in several.text


def test_places_on_the_device_name_a_save(plover: Handheld) -> None:
    plover.play("chapter 1")
    plover.play("settings", "Tinplate/config/main.ini")
    plover.night()
    said = plover.run("history", str(plover.internal / "Tinplate/config/main.ini"), "--json")
    assert [save["path"] for save in said.document["saves"]] == ["config/main.ini"]
    said = plover.run("history", str(plover.internal), "--json")
    assert {save["path"] for save in said.document["saves"]} == {"config/main.ini", "saves/Mole Hollow.sav"}
    assert plover.run("history", "/nowhere/else").status == 2
    assert plover.run("history", str(plover.internal / "Tinplate/nothing")).status == 2


def test_many_saves_are_a_list(plover: Handheld) -> None:
    for number in range(9):
        plover.play(f"{number}", f"Tinplate/saves/Game {number}.sav")
    plover.night()
    plover.play("played on", "Tinplate/saves/Game 4.sav")
    plover.night()
    said = plover.run("history")
    rows = said.out.splitlines()
    assert rows[0].split() == [
        "Game",
        "or",
        "file",
        "Emulator",
        "Part",
        "Versions",
        "Last",
        "new",
        "one",
        "Stands",
        "on",
    ]
    assert rows[1].startswith("Game 4") and rows[1].split()[4] == "2"  # the last that was played comes first


def test_many_versions_are_folded_by_month(plover: Handheld) -> None:
    for number in range(40):
        plover.play(f"chapter {number}")
        plover.night()
    said = plover.run("history", "Mole Hollow")
    rows = [line for line in said.out.splitlines() if re.match(r" *(\d+  )?2026-", line)]
    # forty nights from 1 March on: the newest sixteen are 25 March to 9 April; the first 24 are all of March
    assert len(rows) == 17
    assert rows[-1].split() == ["2026-03", "24", "1-24", "10", "B", "24", "plover"]
    every = plover.run("history", "Mole Hollow", "--all").out
    assert sum(bool(re.match(r" *\d+  2026", line)) for line in every.splitlines()) == 40


def test_the_calendar_has_the_evenings(plover: Handheld) -> None:
    plover.play("chapter 1")
    plover.night()  # Sunday, 1 March 2026: what the first night finds was played some time
    plover.play("chapter 2")
    plover.night()  # Monday 2 March
    plover.night()
    plover.play("chapter 3")
    plover.night()  # Wednesday 4 March
    said = plover.run("history", "Mole Hollow", "--calendar")
    assert "Mole Hollow: 2 evenings, 2026-03-02 to 2026-03-04" in said.out
    # Source: ISO 8601 by the calendar of 2026: 1 January is a Thursday, so 2 March begins week 10
    assert said.out.splitlines()[-1].split() == [
        "2026-W10", "2026-03-02", "2", ".", "4", ".", ".", ".", ".", "2",
    ]  # fmt: skip
    evenings = plover.run("history", "Mole Hollow", "--json").document["evenings"]
    assert [(one["day"], one["week"]) for one in evenings] == [
        ("2026-03-02", "2026-W10-1"), ("2026-03-04", "2026-W10-3"),
    ]  # fmt: skip


def test_nights_that_were_let_go_are_remembered_and_cannot_be_gone_back_to(plover: Handheld) -> None:
    for chapter in ("chapter 1", "chapter 2", "chapter 3"):
        plover.play(chapter)
        plover.night()
    plover.world.next_evening(60)
    assert plover.run("thin", "--nights", "1", "--let-go", "--yes").status == 0
    said = plover.run("history", "Mole Hollow")
    rows = [line.split("plover")[1].strip() for line in said.out.splitlines() if re.match(r" \d  2026", line)]
    assert rows == ["*", "let go", "let go"], said.out
    assert re.findall(r"--restore (\d)", said.out) == ["3"]  # the only one that a night still holds
    gone = plover.run("history", "Mole Hollow", "--restore", "1")
    assert gone.status == 2 and "is in no snapshot" in gone.text
    (save,) = plover.run("history", "Mole Hollow", "--json").document["saves"]
    assert [(one["snapshots"], one["restore_from"], one["nights"]) for one in save["versions"][1:]] == [
        ([], None, 0), ([], None, 0),
    ]  # fmt: skip
    assert "2 evenings" in plover.run("history", "Mole Hollow", "--calendar").out


def test_a_game_out_of_an_export_comes_as_a_zip_of_its_own(world: World, plover: Handheld) -> None:
    (world.layouts / "hatbox.yaml").write_text(
        "layout: 1\nid: hatbox\ntitle: Hatbox\nlike: zip-export\n"
        "homes:\n  - {name: export, at: ['card:Hatbox']}\n"
        "inside:\n  - {part: saves, path: 'slots/{game}.dat'}\n"
    )
    for number in (1, 2):
        export = world.write(plover.card / "Hatbox/nightly.zip", b"")
        with zipfile.ZipFile(export, "w") as made:
            made.writestr("slots/Moss.dat", f"moss {number}" * 200)
            made.writestr("slots/Salt.dat", "salt" * 200)
        os.utime(export, (stamp := (world.time - timedelta(hours=1)).timestamp(), stamp))
        plover.night()
    said = plover.run("history", "--game", "Moss")
    assert "in exports: slots/Moss.dat" in said.out and said.out.count("plover") >= 2
    assert plover.run("history", "--game", "Moss", "--restore", "1", "--yes").status == 0
    (small,) = [path for path in (plover.card / "Hatbox").iterdir() if path.name != "nightly.zip"]
    with zipfile.ZipFile(small) as brought:
        assert brought.namelist() == ["slots/Moss.dat"]
        assert brought.read("slots/Moss.dat") == b"moss 1" * 200


def test_a_slip_in_a_layout_keeps_nobody_from_looking_back(plover: Handheld) -> None:
    plover.play("chapter 1")
    plover.night()
    (plover.world.layouts / "tinplate.yaml").write_text("layout: 1\nid: tinplate\nkeep: [oh\n")
    said = plover.run("history", "Mole Hollow")
    assert said.status == 0 and "1 version" in said.out, said.text


def test_wrong_input_is_told(plover: Handheld) -> None:
    assert plover.run("history").status == 2
    plover.play("chapter 1")
    plover.night()
    for arguments, words in (
        (("Mole Hallow",), "Did you mean Mole Hollow?"),
        (("--game", "nothing"), "no game named"),
        (("--part", "nothing"), "no part named"),
        (("Mole Hollow", "--restore", "7"), 'no version named "7"'),
        (("Mole Hollow", "--yes"), "--restore"),
    ):
        said = plover.run("history", *arguments)
        assert said.status == 2 and words in said.text, said.text


def test_files_by_path_are_shown_and_restored(plover: Handheld) -> None:
    plover.play("chapter 1")
    plover.play("another", "Tinplate/saves/Other.sav")
    plover.night()
    said = plover.run("show", "--path", "saves/mole*", "--json")
    assert [entry["path"] for entry in said.document["entries"]] == ["saves/Mole Hollow.sav"]
    (plover.internal / SAVE).unlink()
    (plover.internal / "Tinplate/saves/Other.sav").unlink()
    assert plover.run("restore", "latest", "--path", "saves/Mole Hollow.sav", "--yes").status == 0
    assert plover.read() == "chapter 1" and not (plover.internal / "Tinplate/saves/Other.sav").exists()
