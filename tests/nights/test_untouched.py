"""Nights of which most files are as they were: what they hold is held against the files themselves."""

from __future__ import annotations

import hashlib
import io
import os
import random
import zipfile
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from handhold.archive.archive import Archive
from handhold.archive.listed import Listed, Standing
from handhold.archive.storage import LocalStorage
from handhold.archive.writer import TOOL
from handhold.columns import Files
from handhold.device.volumes import open_device
from handhold.history.states import as_it_is
from handhold.layouts.layout import Layout
from handhold.layouts.recognition import recognise as recognise_module
from handhold.layouts.recognition.looks import Looks, Seen
from handhold.layouts.recognition.place import Surroundings
from handhold.layouts.recognition.recognise import recognise
from handhold.layouts.stored import stored_form
from handhold.model import Clock, Entry, HomeKind, Part
from handhold.nights import Night
from handhold.snapshot import Options, Result, take
from handhold.untouched import AsThen, named_as_now
from tests.device.trees import layout

LONG_AGO = 1_700_000_000
LAYOUTS = (
    layout("tinplate", {"main": "internal:Tinplate"}, "saves: saves/**/{game}.sav", "states: **/*.st1"),
    layout("hatbox", {"export": "internal:Hatbox"}, "saves: **", kind=HomeKind.EXPORT),
    layout("lantern", {"main": "internal:Tinplate/saves/lantern"}, "settings: **/*.ini"),
)
#: Where files come to lie, and what no layout names but is plainly a save.
FOLDERS = (
    "Tinplate/saves/a",
    "Tinplate/saves/a/b",
    "Tinplate/saves/lantern",
    "Tinplate",
    "Hatbox",
    "Kite/saves",
)
ENDINGS = ("sav", "st1", "ini", "srm")


def _moments() -> Iterator[datetime]:
    start = datetime(2031, 4, 5, 21, 30, tzinfo=UTC)
    for day in range(1000):
        yield start + timedelta(days=day)


class _Handheld:
    """Files that are played with."""

    def __init__(self, root: Path, seed: int) -> None:
        self.root, self.source, self.clock = root, random.Random(seed), LONG_AGO
        for folder in FOLDERS:
            (root / folder).mkdir(parents=True, exist_ok=True)
        for number in range(60):
            self.write(self.fresh(number))

    def fresh(self, number: int) -> Path:
        name = f"Game {number:03}.{self.source.choice(ENDINGS)}"
        return self.root / self.source.choice(FOLDERS) / name

    def write(self, path: Path, size: int | None = None) -> None:
        path.write_bytes(self.source.randbytes(self.source.randrange(1, 300) if size is None else size))
        self.clock += 10
        os.utime(path, (self.clock, self.clock))

    def files(self) -> list[Path]:
        return sorted(path for path in self.root.rglob("*") if path.is_file())

    def play(self, day: int) -> None:
        """Some files are rewritten (also with the size they had), go, come, get another name or time."""
        for _ in range(self.source.randrange(4)):
            path = self.source.choice(self.files())
            match self.source.randrange(5):
                case 0:
                    self.write(path)
                case 1:
                    self.write(path, path.stat().st_size)
                case 2:
                    path.unlink()
                case 3:
                    path.rename(path.with_name(f"Game {100 + day}.{path.suffix[1:]}"))
                case 4:
                    self.write(self.fresh(200 + day))


@pytest.mark.parametrize("seed", range(6))
def test_a_night_holds_just_what_stands_on_the_device(tmp_path: Path, seed: int) -> None:
    moments = _moments()
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), lambda: next(moments))
    device = _Handheld(tmp_path / "device", seed)
    for day in range(12):
        result = _night(archive, device.root, LAYOUTS, lambda: next(moments))
        entries = list(archive.entries(archive.read(result.snapshot)))
        lie = {(site.emulator, site.home): site for site in archive.read(result.snapshot).sites}
        kept = {_place(entry, lie[entry.emulator, entry.home].path): entry for entry in entries}
        assert len(kept) == len(entries) == result.files
        for place, entry in kept.items():
            data = (device.root / place).read_bytes()
            assert (entry.size, entry.sha256) == (len(data), hashlib.sha256(data).hexdigest())
            assert entry.modified == (device.root / place).stat().st_mtime_ns
            assert b"".join(archive.content(entry)) == data
        # All that a layout names is kept; what else is kept was recognised.
        named = {p for path in device.files() if _named(p := path.relative_to(device.root).as_posix())}
        assert named <= kept.keys()
        assert {place.partition("/")[0] for place in kept.keys() - named} <= {"Kite", "Tinplate"}
        fresh = Archive.create(LocalStorage(str(tmp_path / f"fresh {day}")), lambda: next(moments))
        again = _night(fresh, device.root, LAYOUTS, lambda: next(moments))
        once = {_place(e, "") for e in fresh.entries(fresh.read(again.snapshot))}
        assert once <= {_place(e, "") for e in entries}  # what was kept before may stay recognised
        device.play(day)


@pytest.fixture
def looked_into(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """The names in each folder that recognition is asked about."""
    asked: list[list[str]] = []

    def noted(here: Surroundings, files: Sequence[Seen], *more: Any) -> list[Looks]:
        asked.append([file.name for file in files])
        return recognise(here, files, *more)

    monkeypatch.setattr(recognise_module, "recognise", noted)
    return asked


def test_what_was_recognised_is_asked_anew_only_where_a_name_is_new(
    tmp_path: Path, looked_into: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    moments = _moments()
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), lambda: next(moments))
    root = tmp_path / "device"
    for folder in ("Kite/saves", "Lantern/saves"):
        (root / folder).mkdir(parents=True)
        for name in ("Ladder.sav", "Moss.sav", "Salt.sav"):
            _put(root / folder / name, f"{folder}/{name}".encode())

    def night() -> list[list[str]]:
        looked_into.clear()
        result = _night(archive, root, (), lambda: next(moments))
        entries = list(archive.entries(archive.read(result.snapshot)))
        files = {path.relative_to(root).as_posix(): path.read_bytes() for path in root.rglob("*.*")}
        lie = {(site.emulator, site.home): site.path for site in archive.read(result.snapshot).sites}
        assert {
            _place(entry, lie[entry.emulator, entry.home]): b"".join(archive.content(entry))
            for entry in entries
        } == files
        assert result.recognised == {
            name: sum(path.startswith(name.title()) for path in files) for name in ("kite", "lantern")
        }
        return looked_into

    both = ["Ladder.sav", "Moss.sav", "Salt.sav"]
    assert night() == [both, both]
    assert night() == []
    _put(root / "Kite/saves/Moss.sav", b"played on")
    assert night() == [["Ladder.sav", "Moss.sav", "Salt.sav"]]
    assert night() == []
    (root / "Kite/saves/Salt.sav").unlink()
    assert night() == []
    _put(root / "Lantern/saves/Thrift.sav", b"a new game")
    assert night() == [["Ladder.sav", "Moss.sav", "Salt.sav", "Thrift.sav"]]
    monkeypatch.setattr("handhold.untouched.TOOL", "handhold 0.0.9")  # another one knows other signals
    assert night() == [["Ladder.sav", "Moss.sav"], ["Ladder.sav", "Moss.sav", "Salt.sav", "Thrift.sav"]]


def test_a_block_that_the_archive_lost_is_kept_again(tmp_path: Path) -> None:
    moments = _moments()
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), lambda: next(moments))
    device = _Handheld(tmp_path / "device", 7)
    first = _night(archive, device.root, LAYOUTS, lambda: next(moments))
    for bundle in (tmp_path / "archive" / "bundles").rglob("*.bundle"):
        bundle.unlink()
    reopened = Archive.open(LocalStorage(str(tmp_path / "archive")))
    second = _night(reopened, device.root, LAYOUTS, lambda: next(moments))
    assert second.files == first.files
    for entry in reopened.entries(reopened.read(second.snapshot)):
        assert hashlib.sha256(b"".join(reopened.content(entry))).hexdigest() == entry.sha256


@pytest.mark.parametrize(
    ("rule", "part", "has_game"),
    [("states: saves/**/{game}.sav", "states", True), ("saves: saves/**/{slot}.sav", "saves", False)],
)
def test_what_a_layout_takes_for_something_else_now_is_kept_as_that(
    tmp_path: Path, rule: str, part: str, has_game: bool
) -> None:
    moments = _moments()
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), lambda: next(moments))
    device = _Handheld(tmp_path / "device", 8)
    other = layout("tinplate", {"main": "internal:Tinplate"}, rule)
    _night(archive, device.root, LAYOUTS[:1], lambda: next(moments))
    night = _night(archive, device.root, (other,), lambda: next(moments))
    told = {
        entry.path: (entry.part, entry.game)
        for entry in archive.entries(archive.read(night.snapshot))
        if entry.emulator == "tinplate" and entry.path.startswith("saves/") and entry.path.endswith(".sav")
    }
    assert told
    for path, found in told.items():
        assert found == (part, path.rpartition("/")[2][:-4] if has_game else None)


def test_rules_are_asked_anew_where_they_were_not_what_named_all_entries() -> None:
    """By whom, under which rules, and whether all entries were named by them: each of it counts."""
    block = hashlib.sha256(stored_form(LAYOUTS[0])).hexdigest()
    night = Night(tool=TOOL, rules={"tinplate": block}, recognised=frozenset())
    assert named_as_now(night, LAYOUTS) == {"tinplate"}
    for otherwise in (
        replace(night, tool="handhold 0.0.9"),
        replace(night, rules={"tinplate": "0" * 64}),
        replace(night, rules={}),
        replace(night, recognised=frozenset({"tinplate"})),
        replace(night, recognised=None),
    ):
        assert named_as_now(otherwise, LAYOUTS) == frozenset()
    assert named_as_now(night, LAYOUTS[1:]) == frozenset()


def test_a_night_says_of_which_emulators_it_holds_what_no_rule_names(tmp_path: Path) -> None:
    moments = _moments()
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), lambda: next(moments))
    root = tmp_path / "device"
    for place in ("Tinplate/saves/Moss Garden.sav", "Hatbox/all.bin", "Kite/saves/Ladder.sav"):
        (root / place).parent.mkdir(parents=True, exist_ok=True)
        (root / place).write_bytes(place.encode() * 10)
        os.utime(root / place, (LONG_AGO, LONG_AGO))
    before = archive.read(_night(archive, root, LAYOUTS, lambda: next(moments)).snapshot)
    assert before.recognised == frozenset()  # the kite has no layout
    (root / "Tinplate/saves/Moss Garden.srm").write_bytes(b"\1" * 512)
    after = _night(archive, root, LAYOUTS, lambda: next(moments))
    assert archive.read(after.snapshot).recognised == frozenset({"tinplate"})
    assert after.recognised.keys() == {"tinplate", "kite"}
    again = _night(archive, root, LAYOUTS, lambda: next(moments))
    assert again.recognised == after.recognised


@pytest.mark.parametrize("night", [1, 2])
def test_a_copy_in_another_place_of_a_home_is_no_file_that_was_kept(tmp_path: Path, night: int) -> None:
    """The home's name goes to the first place that is there: to another folder, with another day's copy."""
    moments = _moments()
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), lambda: next(moments))
    both = layout("tinplate", {"main": ("internal:Tinplate", "internal:Old")}, "saves: **/{game}.sav")
    (tmp_path / "device/Old").mkdir(parents=True)
    _put(tmp_path / "device/Old/Moss.sav", b"of autumn")
    _night(archive, tmp_path / "device", (both,), lambda: next(moments))
    (tmp_path / "device/Tinplate").mkdir()
    _put(tmp_path / "device/Tinplate/Moss.sav", b"of spring")
    if night == 2:  # and back
        _night(archive, tmp_path / "device", (both,), lambda: next(moments))
        (tmp_path / "device/Tinplate").rename(tmp_path / "aside")
    device = open_device("lamp", {"internal": str(tmp_path / "device")})
    now = as_it_is(archive, device, (both,), Options(), lambda: next(moments)).entries
    last = _night(archive, tmp_path / "device", (both,), lambda: next(moments))
    kept = list(archive.entries(archive.read(last.snapshot)))
    expected = [b"of autumn"] if night == 2 else [b"of spring", b"of autumn"]
    assert [b"".join(archive.content(entry)) for entry in kept] == expected
    assert {entry.key: entry.sha256 for entry in now} == {entry.key: entry.sha256 for entry in kept}


def test_a_zip_in_what_is_an_export_home_now_is_looked_into(tmp_path: Path) -> None:
    moments = _moments()
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), lambda: next(moments))
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as stream:
        stream.writestr("saves/Moss.sav", b"moss" * 100)
    (tmp_path / "device/Hatbox").mkdir(parents=True)
    _put(tmp_path / "device/Hatbox/all.export", made.getvalue())
    kinds = [
        layout("hatbox", {"main": "internal:Hatbox"}, "saves: **", kind=kind)
        for kind in (HomeKind.FOLDER, HomeKind.EXPORT, HomeKind.FOLDER)
    ]
    listed = []
    for one in kinds:
        night = _night(archive, tmp_path / "device", (one,), lambda: next(moments))
        (entry,) = archive.entries(archive.read(night.snapshot))
        listed.append([member.name for member in archive.members(entry)] if entry.members else None)
    assert listed == [None, ["saves/Moss.sav"], None]


def test_a_zip_that_has_other_names_as_well_is_looked_into_where_it_is_called_one(tmp_path: Path) -> None:
    moments = _moments()
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), lambda: next(moments))
    (tmp_path / "device/Tinplate").mkdir(parents=True)
    zipped = tmp_path / "device/Tinplate/b.zip"
    with zipfile.ZipFile(zipped, "w") as stream:
        stream.writestr("saves/Moss.sav", b"moss" * 100)
    os.link(zipped, zipped.with_name("a.sav"))
    os.link(zipped, zipped.with_name("c.zip"))
    one = layout("tinplate", {"main": "internal:Tinplate"}, "saves: **")
    night = _night(archive, tmp_path / "device", (one,), lambda: next(moments))
    kept = {entry.path: entry.members is not None for entry in archive.entries(archive.read(night.snapshot))}
    assert kept == {"a.sav": False, "b.zip": True, "c.zip": True}


def test_a_night_of_the_device_before_it_was_set_up_anew_stands_for_nothing(tmp_path: Path) -> None:
    """Nor does it where the first night since then cannot be read any more."""
    moments = _moments()
    place = LocalStorage(str(tmp_path / "archive"))
    archive = Archive.create(place, lambda: next(moments))
    one = layout("tinplate", {"main": "internal:Tinplate"}, "saves: **")
    save = tmp_path / "device/Tinplate/Moss.sav"
    save.parent.mkdir(parents=True)
    bundles: list[Path] = []
    for origin, data in (("a" * 16, b"one"), ("b" * 16, b"two"), ("b" * 16, b"six")):
        archive = Archive.open(place)
        archive.device, archive.origin = "lamp", origin
        _put(save, data)
        night = _night(archive, tmp_path / "device", (one,), lambda: next(moments))
        (entry,) = archive.entries(archive.read(night.snapshot))
        assert b"".join(archive.content(entry)) == data
        if data == b"two":
            for bundle in {*(tmp_path / "archive/bundles").rglob("*.bundle")}.difference(bundles):
                bundle.unlink()
        bundles = [*(tmp_path / "archive/bundles").rglob("*.bundle")]


def _put(path: Path, data: bytes) -> None:
    """A file, all of which have one time."""
    path.write_bytes(data)
    os.utime(path, (LONG_AGO, LONG_AGO))


def _night(archive: Archive, root: Path, layouts: tuple[Layout, ...], clock: Clock) -> Result:
    device = open_device("lamp", {"internal": str(root)})
    return take(archive, device, layouts, Options(), clock)


def _place(entry: Entry, home: str) -> str:
    return f"{home}/{entry.path}" if home else entry.path


def _named(path: str) -> bool:
    """By the rules above, in plain words."""
    if path.startswith("Hatbox/"):
        return True
    if path.startswith("Tinplate/saves/lantern/") and path.endswith(".ini"):
        return True
    return path.startswith("Tinplate/") and (
        path.endswith(".st1") or (path.startswith("Tinplate/saves/") and path.endswith(".sav"))
    )


def test_of_a_folder_whose_files_all_have_other_times_none_stands() -> None:
    """As a card has them whose clock was set."""
    names = [f"{number:05}.sav" for number in range(40_000)]
    listed = Listed.of([Entry("kite", Part.SAVES, "main", name, 5, 0, "0" * 64) for name in names])
    then = AsThen(
        Standing(listed), listed.folders["kite", "main", ""], Files.of([(n, 5, 1) for n in names]), None
    )
    assert not any(then.entry(at) for at in range(len(names)))
    assert list(then.rest) == list(range(len(names)))
    assert not then.parts()[Part.SAVES]
