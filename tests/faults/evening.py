"""A handheld whose saves are about to be put back, and what must hold of it whatever happens meanwhile."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

from handhold.archive.standing import BEGUN
from handhold.device.temporary import is_temporary
from handhold.model import Kind, Part
from handhold.restore.select import Selection
from handhold.restore.steps import OnNewer
from tests.device.trees import layout
from tests.faults.survival import Known, check_tidy, check_whole
from tests.restore.world import World, tree

DEVICE = "pebble"
OTHER = "lantern"
WRITTEN_LAYOUT = """\
layout: 1
id: tinplate
title: Tinplate
homes:
  - {name: main, kind: folder, at: ["*:Tinplate"]}
keep:
  - {part: saves, path: "saves/**"}
  - {part: states, path: "states/**"}
"""
LAYOUT = layout("tinplate", {"main": "*:Tinplate"}, "saves: saves/**", "states: states/**")
#: What stands on the card; the last one is larger than a sector.
OLD = {
    "Tinplate/saves/A.sav": b"A two",
    "Tinplate/saves/B.sav": b"B two",
    "Tinplate/states/A.st0": b"state two" * 200,
}
#: What the night before holds.
NEW = {
    "Tinplate/saves/A.sav": b"A one",
    "Tinplate/saves/B.sav": b"B one",
    "Tinplate/saves/deep/C.sav": b"C one",
    "Tinplate/states/A.st0": b"state one" * 150,
}
Files = Mapping[str, bytes]


def many(files: Files) -> dict[str, bytes]:
    """The same with so many more files that they are flushed all at once."""
    return {
        **files,
        **{f"Tinplate/saves/more {n}.sav": f"more {n} {files is NEW}".encode() for n in range(9)},
    }


class Evening:
    """``archive`` and the card of ``pebble`` in a folder, with ``old`` on the card and ``new`` in a night."""

    def __init__(self, world: World, old: Files, new: Files) -> None:
        self.world = world
        self.old, self.new = old, new
        world.layouts = {LAYOUT.id: LAYOUT}

    @classmethod
    def made(cls, root: Path, old: Files = OLD, new: Files = NEW) -> Evening:
        """A new one."""
        root.mkdir()
        world = World(root)
        world.now = datetime.now(UTC) - timedelta(days=1)  # the program as it is goes by the real time
        evening = cls(world, old, new)
        evening.put(new)
        evening.world.night(DEVICE)
        shutil.rmtree(evening.card / "Tinplate")
        evening.put(old)
        return evening

    @classmethod
    def of_two(cls, root: Path, old: Files = OLD, new: Files = NEW) -> Evening:
        """The same, with ``new`` on another handheld that played on from ``old``."""
        root.mkdir()
        world = World(root)
        world.now = datetime.now(UTC) - timedelta(days=1)
        evening = cls(world, old, new)
        evening.put(old)
        for name, files in ((DEVICE, old), (OTHER, old), (OTHER, new)):
            for path, content in files.items():
                world.put(name, path.removeprefix("Tinplate/"), content)
            world.night(name)
        return evening

    def at(self, root: Path) -> Evening:
        """The same evening as it stands in another folder."""
        return Evening(World.at(root, self.world.now), self.old, self.new)

    def copied(self, root: Path) -> Evening:
        """A copy of it."""
        shutil.copytree(self.world.root, root)
        return self.at(root)

    def put(self, files: Files) -> None:
        for path, content in files.items():
            self.world.put(DEVICE, path.removeprefix("Tinplate/"), content)

    @property
    def card(self) -> Path:
        return self.world.card(DEVICE)

    @property
    def archive(self) -> Path:
        return self.world.root / "archive"

    @property
    def folders(self) -> dict[str, Path]:
        return {"archive": self.archive, DEVICE: self.card}

    @property
    def records(self) -> list[str]:
        """The notes of what restores have recorded."""
        return [one.note for one in self.world.reopened().snapshots() if one.kind is Kind.RESTORED]

    def restore(self) -> int:
        """Puts the night back over what stands there."""
        self.world.reopened()
        done = self.world.restore(DEVICE, self.world.archive.find(DEVICE), on_newer=OnNewer.REPLACE)
        return 3 if done.failed else 0

    def carry(self) -> int:
        """Brings the newest of another handheld."""
        self.world.reopened()
        parts = Selection(parts=(Part.SAVES, Part.STATES))
        return 3 if self.world.carry(DEVICE, selection=parts).failed else 0

    def undo(self) -> int:
        """Takes that back."""
        self.world.reopened()
        return 3 if self.world.undo(DEVICE).failed else 0

    def program(self, *arguments: str, device: str = DEVICE) -> list[str]:
        """The real program, as its own process runs it, on this handheld (by another name, if so asked)."""
        layouts, config = self.world.root / "layouts", self.world.root / "config.yaml"
        if not layouts.exists():
            layouts.mkdir()
            (layouts / "tinplate.yaml").write_text(WRITTEN_LAYOUT)
            config.write_text(f"config: 1\ndevice: {DEVICE}\n")
        return [
            sys.executable, "-c", "from handhold.cli.entry import main; main()",
            "--config", str(config), "--archive", str(self.archive), "--device", device,
            "--volume", f"card={self.card}", "--layouts", str(layouts), *arguments,
        ]  # fmt: skip

    def check(self, before: Known, after: Known | None, *, rename_is_one_step: bool = True) -> None:
        """Asserts that nothing is lost: each file is the old or the new one, and the archive is whole.

        Where a rename can be torn, a file may be at neither of its names; then the archive holds both.
        """
        check_whole(self.archive, before, after)
        self.world.reopened()
        card = {path: data for path, data in tree(self.card).items() if not is_temporary(Path(path).name)}
        assert set(card) <= {*self.old, *self.new}, card
        for path in {*self.old, *self.new}:
            old, new, now = self.old.get(path), self.new.get(path), card.get(path)
            assert now in (old, new) or (now is None and not rename_is_one_step), f"{path}: {now!r}"
            for content in (old, new):
                assert content is None or now == content or self.world.holds(content), f"{path} is lost"

    def finish(self, again: Callable[[Evening], int]) -> None:
        """The same again ends as if nothing had happened; nothing is left to clear away."""
        assert again(self) == 0
        assert tree(self.card) == self.new
        self._tidy()

    def take_back(self) -> None:
        """Undo of what was cut off gives back what stood there; it was cut off after its first record."""
        assert self.undo() == 0
        assert tree(self.card) == self.old
        self._tidy()

    def go_on_with_undo(self, before: int) -> None:
        """Undo after an undo that was cut off, with so many records before that one, goes on with it."""
        records = self.records
        through = len(records) > before and records[-1] != BEGUN
        assert self.undo() == 0
        # One that had come to its end is itself taken back.
        assert tree(self.card) == (self.new if through else self.old)
        self._tidy()

    def _tidy(self) -> None:
        self.world.night(DEVICE)
        check_tidy(self.archive)
