"""The start of a command: what it reads in, and that nothing that it leaves out is missed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from handhold.cli import main

ENTRY = (sys.executable, "-c", "from handhold.cli.entry import main; main()")


def test_version_needs_no_library() -> None:
    script = (
        "import sys; sys.argv[1:] = ['--version']\n"
        "from handhold.cli.entry import main; main()\n"
        "print(sorted({'typer', 'rich', 'msgspec', 'yaml'} & sys.modules.keys()))"
    )
    said = subprocess.run((sys.executable, "-c", script), capture_output=True, text=True, check=True)
    assert said.stdout.splitlines()[0].split()[0] == "handhold"
    assert said.stdout.splitlines()[1] == "[]"


#: What takes long to load and most commands never need.
_SELDOM = {"typer", "rich.console", "platformdirs", "inspect", "dataclasses", "psutil", "difflib"}


@pytest.mark.parametrize("command", ["snapshot", "verify", "history", "restore latest --yes"])
def test_a_plain_command_needs_no_library_that_few_need(command: str, tmp_path: Path) -> None:
    volume = tmp_path / "card"
    volume.mkdir()
    script = (
        "import sys\n"
        "from handhold.cli import entry\n"
        "entry._leave = sys.exit\n"
        "try: entry.main()\n"
        f"finally: print(sorted({_SELDOM} & sys.modules.keys()), file=sys.stderr)"
    )
    front = ["--archive", str(tmp_path / "archive"), "--device", "wren", "--volume", f"card={volume}"]
    environment = os.environ | {"XDG_CONFIG_HOME": str(tmp_path)}

    def run(*typed: str) -> subprocess.CompletedProcess[str]:
        line = (sys.executable, "-c", script, *front, *typed)
        return subprocess.run(line, capture_output=True, text=True, env=environment)

    assert run("setup", "--yes").returncode == 0
    (volume / "Saves").mkdir()
    (volume / "Saves" / "Lamp.sav").write_bytes(b"1")
    assert run("snapshot").returncode == 0
    said = run(*command.split())
    assert said.returncode == 0, said.stderr
    assert said.stderr.splitlines()[-1] == "[]"


def test_what_a_check_follows_by_is_loaded_once_others_read() -> None:
    late = {"following", "references", "contents", "manifest", "pages", "strays", "parity"}
    script = (
        "import sys, handhold.archive.verify\n"
        "print(*sorted(name for name in sys.modules if name.startswith('handhold.archive.')))"
    )
    said = subprocess.run((sys.executable, "-c", script), capture_output=True, text=True, check=True)
    loaded = {name.split(".")[2] for name in said.stdout.split()}
    assert {"judging", "soundness", "stock"} <= loaded
    assert not late & loaded


@pytest.mark.parametrize(
    ("typed", "rooms"),
    [
        ("snapshot --reread", ("snapshot",)),
        ("--archive list --device=show list --json", ("look",)),
        ("--quiet --volume card=/x verify", ("verify",)),
        ("--help", main._ROOMS),
        ("", main._ROOMS),
        ("--archive", main._ROOMS),
        ("lsit", main._ROOMS),
        ("console", main._ROOMS),  # a file of this folder that holds no command
    ],
)
def test_only_the_command_that_was_typed_is_read_in(typed: str, rooms: tuple[str, ...]) -> None:
    assert tuple(main._rooms(typed.split())) == rooms


def test_every_command_is_found_alone(capfd: pytest.CaptureFixture[str]) -> None:
    """What the help lists starts also when nothing but its own file is read in."""
    assert main.run(["--help"]) == 0
    listed = capfd.readouterr().out.partition("Commands:\n")[2]
    commands = [line.split()[0] for line in listed.splitlines() if line[2:3].strip()]
    assert {"setup", "list", "show", "demo", "layout"} <= set(commands)
    for command in commands:
        assert main.run([command, "--help"]) == 0, command
        assert f"handhold {command}" in capfd.readouterr().out.replace("\n", " ")


def test_the_installed_program_starts_there() -> None:
    project = (Path(__file__).parents[2] / "pyproject.toml").read_text()
    assert 'handhold = "handhold.cli.entry:main"' in project
    said = subprocess.run((*ENTRY, "no-such-thing"), capture_output=True, text=True)
    assert said.returncode == 2
    assert "Traceback" not in said.stderr


@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
def test_a_night_and_a_restore_come_to_their_end_where_input_and_output_are_closed(
    closed: str, tmp_path: Path
) -> None:
    """As some start what runs at night.

    Source: POSIX.1-2017, XCU 2.7.5 and 2.7.6: n<&- and n>&- close a file's number
    """
    card, other = tmp_path / "card", tmp_path / "other"
    for folder in (card / "Saves", other / "Saves"):
        folder.mkdir(parents=True)
    (card / "Saves" / "Lamp.sav").write_bytes(b"1")
    environment = os.environ | {"XDG_CONFIG_HOME": str(tmp_path), "XDG_STATE_HOME": str(tmp_path)}

    def run(volume: Path, *typed: str, how: str = closed) -> int:
        front = ["--archive", str(tmp_path / "archive"), "--device", volume.name]
        front += ["--volume", f"card={volume}"]
        line = ("sh", "-c", f'exec "$@" {how}', "sh", *ENTRY, *front, *typed)
        return subprocess.run(line, env=environment).returncode

    assert run(card, "setup", "--yes", how="") == 0
    assert run(card, "snapshot", "--nightly") == 0
    assert run(other, "restore", "card", "--yes") == 0
    assert (other / "Saves" / "Lamp.sav").read_bytes() == b"1"


@pytest.mark.parametrize("typed", ["--version", "--help", "layout list"])
def test_an_output_that_is_full_is_told(typed: str) -> None:
    """Source: full(4), Linux manual pages: writes to /dev/full fail with ENOSPC"""
    with open("/dev/full", "w") as full:
        said = subprocess.run((*ENTRY, *typed.split()), stdout=full, stderr=subprocess.PIPE, text=True)
    assert said.returncode == 1
    assert said.stderr.splitlines()[0] == "The system refused: No space left on device."
    assert "Traceback" not in said.stderr and "Exception" not in said.stderr


@pytest.mark.parametrize("typed", ["--version", "layout list"])
def test_an_output_that_nobody_reads_is_no_trouble(typed: str) -> None:
    read, write = os.pipe()
    os.close(read)
    with open(write, "w") as pipe:
        said = subprocess.run((*ENTRY, *typed.split()), stdout=pipe, stderr=subprocess.PIPE, text=True)
    assert said.stderr == ""


def test_ctrl_c_while_modules_are_loaded_shows_no_traceback(tmp_path: Path) -> None:
    """At the first module, at some in the middle, and while the first Ctrl-C is told."""
    script = (
        "import sys\n"
        "at, count = sys.argv.pop(1), 0\n"
        "class Stops:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name == at: raise KeyboardInterrupt\n"
        "sys.meta_path.insert(0, Stops())\n"
        "from handhold.cli.entry import main; main()"
    )
    environment = os.environ | {"XDG_CONFIG_HOME": str(tmp_path)}
    for at in ("msgspec", "handhold.cli.main", "handhold.model", "handhold.cli.look", "handhold.config"):
        said = subprocess.run(
            (sys.executable, "-c", script, at, "list"), capture_output=True, text=True, env=environment
        )
        assert said.returncode == 1, at
        assert said.stderr.splitlines()[:2] == [
            "",
            "Stopped. What was already in the archive is as it was.",
        ], at
        assert "Traceback" not in said.stderr and said.stdout == ""


@pytest.mark.parametrize("where", ["", "Layout"], ids=["at the first", "where errors are told"])
def test_ctrl_c_while_a_class_is_made_is_a_ctrl_c(where: str, tmp_path: Path) -> None:
    """Some interpreters make another error of it."""
    script = (
        "import sys, functools\n"
        "def stops(made, owner, name):\n"
        f"    if {where!r} in owner.__name__: raise KeyboardInterrupt\n"
        "functools.cached_property.__set_name__ = stops\n"
        "from handhold.cli.entry import main; main()"
    )
    environment = os.environ | {"XDG_CONFIG_HOME": str(tmp_path), "XDG_STATE_HOME": str(tmp_path)}
    line = (sys.executable, "-c", script, "restore", "latest")
    said = subprocess.run(line, capture_output=True, text=True, env=environment)
    assert said.stderr.splitlines()[:2] == ["", "Stopped. What was already in the archive is as it was."]
    assert said.returncode == 1
    assert "Traceback" not in said.stderr and said.stdout == ""
