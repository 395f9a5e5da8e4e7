"""Nights that read only what may have changed, held against nights that read every file.

Files, folders, layouts, options, clocks and the archive itself change by chance. Each night is taken twice,
into two copies of one archive: as it is taken, and with everything read. Both must be one and the same, and
hold what the files hold. Not among the changes is what size and time cannot tell: a file that takes the place
of another of the same size and time.
"""

from __future__ import annotations

import hashlib
import io
import os
import random
import shutil
import zipfile
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from handhold import beside, snapshot
from handhold.archive import pages
from handhold.archive.archive import Archive
from handhold.archive.storage import LocalStorage
from handhold.archive.verify import verify
from handhold.device.volumes import open_device
from handhold.errors import OwnerError
from handhold.layouts.layout import Layout
from handhold.model import Device, Gap, HomeKind, Part
from handhold.names import native
from handhold.snapshot import Options, Result, take
from tests.device.trees import layout

EVERYWHERE = {"main": ("internal:Tinplate", "card:Tinplate")}
TINPLATE = (
    layout("tinplate", EVERYWHERE, "saves: saves/**/{game}.sav", "states: **/*.st1"),
    layout("tinplate", {"main": EVERYWHERE["main"][::-1]}, "saves: saves/**/{slot}.sav", "skip: **/b/**"),
    layout("tinplate", {"main": "*:Tinplate", "more": "*:Tinplate/saves"}, "saves@more: **/{game}.sav"),
    layout("tinplate", {"main": "*:Tinplate"}, "saves: **", kind=HomeKind.EXPORT),
)
HATBOX = (
    layout("hatbox", {"main": "internal:Hatbox"}, "saves: **", kind=HomeKind.EXPORT),
    layout("hatbox", {"main": "internal:Hatbox"}, "saves: **"),
)
LANTERN = (layout("lantern", {"main": "*:Tinplate/saves/lantern"}, "settings: **/*.ini", "cheats: **/*.sav"),)
FOLDERS = (
    *("Tinplate", "Tinplate/saves/a", "Tinplate/saves/a/b", "Tinplate/saves/lantern", "Hatbox"),
    *("Kite/saves", "Odd/states", "Tinplate/saves/café", "Tinplate/saves/cafe\u0301"),
)
NAMES = ("Moss", "moss", "Game 1", "Game 2", "slot1", "new\nline", "bad\udcff", "back\\slash")
ENDINGS = ("sav", "st1", "ini", "srm", "zip", "bin")
ORIGINS = ("a" * 16, "b" * 16, "c" * 16)
HIDDEN = " hidden"
NOT_COMPARED = ("snapshot", "seconds", "stored_bytes", "odd")


class Evenings:
    """What happens to a handheld. ``twins``: files keep their places, and some share sizes and times."""

    def __init__(self, root: Path, seed: int) -> None:
        self.source, self.twins = random.Random(seed), bool(seed % 2)
        self.roots = [root / "internal", root / "card"]
        self.clock = 1_700_000_000
        self.layouts: tuple[Layout, ...] = ()
        self.options = Options()
        self.card_in = True
        self.copied: set[str] = set()
        for folder in self.roots:
            folder.mkdir()
        self.other_layouts()
        for _ in range(40):
            self.come()
        moving = [self.rename, self.swap_files, self.swap_folders, self.link, self.other_case]
        self.ways: list[Callable[[], None]] = [
            *(self.come, self.come, self.write, self.rewrite, self.rewrite, self.empty, self.go),
            *(self.hide, self.become_folder, self.be_a_pipe, self.be_a_file_again),
            *(self.other_layouts, self.other_options, self.take_out),
            *([self.copy_for_another] * 3 if self.twins else moving * 2),
        ]

    def device(self) -> Device:
        roots = {folder.name: str(folder) for folder in self.roots if self.card_in or folder.name != "card"}
        device = open_device("lamp", roots)
        return device if self.card_in else replace(device, missing=(Gap("card", "", "it is not there"),))

    def files(self) -> list[Path]:
        return sorted(path for root in self.roots for path in root.rglob("*") if path.is_file())

    def put(self, path: Path, data: bytes, modified: int | None = None) -> None:
        if path.exists() and not path.is_file():
            return
        path.write_bytes(data)
        self.clock += 10
        os.utime(path, ns=(0, self.clock * 10**9 if modified is None else modified))

    def some(self, choices: list[Path]) -> list[Path]:
        """One of them, if there is one."""
        return [self.source.choice(choices)] if choices else []

    def come(self) -> None:
        folder = self.source.choice(self.roots) / self.source.choice(FOLDERS)
        path = folder / f"{self.source.choice(NAMES)}.{self.source.choice(ENDINGS)}"
        if any(part.is_file() for part in path.parents):
            return
        folder.mkdir(parents=True, exist_ok=True)
        data = self.source.randbytes(self.source.choice((0, 1, 8192, 8192)))
        if self.source.random() < 0.3:
            stream = io.BytesIO()
            with zipfile.ZipFile(stream, "w") as made:
                made.writestr("saves/Moss.sav", self.source.randbytes(2000))
            data = stream.getvalue()
        self.put(path, data)

    def write(self) -> None:
        for path in self.some(self.files()):
            self.put(path, self.source.randbytes(self.source.randrange(9000)))

    def rewrite(self) -> None:
        for path in self.some(self.files()):
            self.put(path, self.source.randbytes(path.stat().st_size))

    def empty(self) -> None:
        for path in self.some(self.files()):
            self.put(path, bytes(self.source.choice((0, path.stat().st_size))))

    def go(self) -> None:
        for path in self.some(self.files()):
            path.unlink()

    def rename(self) -> None:
        for path in self.some(self.files()):
            there = path.with_name(f"{self.source.choice(NAMES)}.{self.source.choice(ENDINGS)}")
            if not there.is_dir():
                path.replace(there)

    def other_case(self) -> None:
        for path in self.some(self.files()):
            if not path.with_name(path.name.swapcase()).exists():
                path.rename(path.with_name(path.name.swapcase()))

    def swap_files(self) -> None:
        self.swap(self.some(self.files()) + self.some(self.files()))

    def swap_folders(self) -> None:
        name = self.source.choice(FOLDERS)
        self.swap([root / name for root in self.roots if (root / name).is_dir()])

    def swap(self, both: list[Path]) -> None:
        if len({*both}) == 2:
            aside = self.roots[0].parent / "aside"
            both[0].rename(aside)
            both[1].rename(both[0])
            aside.rename(both[1])

    def link(self) -> None:
        for path in self.some(self.files()):
            name = path.with_name(f"{self.source.choice(NAMES)}.{self.source.choice(ENDINGS)}")
            if not name.exists():
                name.hardlink_to(path)

    def hide(self) -> None:
        """A folder goes, or comes back."""
        folder = self.source.choice(self.roots) / self.source.choice(FOLDERS).partition("/")[0]
        hidden = folder.with_name(folder.name + HIDDEN)
        for one, other in ((folder, hidden), (hidden, folder)):
            if one.is_dir() and not other.exists():
                one.rename(other)
                return

    def become_folder(self) -> None:
        for path in self.some(self.files()):
            path.unlink()
            path.mkdir()
            self.put(path / path.name, b"one folder down")

    def be_a_pipe(self) -> None:
        for path in self.some(self.files()):
            path.unlink()
            os.mkfifo(path)

    def be_a_file_again(self) -> None:
        for path in [path for root in self.roots for path in root.rglob("*") if path.is_fifo()]:
            path.unlink()
            self.put(path, b"a file again")

    def copy_for_another(self) -> None:
        """A file gets another content's copy on the other volume, with its size and time."""
        for path in self.some(self.files()):
            here, there = self.roots if self.roots[0] in path.parents else self.roots[::-1]
            copy = there / path.relative_to(here)
            both = {str(one).replace(HIDDEN, "") for one in (path, copy)}
            if not both.isdisjoint(self.copied):
                return  # it would come back to where it was, as another
            self.copied |= both
            if not copy.exists() and not any(part.is_file() for part in copy.parents):
                copy.parent.mkdir(parents=True, exist_ok=True)
                told = path.stat()
                self.put(copy, self.source.randbytes(told.st_size), told.st_mtime_ns)

    def take_out(self) -> None:
        self.card_in = not self.card_in

    def other_layouts(self) -> None:
        self.layouts = tuple(
            self.source.choice(some) for some in (TINPLATE, HATBOX, LANTERN) if self.source.random() < 0.8
        )

    def other_options(self) -> None:
        parts = frozenset(p for p in Part if p.kept and self.source.random() < 0.6) | {Part.SAVES}
        self.options = Options(
            parts=parts if self.source.random() < 0.4 else Options().parts,
            recognise=self.source.random() < 0.7,
        )


class Story:
    """A handheld, its archive, and what becomes of both. The clock of the nights goes a day at a time."""

    def __init__(self, root: Path, seed: int) -> None:
        self.root, self.evenings, self.source = root, Evenings(root, seed), random.Random(seed)
        self.place, self.older = root / "archive", root / "older"
        self.now, self.origin, self.hurt = datetime(2031, 4, 5, 21, 30, tzinfo=UTC), ORIGINS[0], False
        Archive.create(LocalStorage(str(self.place)), lambda: self.now)

    def open(self, place: Path) -> Archive:
        archive = Archive.open(LocalStorage(str(place)))
        archive.device, archive.origin = "lamp", self.origin
        return archive

    def befall(self) -> None:
        """What can happen to an archive between two nights."""
        bundles = sorted((self.place / "bundles").rglob("*.bundle"))
        manifests = sorted((self.place / "manifests").glob("*"))
        match self.source.randrange(24):
            case 0 if bundles:
                self.source.choice(bundles).unlink()
                self.hurt = True
            case 1 if manifests:
                manifests[-1].write_bytes(manifests[-1].read_bytes()[:-7])
                self.hurt = True
            case 2 if manifests:
                manifests[-1].unlink()
            case 3 if self.older.exists():
                shutil.rmtree(self.place)
                self.older.rename(self.place)
            case 4 | 5 if not self.older.exists():
                shutil.copytree(self.place, self.older)
            case 6:
                self.origin = self.source.choice(ORIGINS)
            case 7:
                self.now += timedelta(days=self.source.choice((-2000, -30, 2000)))
            case 8:
                with pytest.raises((_Cut, OwnerError)):
                    self.night(self.place, Options(reread=True), _cut)

    def night(self, place: Path, options: Options, progress: Any = None) -> tuple[Archive, Result | str]:
        archive = self.open(place)
        device = self.evenings.device()
        try:
            return archive, take(archive, device, self.evenings.layouts, options, lambda: self.now, progress)
        except OwnerError as error:
            if progress is not None:
                raise
            return archive, error.what

    def next(self) -> None:
        """A day goes by, and its night is held against one that reads all."""
        self.now += timedelta(days=1)
        for _ in range(self.source.randrange(7)):
            self.source.choice(self.evenings.ways)()
        self.befall()
        other = self.root / "other"
        shutil.rmtree(other, ignore_errors=True)
        shutil.copytree(self.place, other)
        archive, quick = self.night(self.place, self.evenings.options)
        second, whole = self.night(other, replace(self.evenings.options, reread=True))
        if isinstance(quick, str) or isinstance(whole, str):
            assert quick == whole
            return
        told, read = archive.read(quick.snapshot), second.read(whole.snapshot)
        entries = list(archive.entries(told))
        assert entries == list(second.entries(read))
        assert told == replace(read, snapshot=told.snapshot)
        for name in Result.__struct_fields__:
            if name not in NOT_COMPARED:
                assert getattr(quick, name) == getattr(whole, name), name
        lie = {(site.emulator, site.home): site for site in told.sites}
        for entry in entries:
            site = lie[entry.emulator, entry.home]
            data = (self.root / site.volume / native(f"{site.path}/{entry.path}".strip("/"))).read_bytes()
            assert (entry.size, entry.sha256) == (len(data), hashlib.sha256(data).hexdigest())
            assert b"".join(archive.content(entry)) == data
        assert self.hurt or not verify(archive.storage, deep=True).damage


class _Cut(Exception):
    """The night is cut off."""


def _cut(*_: int) -> None:
    raise _Cut


@pytest.mark.timeout(1800)
@pytest.mark.parametrize(("cores", "page"), [(1, 64), (2, 3)])
@pytest.mark.parametrize(
    "seeds",
    [
        pytest.param((0, 15, 36, 37, 39, 1181), id="short"),  # each has found something
        pytest.param(range(300), marks=pytest.mark.long, id="long"),
    ],
)
def test_a_night_is_what_it_would_be_if_every_file_were_read(
    tmp_path: Path, seeds: Sequence[int], cores: int, page: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pages, "MEAN", page)
    monkeypatch.setattr(pages, "LONGEST", 2 * page)
    monkeypatch.setattr(snapshot, "FEW", 0)  # with two cores all devices are looked at ahead
    monkeypatch.setattr(beside, "_cores", lambda: cores)
    for seed in seeds:
        (tmp_path / str(seed)).mkdir()
        story = Story(tmp_path / str(seed), seed)
        for _ in range(10):
            story.next()
