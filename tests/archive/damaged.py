"""An archive held in memory that can be hurt in every way, and what can truly be had from it afterwards."""

from __future__ import annotations

import io
import os
import random
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import timedelta

import pytest
from msgspec import structs

from handhold.archive import archive as archives
from handhold.archive import zipcut
from handhold.archive.archive import Archive
from handhold.archive.pages import begins_page
from handhold.archive.recipe import Range
from handhold.archive.storage import Item, LocalStorage, Pending
from handhold.archive.verify import Report
from handhold.archive.writer import Writer
from handhold.errors import Damaged, NotNow, OwnerError
from handhold.model import Entry, Gap, Kind
from tests.archive.fixtures import EVENING, again, entry, files, finish, make


@dataclass
class Memory:
    """A storage for reading: files, empty folders, ranges that the medium cannot read any more."""

    files: dict[str, bytes]
    folders: set[str] = field(default_factory=set)
    dead: dict[str, tuple[int, int]] = field(default_factory=dict)
    dead_folders: set[str] = field(default_factory=set)
    reads: list[tuple[str, int]] = field(default_factory=list)
    out_after: int | None = None  # the card is taken out after so many reads
    failed: int = 0  # reads that met what is dead
    where: str = "memory"

    def list(self, folder: str) -> list[Item]:
        if folder in self.dead_folders:
            raise Damaged(f"{folder} cannot be read or written: the medium reports an error.")
        if folder in self.files:
            raise NotADirectoryError(folder)
        begin = f"{folder}/" if folder else ""
        found: dict[str, Item] = {}
        for name, data in self.files.items():
            if name.startswith(begin):
                first, slash, _ = name[len(begin) :].partition("/")
                found[first] = Item(first, 0 if slash else len(data), bool(slash))
        for name in self.folders:
            if name.startswith(begin) and name != folder:
                first = name[len(begin) :].partition("/")[0]
                found[first] = Item(first, 0, True)
        if folder and not found and folder not in self.folders:
            raise FileNotFoundError(folder)
        return list(found.values())

    def size(self, name: str) -> int:
        if name not in self.files:
            raise FileNotFoundError(name)
        return len(self.files[name])

    def read(self, name: str, offset: int, length: int) -> bytes:
        if self.out_after is not None and len(self.reads) >= self.out_after:
            raise NotNow("memory is gone.")
        self.reads.append((name, length))
        if name in self.folders:
            raise OwnerError(f"{name}: is no ordinary file.")
        if name not in self.files:
            raise FileNotFoundError(name)
        begin, end = self.dead.get(name, (0, 0))
        if offset < end and begin < offset + length:
            self.failed += 1
            raise Damaged(f"{name} cannot be read or written: the medium reports an error.")
        return self.files[name][offset : offset + length]

    def make(self) -> None:
        raise NotImplementedError

    def begin(self, folder: str) -> Pending:
        raise NotImplementedError  # nothing that is tested here writes

    def delete(self, name: str) -> None:
        raise NotImplementedError

    def free(self) -> int:
        raise NotImplementedError

    def hold(self, purpose: str) -> AbstractContextManager[str]:
        raise NotImplementedError


@dataclass
class World:
    """A sound archive's files, and what was put into it."""

    files: dict[str, bytes]
    #: snapshot's name -> path -> content
    saves: dict[str, dict[str, bytes]]
    #: how a snapshot is called when only its manifest's file name is left -> its name
    stamped: dict[str, str]
    kinds: dict[str, Kind]
    manifests: dict[str, str]  # by the snapshot's name

    @property
    def nights(self) -> tuple[str, ...]:
        return tuple(name for name, kind in self.kinds.items() if kind is Kind.NIGHT)

    def memory(self, changed: Mapping[str, bytes | None] | None = None) -> Memory:
        """The archive with some files changed, added, or (None) taken away."""
        hurt: dict[str, bytes | None] = {**self.files, **(changed or {})}
        return Memory({name: data for name, data in hurt.items() if data is not None})


def put_cut(writer: Writer, where: str, runs: list[bytes], twice: bool = False) -> tuple[Entry, bytes]:
    """A file of several blocks, cut by hand; its blocks lie in the middle of what is stored if ``twice``."""
    ranges = [Range(bytes.fromhex(writer.put_plain(run)), 0, len(run)) for run in runs]
    data = b"".join(runs)
    if twice:
        first = ranges[0]
        ranges.append(Range(first.id, 3, first.length - 5))
        data += runs[0][3:-2]
    return entry(where, data, recipe=writer.put_recipe(ranges)), data


def put_zip(writer: Writer, where: str, saves: Mapping[str, bytes]) -> tuple[Entry, bytes]:
    """A nightly export, cut at its members, with the list of what lies in it."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as made:
        for name, data in saves.items():
            made.writestr(zipfile.ZipInfo(name), data)
    data = buffer.getvalue()
    cut = zipcut.cut_small(data, writer.known, 3)
    assert not cut.odd and len(cut.ranges) > 1
    for block in cut.fresh:
        writer.put(block)
    made_of = entry(where, data, recipe=writer.put_recipe(cut.ranges))
    return structs.replace(made_of, members=writer.put_list(cut.listing)), data


def small_world(folder: object, monkeypatch: pytest.MonkeyPatch) -> World:
    """Three nights of two devices, a restore and its safety snapshot, in a few thousand bytes.

    Files of one block, of several, an empty one, a zip that is cut at its members; layouts; a gap.
    """
    monkeypatch.setattr(archives, "guide_text", lambda: "How this folder is read.\n")
    monkeypatch.setattr(zipcut, "CUT_FROM", 0)  # so small a zip would be kept as one block
    chance = random.Random(7)
    archive = make(folder)
    world = World({}, {}, {}, {}, {})
    # A page begins at this save: so there are two.
    second = next(
        name for name in map("z{}.sav".format, range(10_000)) if begins_page(entry(name, b"never mind"))
    )
    card = [chance.randbytes(90), chance.randbytes(40)]
    saves = {"a.sav": chance.randbytes(60), "b.sav": b"b" * 300, "c.sav": b"", second: chance.randbytes(30)}

    def take(kind: Kind, device: str, saves: dict[str, bytes], safety: str | None, base: str | None) -> str:
        taken = EVENING + timedelta(days=len(world.saves))
        with archive.locked("test"), archive.writer() as writer:
            entries = [entry(name, data) for name, data in saves.items()]
            for data in saves.values():
                if data:
                    writer.put_plain(data)
            kept = dict(saves)
            if kind is Kind.NIGHT and device == "meadow":
                cut, kept["card.mc"] = put_cut(writer, "card.mc", card, twice=True)
                entries.append(cut)
                cut, kept["nightly.zip"] = put_zip(writer, "nightly.zip", {"a": saves["a.sav"] * 3})
                entries.append(cut)
            done = writer.finish(
                device=device,
                kind=kind,
                taken=taken,
                volumes=[],
                sites=[],
                layouts={"tinplate": b'{"layout": 1}'} if kind is Kind.NIGHT else {},
                entries=entries,
                gaps=[Gap("internal", "Tinplate/locked", "not allowed")] if len(world.saves) == 1 else [],
                base=base,
                safety=safety,
            )
        world.saves[done.name] = kept
        world.kinds[done.name] = kind
        world.manifests[done.name] = done.file
        # 21:30 in the offset +02:00 is 19:30 in UTC.
        world.stamped[f"{device}.{taken:%Y%m%d}T193000Z"] = done.name
        return done.file

    take(Kind.NIGHT, "meadow", saves, None, None)
    saves["a.sav"] = chance.randbytes(61)
    card[1] = chance.randbytes(45)
    take(Kind.NIGHT, "meadow", saves, None, None)
    take(Kind.NIGHT, "harbour", {"a.sav": saves["a.sav"], "b.sav": b"other"}, None, None)
    safety = take(Kind.SAFETY, "meadow", {"a.sav": chance.randbytes(20)}, None, next(iter(world.saves)))
    take(Kind.RESTORED, "meadow", {"a.sav": saves["a.sav"]}, safety, next(iter(world.saves)))
    world.files = files(archive)
    return world


def night_of(archive: Archive, saves: dict[str, bytes], cut: dict[str, bytes], number: int) -> str:
    """A night with files of one block, and large ones cut into pieces of about 20,000 bytes."""
    with archive.locked("test"), archive.writer() as writer:
        entries = [entry(name, data) for name, data in saves.items()]
        for data in saves.values():
            writer.put_plain(data)
        for name, data in cut.items():
            runs = [data[at : at + 20_000] for at in range(0, len(data), 20_000)]
            entries.append(put_cut(writer, name, runs)[0])
        return finish(writer, entries, taken=EVENING + timedelta(days=number)).name


def large_world(folder: object) -> World:
    """Three nights of some hundred files, among them a few of several blocks, in a few bundles and pages."""
    chance = random.Random(11)
    archive = make(folder)
    world = World({}, {}, {}, {}, {})
    saves = {f"games/{n}/slot {n % 7}.sav": chance.randbytes(chance.randrange(1, 1500)) for n in range(240)}
    cut = {f"card {n}.mc": chance.randbytes(90_000 + n) for n in range(3)}
    for number in range(3):
        for name in chance.sample(sorted(saves), 20):
            saves[name] = chance.randbytes(len(saves[name]))
        cut["card 1.mc"] = cut["card 1.mc"][:50_000] + chance.randbytes(40_000)
        name = night_of(archive, saves, cut, number)
        world.saves[name] = {**saves, **cut}
        world.kinds[name] = Kind.NIGHT
        world.stamped[f"meadow.{EVENING + timedelta(days=number):%Y%m%d}T193000Z"] = name
    world.manifests = {one.name: one.file for one in again(archive).snapshots()}
    world.files = files(archive)
    return world


def obtainable(storage: Memory) -> Iterator[tuple[str, str, bytes]]:
    """Every file that the archive gives back: snapshot, path, content."""
    archive = Archive(storage, "")
    for snapshot in archive.snapshots():
        try:
            manifest = archive.read(snapshot)
        except Damaged:
            continue
        for ref in manifest.pages:
            try:
                entries = archive.page(ref.id)
            except Damaged:
                continue
            for one in entries:
                try:
                    yield snapshot.name, one.path, b"".join(archive.content(one))
                except Damaged:
                    continue


def check_truth(world: World, storage: Memory, report: Report) -> None:
    """Holds a report against what the archive truly gives back, and that against what was put into it."""
    had: dict[str, set[str]] = {name: set() for name in world.saves}
    for name, path, data in obtainable(storage):
        assert data == world.saves[name][path], (name, path)
        had[name].add(path)
    named: dict[str, set[str | None]] = {name: set() for name in world.saves}
    for damage in report.damage:
        for one in damage.affects:
            named[world.stamped.get(one.snapshot, one.snapshot)].add(one.path)
    for name, saves in world.saves.items():
        lost = saves.keys() - had[name]
        if None in named[name]:
            assert lost, f"{name}: nothing is lost, but {report.damage}"
        else:
            assert named[name] == lost, (name, report.damage)
    whole = [name for name in world.nights if had[name] == world.saves[name].keys()]
    assert list(report.whole) == whole, report.damage


def local(folder: str, world: World) -> LocalStorage:
    """The same archive on the disk."""
    for name, data in world.files.items():
        full = os.path.join(folder, name)
        os.makedirs(os.path.dirname(full), exist_ok=True)
        with open(full, "wb") as file:
            file.write(data)
    return LocalStorage(folder)
