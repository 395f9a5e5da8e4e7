"""An archive of many nights, made without a device, for what must stay fast when years have gone by.

```sh
python -m tests.benchmarks.years FOLDER                            # 1,000 nights, 20,000 files, 3 devices
python -m tests.benchmarks.years FOLDER --nights 100 --files 2000  # a smaller one
python -m tests.benchmarks.years FOLDER --time "list" --time "history 'Game 17'"  # and measure on it
```

``FOLDER/archive`` is the archive; one that is there already is used as it is. The nights go round the
devices. On each of them a dozen saves and states are played on; every tenth night some saves are brought
from one device to the next, with the two records that a carry leaves. All comes from a fixed seed.
"""

from __future__ import annotations

import argparse
import random
import shlex
import subprocess
import sys
import time
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from pathlib import Path

from handhold.archive.archive import Archive
from handhold.archive.manifest import VolumeNote
from handhold.archive.storage import LocalStorage
from handhold.archive.writer import Writer
from handhold.model import Entry, HomeKind, Kind, Part, Site, nanoseconds

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
            self._played[device] = [key for key, e in stands.items() if e.part in (Part.SAVES, Part.STATES)]
        for key in self._chance.sample(self._played[device], min(self._scale.changes, len(stands))):
            stands[key] = self._content(writer, stands[key], taken - timedelta(minutes=50))
        self._write(writer, device, Kind.NIGHT, taken, stands)
        if number % 10 == 9 and len(self._stands) > 1:
            self._carry(writer, device, DEVICES[(number + 1) % self._scale.devices], taken)

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
        keys = self._chance.sample(self._played[device], min(4, len(stands)))
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
            volumes=(VolumeNote("card", "exfat"),),
            sites=[Site(name, "main", HomeKind.FOLDER, "card", name.title()) for name in emulators],
            layouts={},
            entries=stands.values(),
            gaps=(),
            safety=safety,
        ).file


def measure(archive: Path, command: str) -> float:
    """Runs one command of handhold on the archive, prints what it took and how much it said; in seconds."""
    begun = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", _RUN, "--archive", str(archive), *shlex.split(command)],
        capture_output=True,
        check=False,
        text=True,
    )
    took = time.perf_counter() - begun
    print(f"{took:7.2f} s  status {done.returncode}  {len(done.stdout.splitlines()):,} lines  {command}")
    if done.returncode:
        print(done.stderr, end="")
    return took


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--nights", type=int, default=1000)
    parser.add_argument("--files", type=int, default=20_000)
    parser.add_argument("--devices", type=int, default=3, choices=range(1, len(DEVICES) + 1))
    parser.add_argument("--changes", type=int, default=12)
    parser.add_argument("--time", action="append", default=[], metavar="COMMAND")
    given = parser.parse_args()
    archive: Path = given.folder / "archive"
    if not archive.exists():
        archive.parent.mkdir(parents=True, exist_ok=True)
        begun = time.perf_counter()
        build(archive, Scale(given.nights, given.files, given.devices, given.changes))
        print(f"built in {time.perf_counter() - begun:.0f} s")
    for command in given.time:
        measure(archive, command)


if __name__ == "__main__":
    main()
