"""A handheld whose emulator exports everything to zips, for the tests of this room."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from handhold.archive.head import Snapshot
from handhold.layouts.catalogue import read_catalogue
from handhold.layouts.layout import Layout
from handhold.model import Entry
from handhold.restore.apply import Applied, apply
from handhold.restore.prepare import Prepared, prepare
from handhold.restore.select import Selection
from handhold.snapshot import Options, Result, take
from tests.exports.writers import Members, Writer, python
from tests.restore.world import World as Handhelds
from tests.restore.world import nanoseconds

HATBOX = """\
layout: 1
id: hatbox
title: Hatbox
like: zip-export
homes:
  - {name: export, at: ["*:Exports/Hatbox"]}
"""


def hatbox(more: str = "") -> Layout:
    """The layout of an emulator that exports to zips, with more lines if need be."""
    with TemporaryDirectory() as folder:
        Path(folder, "hatbox.yaml").write_text(HATBOX + more, "utf-8")
        return read_catalogue([Path(folder)]).layouts["hatbox"]


class World(Handhelds):
    """One archive, and a handheld ``marten`` with exports on its card."""

    def __init__(self, root: Path, layout: Layout | None = None) -> None:
        root.mkdir(exist_ok=True)
        super().__init__(root, [layout or hatbox()])
        self.exports().mkdir(parents=True)

    def exports(self, name: str = "marten") -> Path:
        return self.card(name) / "Exports/Hatbox"

    def export(
        self,
        members: Members,
        name: str = "hatbox nightly.zip",
        write: Writer = python,
        when: datetime | None = None,
    ) -> Path:
        """The emulator exports: every member gets the time of the export."""
        path = self.exports() / name
        path.unlink(missing_ok=True)
        write(path, members, when or self.now)
        return self.stamped(path, when)

    def file(self, data: bytes | bytearray, name: str = "hatbox nightly.zip") -> Path:
        """A file among the exports."""
        path = self.exports() / name
        path.write_bytes(data)
        return self.stamped(path)

    def stamped(self, path: Path, when: datetime | None = None) -> Path:
        stamp = nanoseconds(when or self.now)
        os.utime(path, ns=(stamp, stamp))
        return path

    def take(self, **options: object) -> Result:
        self.later(hours=1)
        made = Options(**options)  # type: ignore[arg-type]
        result = take(self.archive, self.device("marten"), list(self.layouts.values()), made, self.clock)
        assert not result.gaps
        return result

    def kept(self, snapshot: Snapshot) -> dict[str, Entry]:
        """The entries of a snapshot by path."""
        return {entry.path: entry for entry in self.entries(snapshot)}

    def back(self, entry: Entry) -> bytes:
        """The bytes of an entry, as the archive gives them back."""
        return b"".join(self.archive.content(entry))

    def planned(self, snapshot: Snapshot, selection: Selection, unpack: bool = False) -> Prepared:
        self.later(minutes=5)
        return prepare(
            self.archive,
            self.device("marten"),
            self.layouts,
            snapshot,
            clock=self.clock,
            selection=selection,
            unpack=unpack,
        )

    def brought(self, snapshot: Snapshot, selection: Selection, unpack: bool = False) -> Applied:
        prepared = self.planned(snapshot, selection, unpack)
        return apply(self.archive, self.device("marten"), prepared.plan, clock=self.clock, made=prepared.made)
