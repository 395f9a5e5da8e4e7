"""A night that nobody watches: quiet when all is well, one useful line and the right status when not."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from handhold.nightly.log import LARGEST, OLDER, log_path, write_log
from handhold.nightly.schedule import cron_line, units
from tests.cli.world import World


def told(world: World, *arguments: str) -> str:
    """What a night says that is one line and nothing else; the status is 0 only if it says nothing."""
    done = world.run("snapshot", "--nightly", *arguments)
    assert done.out == ""
    assert done.err.count("\n") == (1 if done.err else 0)
    assert "Traceback" not in done.err
    return f"{int(done.status)} {done.err.strip()}"


def test_a_good_night_says_nothing_and_is_in_the_log(world: World, own_state: Path) -> None:
    assert told(world) == "0 "
    log = (own_state / "handhold/nightly.log").read_text()
    assert log_path() == own_state / "handhold/nightly.log"
    assert "Kept as plover.2026-03-01" in log
    assert log.startswith("2026-03-01T22:00:")


def test_a_gap_is_one_line(world: World) -> None:
    os.symlink("/etc/hostname", world.internal / "Tinplate/saves/Linked.sav")
    said = told(world)
    assert said.startswith("3 handhold: plover: 1 thing could not be kept (tinplate: it is a link")
    assert "Linked.sav" in log_path().read_text()


def test_a_save_that_was_emptied_comes_first(world: World) -> None:
    assert told(world) == "0 "
    world.next_evening()
    world.write(world.internal / "Tinplate/saves/Mole Hollow.sav", b"")
    said = told(world)
    assert said.startswith("0 handhold: plover: 1 save is suspicious (tinplate: Mole Hollow)")


def test_a_card_that_is_out_is_one_line(world: World) -> None:
    shutil.rmtree(world.archive)
    said = told(world)
    assert said.startswith("5 handhold: The archive is not there:")
    assert "Look whether the card is in" in log_path().read_text()


def test_a_wrong_layout_is_one_line(world: World) -> None:
    (world.layouts / "broken.yaml").write_text("layout: 1\nid: [\n")
    assert "broken.yaml" in told(world)


def test_a_defect_is_one_line_too(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("three by zero")

    monkeypatch.setattr("handhold.snapshot.take", broken)
    assert told(world).startswith("1 handhold: handhold itself made a mistake: ZeroDivisionError")


def hook(folder: Path, status: int = 0) -> Path:
    """A command of the owner's that writes down what it was told."""
    script = folder / "tell me.py"
    script.write_text(
        f"#!{sys.executable}\nimport os, sys\n"
        f"open({str(folder / 'told')!r}, 'a').write(repr((sys.argv[1:], os.environ['HANDHOLD_STATUS'],"
        " os.environ['HANDHOLD_TROUBLE'])) + '\\n')\nprint('heard')\n"
        f"sys.exit({status})\n"
    )
    script.chmod(0o755)
    return script


def test_the_owners_command_hears_of_trouble_and_of_nothing_else(world: World, tmp_path: Path) -> None:
    command = f"{shlex.quote(str(hook(tmp_path)))} --urgent"
    assert told(world, "--on-trouble", command) == "0 "
    assert not (tmp_path / "told").exists()
    os.symlink("/etc/hostname", world.internal / "Tinplate/saves/Linked.sav")
    said = told(world, "--on-trouble", command)
    (words, status, line) = eval((tmp_path / "told").read_text())
    assert words[0] == "--urgent"
    assert words[1] == line
    assert status == "3"
    assert line in said


def test_the_command_can_stand_in_the_config(world: World, tmp_path: Path) -> None:
    command = shlex.quote(str(hook(tmp_path)))
    with world.config.open("a") as config:
        config.write(f'on_trouble: "{command}"\n')
    shutil.rmtree(world.archive)
    assert told(world).startswith("5 ")
    assert (tmp_path / "told").exists()
    assert world.run("snapshot", "--nightly", "--on-trouble", "").status == 5


@pytest.mark.parametrize(
    "line", ['on_trouble: "say \'"', "on_trouble: 7", "on_trouble: ''", "on_trouble: [a]"]
)
def test_a_wrong_command_in_the_config(world: World, line: str) -> None:
    with world.config.open("a") as config:
        config.write(line + "\n")
    done = world.run("list")
    assert done.status == 2
    assert "config.yaml:" in done.err


def test_a_command_that_fails_is_told_and_changes_no_status(world: World, tmp_path: Path) -> None:
    os.symlink("/etc/hostname", world.internal / "Tinplate/saves/Linked.sav")
    for command, why in (
        (shlex.quote(str(hook(tmp_path, status=9))), "ended with status 9"),
        ("/no/such/program", "no such file"),
    ):
        done = world.run("snapshot", "--nightly", "--on-trouble", command)
        assert done.status == 3
        assert done.err.count("\n") == 2
        assert why in done.err


def test_wrong_use(world: World) -> None:
    assert world.run("snapshot", "--on-trouble", "true").status == 2
    assert world.run("snapshot", "--nightly", "--json").status == 2
    assert world.run("snapshot", "--nightly", "--on-trouble", "say '").status == 2
    assert world.run("list", "--json").document["snapshots"] == []


def test_the_log_does_not_grow_beyond_its_bound(world: World, own_state: Path) -> None:
    for number in range(40):
        assert write_log(world.time, f"night {number}\n" + "word " * 8000) is None
    files = sorted((own_state / "handhold").iterdir())
    assert len(files) == OLDER + 1
    assert all(path.stat().st_size <= LARGEST for path in files)
    assert "night 39\n" in log_path().read_text()


def test_a_log_that_cannot_be_written_hinders_no_night(world: World, own_state: Path) -> None:
    own_state.write_text("a file where a folder should be")
    done = world.run("snapshot", "--nightly")
    assert done.status == 0
    assert "nightly.log cannot be written" in done.err
    assert len(world.run("list", "--json").document["snapshots"]) == 1


def test_the_lines_for_cron_and_systemd_run(world: World, tmp_path: Path) -> None:
    """What is printed is run here as each would run it, from a place whose name needs care."""
    place = tmp_path / "my 100% $HOME"
    place.mkdir()
    program = place / "handhold"
    program.write_text(f"#!/bin/sh\nfor word; do echo \"$word\"; done > '{tmp_path}/ran'\n")
    program.chmod(0o755)
    command = [str(program), "--config", str(place / "c $o.yaml"), "snapshot", "--nightly"]
    line = cron_line(command)
    fields = line.split(None, 5)
    assert fields[:5] == ["30", "3", "*", "*", "*"]
    assert os.system(fields[5].replace("\\%", "%")) == 0
    assert (tmp_path / "ran").read_text().splitlines() == command[1:]
    exec_start = next(
        text for text in units(command)["handhold.service"].splitlines() if text.startswith("ExecStart=")
    )
    # Source: systemd.service(5), "Command lines": quotes as in sh; %% and, but in the program, $$ are one
    said = [word.replace("%%", "%") for word in shlex.split(exec_start.partition("=")[2])]
    said = [said[0], *(word.replace("$$", "$") for word in said[1:])]
    assert said == command


def test_setup_prints_both(world: World) -> None:
    before = world.config.read_text()
    done = world.run("setup", "--nightly")
    assert done.status == 0
    assert "snapshot --nightly" in done.out
    assert "OnCalendar=*-*-* 03:30" in done.out
    assert f"--config {world.config}" in done.out
    assert world.config.read_text() == before


def test_systemd_takes_the_units(tmp_path: Path) -> None:
    # Source: systemd-analyze(1), verify: loads the unit as systemd would, and looks for its program
    if shutil.which("systemd-analyze") is None:
        pytest.skip("needs systemd-analyze")
    program = tmp_path / "my 100% $HOME" / "handhold"
    program.parent.mkdir()
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)

    def verified(command: list[str]) -> bool:
        for name, text in units(command).items():
            (tmp_path / name).write_text(text)
        paths = [str(tmp_path / name) for name in units(command)]
        done = subprocess.run(
            ["systemd-analyze", "verify", *paths], capture_output=True, text=True, check=False
        )
        return done.returncode == 0

    assert verified([str(program), "snapshot", "--nightly"])
    assert not verified([str(tmp_path / "no such program"), "snapshot", "--nightly"])
