"""An archive of many nights, made without a device, for what must stay fast when years have gone by.

```sh
python -m tests.benchmarks.years FOLDER                            # 1,000 nights, 20,000 files, 3 devices
python -m tests.benchmarks.years FOLDER --nights 100 --files 2000  # a smaller one
python -m tests.benchmarks.years FOLDER --only "list" --only "history 'Game 17'"   # these commands
```

``FOLDER/archive`` is the archive; one that is there already is used as it is. The nights go round the
devices. On each of them a dozen saves and states are played on, most of them of the games that are played
on this device, and some of any other, so that there are forks; every twentieth night a save is gone. Every
tenth night some saves are brought from one device to the next, with the two records that a carry leaves. All
comes from a fixed seed.
"""

from __future__ import annotations

import argparse
import os
import random
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import NamedTuple

from handhold.archive.archive import Archive
from handhold.archive.head import VolumeNote
from handhold.archive.storage import LocalStorage
from handhold.archive.writer import Writer
from handhold.device.volumes import traits_of
from handhold.model import Entry, HomeKind, Kind, Part, Site, nanoseconds
from tests.benchmarks.handheld import furnish, play

ZONE = timezone(timedelta(hours=1))
FIRST = datetime(2023, 1, 2, 22, 30, tzinfo=ZONE)
DEVICES = ("heron", "marten", "pebble", "wren", "lark")
EMULATORS = ("birchbark", "copperline", "lantern", "millpond", "tinplate")
_RUN = "from handhold.cli.entry import main; main()"


@dataclass(frozen=True, slots=True)
class Scale:
    """How much. ``files`` are those of each device; ``changes`` are played on each night."""

    nights: int = 1000
    files: int = 20_000
    devices: int = 3
    changes: int = 12
    filesystem: str = "exfat"  # that of the devices' cards


def build(folder: Path, scale: Scale) -> Archive:
    """Makes the archive in ``folder``, which is new or empty."""
    archive = Archive.create(LocalStorage(str(folder)), lambda: FIRST)
    made = _Years(archive, scale)
    with archive.locked("years"), archive.writer() as writer:
        for night in range(scale.nights):
            made.night(writer, night)
    return archive


class _Years:
    def __init__(self, archive: Archive, scale: Scale) -> None:
        self._scale = scale
        self._chance = random.Random(20260301)
        self._stands: dict[str, dict[tuple[str, str], Entry]] = {}
        self._played: dict[str, list[tuple[str, str]]] = {}

    def night(self, writer: Writer, number: int) -> None:
        """One night of the device whose turn it is."""
        device = DEVICES[number % self._scale.devices]
        taken = FIRST + timedelta(days=number)
        stands = self._stands.get(device)
        if stands is None:
            # all begin with the same files, as after a move
            first = next(iter(self._stands.values()), None)
            stands = self._stands[device] = dict(first) if first else self._furnish(writer, taken)
            every = [key for key, e in stands.items() if e.part in (Part.SAVES, Part.STATES)]
            turn = number % self._scale.devices
            self._played[device] = [
                key for at, key in enumerate(every) if at // 2 % self._scale.devices == turn or at % 100 < 2
            ]
        self._play(writer, number, self._played[device], stands, taken - timedelta(minutes=50))
        self._write(writer, device, Kind.NIGHT, taken, stands)
        if number % 10 == 9 and len(self._stands) > 1:
            self._carry(writer, device, DEVICES[(number + 1) % self._scale.devices], taken)

    def _play(
        self,
        writer: Writer,
        number: int,
        played: list[tuple[str, str]],
        stands: dict[tuple[str, str], Entry],
        when: datetime,
    ) -> None:
        for key in self._chance.sample(played, min(self._scale.changes, len(played))):
            stands[key] = self._content(writer, stands[key], when)
        if number % 20 == 19 and len(played) > 20:
            del stands[played.pop(self._chance.randrange(len(played)))]

    def _furnish(self, writer: Writer, taken: datetime) -> dict[tuple[str, str], Entry]:
        files = {}
        for number in range(self._scale.files):
            emulator = EMULATORS[number % len(EMULATORS)]
            game = f"Game {number // 4}"
            if number % 4 == 0:
                part, path = Part.SAVES, f"saves/{game}.sav"
            elif number % 4 == 1:
                part, path = Part.STATES, f"states/{game}.st1"
            else:
                part, path = Part.TEXTURES, f"textures/{game}/sheet {number % 4}.tex"
            blank = Entry(emulator, part, "main", path, 0, 0, "", game)
            files[emulator, path] = self._content(writer, blank, taken - timedelta(days=number % 900 + 1))
        return files

    def _content(self, writer: Writer, entry: Entry, written: datetime) -> Entry:
        data = self._chance.randbytes(self._chance.randrange(200, 600))
        return Entry(
            entry.emulator, entry.part, entry.home, entry.path, len(data), nanoseconds(written),
            writer.put_plain(data), entry.game,
        )  # fmt: skip

    def _carry(self, writer: Writer, source: str, device: str, taken: datetime) -> None:
        """Brings a few saves to the next device, as ``carry`` records it."""
        stands = self._stands.get(device)
        if stands is None:
            return
        both = [key for key in self._played[source] if key in stands]
        keys = self._chance.sample(both, min(4, len(both)))
        replaced = {key: stands[key] for key in keys}
        safety = self._write(writer, device, Kind.SAFETY, taken + timedelta(hours=1), replaced)
        written = {key: self._stands[source][key] for key in keys}
        stands.update(written)
        self._write(writer, device, Kind.RESTORED, taken + timedelta(hours=1, minutes=1), written, safety)

    def _write(
        self,
        writer: Writer,
        device: str,
        kind: Kind,
        taken: datetime,
        stands: dict[tuple[str, str], Entry],
        safety: str | None = None,
    ) -> str:
        emulators = sorted({emulator for emulator, _ in stands})
        return writer.finish(
            device=device,
            kind=kind,
            taken=taken,
            volumes=(VolumeNote("card", self._scale.filesystem),),
            sites=[Site(name, "main", HomeKind.FOLDER, "card", name.title()) for name in emulators],
            layouts={},
            entries=stands.values(),
            gaps=(),
            safety=safety,
        ).file


class Cost(NamedTuple):
    """What one run of a command took."""

    seconds: float
    processor: float  # seconds
    memory: int  # bytes at the most
    status: int
    said: str


def measure(arguments: Sequence[str], state: Path) -> Cost:
    """Runs one command of handhold; ``state`` is its XDG state folder."""
    begun = time.perf_counter()
    with tempfile.TemporaryFile("w+") as said:
        process = subprocess.Popen(
            [sys.executable, "-c", _RUN, *arguments],
            stdout=said,
            stderr=said,
            env={**os.environ, "XDG_STATE_HOME": str(state)},
        )
        _, status, usage = os.wait4(process.pid, 0)
        took = time.perf_counter() - begun
        process.returncode = os.waitstatus_to_exitcode(status)
        said.seek(0)
        return Cost(
            took, usage.ru_utime + usage.ru_stime, usage.ru_maxrss * 1024, process.returncode, said.read()
        )


#: What is measured; ``{card}``, ``{backup}`` and ``{new}`` (a folder that is empty each time) are filled in.
COMMANDS = (
    "list",
    "list --last",
    "show latest",
    "history",
    "history 'Game 17'",
    "changes",
    "changes heron.2023-05-05 latest",
    "thin --nights 14 --weeks 8 --months 24 --dry-run",
    "restore latest --game 'Game 17' --to card={card} --dry-run",
    "carry --dry-run",
    "snapshot --nightly",
    "adopt {backup} --dry-run",
    "export latest {new}/all.tar",
    "mirror {new}",
)


def table(folder: Path, archive: Archive, commands: Sequence[str], rounds: int) -> list[tuple[str, Cost]]:
    """Measures the commands on the device of the last night; of each the run with the median of the time."""
    device = archive.nights()[-1].device
    at_hand = furnish(archive, device, folder)
    backup = folder / "old" / "backup 2022-05-06"
    if not backup.exists():
        shutil.copytree(at_hand.card, backup)
    found = []
    for command in commands:
        runs = []
        for turn in range(rounds):
            if command.startswith("snapshot"):
                play(at_hand, turn)
            with tempfile.TemporaryDirectory(dir=folder) as new:
                filled = [
                    each.format(card=at_hand.card, backup=backup, new=new) for each in shlex.split(command)
                ]
                runs.append(measure(["--config", str(at_hand.config), *filled], folder / "state"))
        found.append((command, sorted(runs)[rounds // 2]))
        print(_row(*found[-1]), flush=True)
    return found


def _row(command: str, cost: Cost) -> str:
    return (
        f"| `{command}` | {cost.seconds:.2f} | {cost.processor:.2f} | "
        f"{cost.memory / 1e6:.0f} | {cost.status} |"
    )


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--nights", type=int, default=1000)
    parser.add_argument("--files", type=int, default=20_000)
    parser.add_argument("--devices", type=int, default=3, choices=range(1, len(DEVICES) + 1))
    parser.add_argument("--changes", type=int, default=12)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--only", action="append", default=[], metavar="COMMAND", help="repeat")
    given = parser.parse_args()
    folder: Path = given.folder.absolute()
    place = LocalStorage(str(folder / "archive"))
    if (folder / "archive").exists():
        archive = Archive.open(place)
    else:
        folder.mkdir(parents=True, exist_ok=True)
        begun = time.perf_counter()
        scale = Scale(
            given.nights, given.files, given.devices, given.changes, traits_of(str(folder)).filesystem
        )
        archive = build(folder / "archive", scale)
        print(f"built in {time.perf_counter() - begun:.0f} s")
    print("| command | seconds | processor | MB | status |")
    print("| --- | ---: | ---: | ---: | ---: |")
    table(folder, archive, given.only or COMMANDS, given.rounds)


if __name__ == "__main__":
    main()
