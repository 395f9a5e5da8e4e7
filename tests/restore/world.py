"""A small invented world for the tests of this room: handhelds, an archive, a clock that is told the time."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot
from handhold.archive.storage import LocalStorage
from handhold.device.volumes import open_device
from handhold.layouts.layout import Layout
from handhold.model import NS, Device, Entry, Kind
from handhold.restore.apply import Applied, apply
from handhold.restore.carry import Carry, carry, prepare_carry
from handhold.restore.prepare import Prepared, prepare
from handhold.restore.select import Selection
from handhold.restore.steps import OnNewer, Step
from handhold.restore.targets import Elsewhere
from handhold.restore.undo import Undo, prepare_undo, undo
from handhold.snapshot import Options, take
from tests.device.trees import layout

TINPLATE = layout(
    "tinplate",
    {"main": ("*:Tinplate", "*:Emulation/Tinplate")},
    "saves: saves/{game}.sav",
    "states: states/{game}.st{slot}",
    "controls: config/pads/**",
    "settings: config/**",
    "textures: textures/**",
)
EVENING = datetime(2026, 11, 24, 21, 30, tzinfo=UTC)


def nanoseconds(time: datetime) -> int:
    return int(time.timestamp()) * NS


class World:
    """One archive and any number of handhelds, each with one volume ``card``."""

    def __init__(self, root: Path, layouts: Sequence[Layout] = (TINPLATE,)) -> None:
        self.root = root
        self.now = EVENING
        self.layouts = {one.id: one for one in layouts}
        self.archive = Archive.create(LocalStorage(str(root / "archive")), self.clock)
        self.cards: dict[str, Path] = {}

    @classmethod
    def at(cls, root: Path, now: datetime) -> World:
        """The world that lies in a folder already."""
        world = cls.__new__(cls)
        world.root, world.now, world.cards = root, now, {}
        world.layouts = {TINPLATE.id: TINPLATE}
        world.reopened()
        return world

    def clock(self) -> datetime:
        return self.now

    def later(self, **span: float) -> None:
        self.now += timedelta(**span)

    def reopened(self) -> Archive:
        self.archive = Archive.open(LocalStorage(str(self.root / "archive")))
        return self.archive

    def card(self, name: str, path: Path | None = None) -> Path:
        """The card of a handheld, with the emulator's folder on it."""
        if name not in self.cards:
            self.cards[name] = path or self.root / name
            (self.cards[name] / "Tinplate").mkdir(parents=True, exist_ok=True)
        return self.cards[name]

    def device(self, name: str) -> Device:
        return open_device(name, {"card": str(self.card(name))})

    def put(self, name: str, path: str, content: bytes | str, when: datetime | None = None) -> Path:
        """Writes a file in the emulator's folder, as a player's evening does."""
        file = self.card(name) / "Tinplate" / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content if isinstance(content, bytes) else content.encode())
        stamp = nanoseconds(when or self.now)
        os.utime(file, ns=(stamp, stamp))
        return file

    def read(self, name: str, path: str) -> str:
        return (self.card(name) / "Tinplate" / path).read_text()

    def night(self, name: str) -> Snapshot:
        self.later(hours=1)
        result = take(
            self.archive, self.device(name), list(self.layouts.values()), Options(reread=True), self.clock
        )
        assert not result.gaps
        return result.snapshot

    def prepare(
        self,
        name: str,
        snapshot: Snapshot,
        *,
        selection: Selection | None = None,
        elsewhere: Elsewhere | None = None,
        on_newer: OnNewer = OnNewer.KEEP,
        layouts: Mapping[str, Layout] | None = None,
    ) -> Prepared:
        return prepare(
            self.archive,
            self.device(name),
            self.layouts if layouts is None else layouts,
            snapshot,
            clock=self.clock,
            selection=selection,
            elsewhere=elsewhere,
            on_newer=on_newer,
        )

    def restore(
        self,
        name: str,
        snapshot: Snapshot,
        *,
        selection: Selection | None = None,
        elsewhere: Elsewhere | None = None,
        on_newer: OnNewer = OnNewer.KEEP,
        prepared: Prepared | None = None,
    ) -> Applied:
        self.later(minutes=5)
        if prepared is None:
            prepared = self.prepare(
                name, snapshot, selection=selection, elsewhere=elsewhere, on_newer=on_newer
            )
        return apply(self.archive, self.device(name), prepared.plan, clock=self.clock)

    def prepare_carry(
        self, name: str, *, take: str | None = None, selection: Selection | None = None
    ) -> Carry:
        return prepare_carry(
            self.archive, self.device(name), self.layouts, clock=self.clock, take=take, selection=selection
        )

    def carry(
        self,
        name: str,
        *,
        take: str | None = None,
        selection: Selection | None = None,
        prepared: Carry | None = None,
    ) -> Applied:
        self.later(minutes=5)
        if prepared is None:
            prepared = self.prepare_carry(name, take=take, selection=selection)
        return carry(self.archive, self.device(name), prepared, clock=self.clock)

    def undo(self, name: str, prepared: Undo | None = None) -> Applied:
        self.later(minutes=5)
        device = self.device(name)
        if prepared is None:
            prepared = prepare_undo(self.archive, device, clock=self.clock)
        return undo(self.archive, device, prepared, clock=self.clock)

    def holds(self, content: bytes) -> bool:
        """Whether the archive gives this very content back: named by a manifest, not only a loose block."""
        digest = hashlib.sha256(content).hexdigest()
        for snapshot in self.archive.snapshots():
            if snapshot.kind is Kind.RESTORED:
                continue
            for entry in self.archive.entries(self.archive.read(snapshot)):
                if entry.sha256 == digest:
                    return b"".join(self.archive.content(entry)) == content
        return False

    def entries(self, snapshot: Snapshot) -> list[Entry]:
        return list(self.archive.entries(self.archive.read(snapshot)))


def tree(root: Path) -> dict[str, bytes]:
    """Every file below a folder with its bytes."""
    return {str(p.relative_to(root)): p.read_bytes() for p in sorted(root.rglob("*")) if p.is_file()}


def decisions(steps: Sequence[Step]) -> dict[str, str]:
    """Path in the home -> decision."""
    return {step.entry.path: step.decision.value for step in steps}
