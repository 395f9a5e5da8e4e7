"""A small handheld of our own and the real command line over it, for tests of the whole."""

from __future__ import annotations

import io
import json
import os
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

from handhold.cli.main import run

ZONE = timezone(timedelta(hours=2))

TINPLATE = """\
layout: 1
id: tinplate
title: Tinplate
homes:
  - {name: main, kind: folder, at: ["internal:Tinplate"]}
keep:
  - {part: controls, path: "config/pads/**"}
  - {part: settings, path: "config/**"}
  - {part: saves, path: "saves/{game}.sav"}
  - {part: states, path: "states/{game}.st{slot}"}
skip:
  - {path: "shaders/**", why: "rebuilt when a game starts"}
by_hand:
  before: ["Install Tinplate, start it once, then close it."]
  after: ["Point Tinplate at the games folder.", "Map the buttons."]
"""

LANTERN = """\
layout: 1
id: lantern
title: Lantern
homes:
  - {name: cards, kind: folder, at: ["card:Lantern"]}
keep:
  - {part: saves, path: "memory/{game}.mcr"}
"""


@dataclass
class Said:
    """What one command answered."""

    status: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        return json.loads(self.out)

    @property
    def text(self) -> str:
        return self.out + self.err


class World:
    """Two volumes, two emulators, a config, and a clock that the test moves."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.internal = folder / "internal"
        self.card = folder / "card"
        self.archive = folder / "safe" / "archive"
        self.config = folder / "config" / "config.yaml"
        self.layouts = folder / "layouts"
        self.time = datetime(2026, 3, 1, 22, 0, 0, tzinfo=ZONE)
        for path in (self.internal, self.card, self.archive.parent, self.layouts):
            path.mkdir(parents=True)
        (self.layouts / "tinplate.yaml").write_text(TINPLATE)
        (self.layouts / "lantern.yaml").write_text(LANTERN)

    def clock(self) -> datetime:
        self.time += timedelta(seconds=1)
        return self.time

    def next_evening(self, days: int = 1) -> None:
        self.time += timedelta(days=days)

    def write(self, path: Path, data: bytes | str, minutes_ago: float = 60) -> Path:
        """Writes a file whose modification time is so long before the test's clock."""
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data.encode() if isinstance(data, str) else data)
        moment = (self.time - timedelta(minutes=minutes_ago)).timestamp()
        os.utime(path, (moment, moment))
        return path

    def furnish(self) -> None:
        """Some evenings' worth of files."""
        self._furnish('Ärger & "Ruhm"')

    def furnish_portable(self, *, ascii_only: bool = False) -> None:
        """The same with names that every card can hold."""
        self._furnish(*(("Storm & Glory", "Lighthouse") if ascii_only else ("Ärger & Ruhm",)))

    def _furnish(self, second: str, third: str = "灯台") -> None:
        self.write(self.internal / "Tinplate/saves/Mole Hollow.sav", b"mole hollow, chapter 1" * 40)
        self.write(self.internal / f"Tinplate/saves/{second}.sav", b"arger" * 100)
        self.write(self.internal / "Tinplate/states/Mole Hollow.st1", b"\x01state" * 900)
        self.write(self.internal / "Tinplate/config/main.ini", "games=/internal/Games\n")
        self.write(self.internal / "Tinplate/config/pads/pad.ini", "a=1\nb=2\n")
        self.write(self.internal / "Tinplate/shaders/cache.bin", b"rebuilt" * 50)
        self.write(self.card / f"Lantern/memory/{third}.mcr", b"lighthouse" * 800)
        self.write(self.card / "Music/song.ogg", b"not ours")

    def run(self, *arguments: str) -> Said:
        """Runs the command line as it is, with nobody at the keyboard."""
        out, err = io.StringIO(), io.StringIO()
        with redirect_stdout(out), redirect_stderr(err):
            status = run(
                ["--config", str(self.config), "--layouts", str(self.layouts), *arguments], self.clock
            )
        return Said(status, out.getvalue(), err.getvalue())

    def bare(self, *arguments: str) -> Said:
        """Runs it with just these arguments."""
        out, err = io.StringIO(), io.StringIO()
        with redirect_stdout(out), redirect_stderr(err):
            status = run(list(arguments), self.clock)
        return Said(status, out.getvalue(), err.getvalue())

    def setup(self, device: str = "plover", *options: str) -> Said:
        return self.run(
            "--device", device, "--volume", f"internal={self.internal}", "--volume", f"card={self.card}",
            "--archive", str(self.archive), "setup", *options,
        )  # fmt: skip
