"""``demo``: builds the example scenario and goes through the whole job in it, with the real commands."""

from __future__ import annotations

import os
import shlex
import shutil
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from handhold.cli.line import App, Argument, Context
from handhold.cli.session import Session
from handhold.errors import Exit, OwnerError
from handhold.resources import examples_folder

if TYPE_CHECKING:
    from handhold.cli.console import Console
    from handhold.demo.build import BuiltDevice


def join(app: App) -> None:
    """Adds the command."""
    app.command()(demo)


def demo(
    context: Context,
    folder: Annotated[Path, Argument(help="A folder that is new or empty.")],
) -> None:
    """Builds an example with two handhelds in a folder. Goes through the whole job in it."""
    from handhold.demo.build import build, lose_save, play_evening, second_device

    session: Session = context.obj
    built = build(str(folder))
    tour = _Tour(session.console, Path(built.folder))
    say = session.console.say
    device = built.device
    say(f"In {built.folder} lies {device.name}, {device.about}, with {len(device.files)} files.")
    for note in built.notes:
        say(note)

    tour.title("Set up: an archive on a card of its own")
    tour.turn_on(device, built.scenario.built + timedelta(hours=1))
    tour.run("setup", "--yes")
    tour.title("What is on it?")
    tour.run("survey", expect=(Exit.DONE, Exit.NOT_EVERYTHING))

    tour.title("The first night")
    tour.run("snapshot", expect=(Exit.DONE, Exit.NOT_EVERYTHING))
    for number in range(1, len(built.scenario.evenings) + 1):
        evening = play_evening(built, number)
        tour.title(evening.told)
        tour.clock_at(evening.at + timedelta(hours=2))
        tour.run("snapshot", expect=(Exit.DONE, Exit.NOT_EVERYTHING))
    tour.title("Is everything whole?")
    tour.run("list")
    tour.run("verify", "--deep")

    lost = lose_save(built)
    tour.title(lost.told)
    tour.clock_at(lost.at + timedelta(hours=1))
    wanted = ("--emulator", lost.file.emulator or "", "--game", lost.file.game or "")
    tour.run("history", *wanted, "--part", "saves")
    tour.run("restore", "latest", *wanted, "--dry-run")
    tour.run("restore", "latest", *wanted, "--yes")
    if not os.path.exists(lost.file.place):
        raise OwnerError(f"The lost save did not come back: {lost.file.place}.")

    second = second_device(built)
    tour.title(second.told)
    for note in second.notes:
        say(note)
    with open(second.ahead.place, "rb") as file:
        ahead = file.read()
    tour.turn_on(second.device, second.at + timedelta(hours=1))
    tour.run("setup", "--yes")
    tour.run("restore", device.name, "--yes", expect=(Exit.DONE, Exit.NOT_EVERYTHING))
    with open(second.ahead.place, "rb") as file:
        if file.read() != ahead:
            raise OwnerError(f"Newer progress was overwritten: {second.ahead.place}.")
    say(f"\nThe newer progress of {second.ahead.game} on {second.device.name} is still there.")

    tour.title("The archive, once more")
    tour.run("verify", "--deep")
    say(f"\nAll of it lies in {built.folder}: look around, and delete it when you like.")
    say("To try a command on it:")
    config = shlex.quote(os.path.join(built.folder, f"{device.name}.yaml"))
    say(f"  handhold --config {config} list --last")


class _Tour:
    """Runs the real command line on the example, with the example's own time of day."""

    def __init__(self, console: Console, folder: Path) -> None:
        self._console = console
        self._folder = folder
        self._options: tuple[str, ...] = ()
        self._setup: tuple[str, ...] = ()
        self._time = datetime.fromtimestamp(0).astimezone()
        (folder / "safe-card").mkdir(exist_ok=True)
        shutil.copytree(examples_folder() / "layouts", folder / "layouts")  # beside the configs, for both

    def turn_on(self, device: BuiltDevice, time: datetime) -> None:
        """From now on the commands run on this device."""
        self._options = ("--config", str(self._folder / f"{device.name}.yaml"))
        volumes = [piece for name, path in device.volumes.items() for piece in ("--volume", f"{name}={path}")]
        archive = str(self._folder / "safe-card" / "handhold")
        self._setup = ("--device", device.name, *volumes, "--archive", archive)
        self.clock_at(time)

    def clock_at(self, time: datetime) -> None:
        """Sets the time of day; every look at the clock takes a second."""
        self._time = time

    def title(self, text: str) -> None:
        """What comes next."""
        self._console.say(f"\n--- {text}")

    def run(self, command: str, *arguments: str, expect: tuple[Exit, ...] = (Exit.DONE,)) -> None:
        """Runs one command as an owner would type it, and shows it."""
        from handhold.cli.main import run

        before = self._setup if command == "setup" else ()
        shown = " ".join(f'"{a}"' if " " in a else a for a in (*before, command, *arguments))
        self._console.say(f"\n$ handhold {shown}")
        self._console.out.flush()
        status = run((*self._options, *before, command, *arguments), self._clock)
        if status not in expect:
            raise OwnerError(f"The demo stopped: handhold {command} ended with status {status}.")

    def _clock(self) -> datetime:
        self._time += timedelta(seconds=1)
        return self._time
