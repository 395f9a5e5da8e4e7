"""The pass over a device: what cannot be read is told, nothing is counted twice, one look at each file."""

from __future__ import annotations

import errno
import os
import socket
import stat
import subprocess
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.device.claims import Claim
from handhold.device.leftovers import MOST_SINGLE
from handhold.device.reading import read_whole
from handhold.device.times import modified_of
from handhold.device.volumes import open_device
from handhold.device.walk import walk
from handhold.model import Entry, HomeKind, Part, Site
from handhold.names import native
from tests.device.trees import as_nobody, fill, gap_at, kept, layout, open_to_all, told, walked

TINPLATE = layout(
    "tinplate", {"main": "*:Tinplate"}, "skip: shaders/**", "saves: saves/**", "games: games/**"
)


def test_odd_names_come_through(tmp_path: Path) -> None:
    names = [
        'Lamp\'s "Oil".sav',
        "two\nlines.sav",
        "tab\there.sav",
        "ランタン 第二章.sav",
        "Cafe\u0301.sav",
        "Café.sav",
        " leading and trailing .sav",
        "-rf.sav",
        "back\\slash.sav",
        "back\\x41slash.sav",
        os.fsdecode(b"caf\xe9 \xff\xfe.sav"),
        "🏮.sav",
        ".hidden",
        "x" * 255,
    ]
    for name in names:
        fill(tmp_path / "Tinplate/saves", name, content=name.encode("utf-8", "surrogateescape"))
    found = walked({"card": tmp_path}, TINPLATE)
    assert {native(c.path).removeprefix("saves/") for c in found.claims} == set(names)
    for claim in found.claims:
        with open(claim.place, "rb") as stream:
            assert os.fsdecode(stream.read()) == native(claim.path).removeprefix("saves/")
        claim.path.encode("utf-8")  # the written form is text that any manifest can hold
    assert found.gaps == []


def test_half_files_of_a_restore_are_nobodys(tmp_path: Path) -> None:
    fill(tmp_path / "Tinplate/saves", ".handhold-0123456789ab.part", ".handhold-notes.part", "a.sav")
    fill(tmp_path / "Elsewhere", ".handhold-ba9876543210.part")
    found = walked({"card": tmp_path}, TINPLATE)
    assert {claim.path for claim in found.claims} == {"saves/.handhold-notes.part", "saves/a.sav"}
    assert [one.path for one in found.unclaimed] == []


@pytest.mark.parametrize(
    ("time", "expected"),
    [(0, 0), (2**63 - 1, 2**63 - 1), (2**63, 2**63 - 1), (10**20, 2**63 - 1), (-(10**20), 1 - 2**63)],
)
def test_times_beyond_what_an_archive_can_hold(tmp_path: Path, time: int, expected: int) -> None:
    assert modified_of(os.stat_result(range(10), {"st_mtime_ns": time})) == expected
    fill(tmp_path / "Tinplate/saves", "a.sav")
    fill(tmp_path, "loose")
    for path in (tmp_path / "Tinplate/saves/a.sav", tmp_path / "loose"):
        os.utime(path, ns=(0, time))
        if path.stat().st_mtime_ns != time:
            return  # this file system holds no such times
    found = walked({"card": tmp_path}, TINPLATE)
    assert [claim.modified for claim in found.claims] == [expected]
    assert [one.newest for one in found.unclaimed] == [expected]
    assert read_whole(str(tmp_path / "loose"))[1] == expected


def test_what_a_claim_says(tmp_path: Path) -> None:
    fill(tmp_path, "Tinplate/saves/a.sav", content=b"12345")
    place = tmp_path / "Tinplate/saves/a.sav"
    os.utime(place, ns=(1, 1_700_000_000_123_456_789))
    os.link(place, tmp_path / "Tinplate/saves/b.sav")
    one, two = walked({"card": tmp_path}, TINPLATE).claims
    status = place.stat()
    assert (one.size, one.modified) == (5, 1_700_000_000_123_456_789)
    assert one.twins == two.twins == (status.st_dev, status.st_ino)
    assert one.place == str(place)
    odd = "caf\udce9 \\.sav"  # a byte that is no UTF-8, and a backslash
    fill(tmp_path, f"Tinplate/saves/x/{odd}")
    (last,) = [c for c in walked({"card": tmp_path}, TINPLATE).claims if "/x/" in c.path]
    assert (last.place, last.twins) == (f"{tmp_path}/Tinplate/saves/x/{odd}", None)
    assert (one.volume_path, one.path, one.part) == ("Tinplate/saves/a.sav", "saves/a.sav", Part.SAVES)


def test_files_of_one_time_share_the_number(tmp_path: Path) -> None:
    for name in ("a", "b", "c"):
        fill(tmp_path, f"Tinplate/saves/{name}.sav")
        os.utime(tmp_path / f"Tinplate/saves/{name}.sav", ns=(1, 1_700_000_000_123_456_789))
    one, two, three = walked({"card": tmp_path}, TINPLATE).claims
    assert one.modified == 1_700_000_000_123_456_789
    assert one.modified is two.modified is three.modified


def test_an_entry_fits_where_a_claim_lay() -> None:
    """Memory is given in steps of 16 bytes, each kind on pages of its own.

    Source: CPython 3.11, Objects/obmalloc.c (ALIGNMENT, "pools").
    """
    claim = Claim(Site("tinplate", "main", HomeKind.FOLDER, "card", ""), Part.SAVES, None, "a", 1, 1, "/a")
    entry = Entry("tinplate", Part.SAVES, "main", "a", 1, 1, "0" * 64)
    assert -(-sys.getsizeof(claim) // 16) == -(-sys.getsizeof(entry) // 16)


def test_links_sockets_and_pipes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    saves = tmp_path / "Tinplate/saves"
    fill(tmp_path, "Tinplate/saves/real.sav", "Tinplate/shaders/1", "Tinplate/games/", "elsewhere/x.sav")
    (saves / "file.sav").symlink_to(saves / "real.sav")
    (saves / "folder").symlink_to(tmp_path / "elsewhere")
    (saves / "up").symlink_to(tmp_path / "Tinplate")
    (saves / "dangling.sav").symlink_to(tmp_path / "nothing")
    (saves / "loop.sav").symlink_to(saves / "loop.sav")
    (tmp_path / "Tinplate/other folder").symlink_to(tmp_path / "elsewhere")
    (tmp_path / "Tinplate/unnamed file").symlink_to(saves / "real.sav")
    (tmp_path / "Tinplate/shaders/link").symlink_to(saves / "real.sav")
    (tmp_path / "Tinplate/shaders/folder").symlink_to(saves)
    (tmp_path / "Tinplate/games/link").symlink_to(saves / "real.sav")
    (tmp_path / "outside").symlink_to(saves)
    os.mkfifo(saves / "pipe.sav")
    os.mkfifo(tmp_path / "Tinplate/unnamed pipe")
    monkeypatch.chdir(saves)  # the path of a socket must be short
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind("socket.sav")
        found = walked({"card": tmp_path}, TINPLATE)
    assert list(kept(found)) == ["card:Tinplate/saves/real.sav"]
    whys = {gap.path.removeprefix("Tinplate/"): gap.why for gap in found.gaps}
    assert {gap.emulator for gap in found.gaps} == {"tinplate"}
    assert whys == {
        "saves/file.sav": "it is a link, and links are not followed",
        "saves/folder": "it is a link to a folder, and links are not followed",
        "saves/up": "it is a link to a folder, and links are not followed",
        "saves/dangling.sav": "it is a link that leads nowhere",
        "saves/loop.sav": "it is a link that leads nowhere",
        "other folder": "it is a link to a folder, and links are not followed",
        "saves/pipe.sav": "it is a pipe, not a file",
        "saves/socket.sav": "it is a socket, not a file",
    }
    assert dict(found.skipped) == {"tinplate": (1, 4)}


def test_a_whole_save_folder_that_leads_nowhere_is_told(tmp_path: Path) -> None:
    fill(tmp_path, "Tinplate/")
    (tmp_path / "Tinplate/saves").symlink_to("/pulled out card/saves")
    assert told(walked({"card": tmp_path}, TINPLATE)) == [("card:Tinplate/saves", "tinplate")]


def test_a_device_file_is_not_opened(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root makes device files")
    fill(tmp_path, "Tinplate/saves/")
    try:
        os.mknod(tmp_path / "Tinplate/saves/null.sav", stat.S_IFCHR | 0o666, os.makedev(1, 3))
    except OSError:
        pytest.skip("device files cannot be made here")
    assert gap_at(walked({"card": tmp_path}, TINPLATE), "Tinplate/saves/null.sav").why.startswith(
        "it is a device"
    )


def test_folders_that_nobody_may_list(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("needs root, to become somebody else")
    fill(
        tmp_path,
        "Tinplate/saves/deep/a.sav", "Tinplate/saves/b.sav", "Tinplate/shaders/shut/x", "Lantern/a.sav",
        "elsewhere/x", "lost+found/",
    )  # fmt: skip
    for shut in ("Tinplate/saves/deep", "Tinplate/shaders/shut", "Lantern", "elsewhere", "lost+found"):
        (tmp_path / shut).chmod(0o700)
    lantern = layout("lantern", {"main": "*:Lantern"}, "saves: *.sav")

    def check() -> None:
        found = walked({"card": tmp_path}, TINPLATE, lantern)
        assert list(kept(found)) == ["card:Tinplate/saves/b.sav"]
        assert told(found) == [
            ("card:Lantern", "lantern"),
            ("card:Tinplate/saves/deep", "tinplate"),
            ("card:elsewhere", None),
        ]
        assert all("permission" in gap.why for gap in found.gaps)
        assert dict(found.blocked) == {"lantern": HomeKind.FOLDER}
        assert [site.emulator for site in found.barred] == ["lantern"]

    with open_to_all(tmp_path):
        as_nobody(check)


PRIVATE = "Android/data/example.tinplate/files"


@pytest.mark.parametrize("shut", ["Android/data", "Android/data/example.tinplate", PRIVATE])
@pytest.mark.parametrize("mode", [0o700, 0o711])
def test_private_storage_that_cannot_be_listed(tmp_path: Path, shut: str, mode: int) -> None:
    # Source: Android Developers, Context.getExternalFilesDir (Android/data/<package>/files)
    if os.geteuid() != 0:
        pytest.skip("needs root, to become somebody else")
    fill(tmp_path, f"{PRIVATE}/saves/a.sav", "Moved/saves/a.sav")
    (tmp_path / shut).chmod(mode)
    private = layout("tinplate", {"app": f"*:{PRIVATE}"}, "saves: saves/**", kind=HomeKind.PRIVATE)
    moved = layout(
        "tinplate", {"app": f"*:{PRIVATE}", "moved": "*:Moved"}, "saves: saves/**",
        kinds={"app": HomeKind.PRIVATE},
    )  # fmt: skip

    def check() -> None:
        found = walked({"internal": tmp_path}, private)
        if mode == 0o711 and shut != PRIVATE:  # the way is known by name, and its end can be listed
            assert list(kept(found)) == [f"internal:{PRIVATE}/saves/a.sav"]
            assert dict(found.blocked) == {}
            assert told(found) == [(f"internal:{shut}", None)]  # what else lies there is not known
            return
        assert found.claims == []
        assert dict(found.blocked) == {"tinplate": HomeKind.PRIVATE}
        (gap,) = found.gaps
        assert (gap.emulator, gap.volume, gap.path) == ("tinplate", "internal", shut)
        assert "permission" in gap.why
        for way_out in ("own export", "move its folder", "cable"):
            assert way_out in (gap.advice or "")
        # Once the owner has moved the folder out, there is nothing more to tell every night.
        found = walked({"internal": tmp_path}, moved)
        assert list(kept(found)) == ["internal:Moved/saves/a.sav"]
        assert found.gaps == []

    with open_to_all(tmp_path):
        as_nobody(check)
    (tmp_path / shut).chmod(0o755)


def test_two_emulators_behind_one_locked_folder_are_each_told(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("needs root, to become somebody else")
    fill(tmp_path, "Android/data/x/files/a")
    (tmp_path / "Android/data").chmod(0o700)
    layouts = [
        layout(name, {"app": f"*:Android/data/example.{name}/files"}, "saves: **", kind=HomeKind.PRIVATE)
        for name in ("lantern", "tinplate")
    ]

    def check() -> None:
        found = walked({"internal": tmp_path}, *layouts)
        assert told(found) == [("internal:Android/data", "lantern"), ("internal:Android/data", "tinplate")]

    with open_to_all(tmp_path):
        as_nobody(check)


# A stand-in for cards that fail and emulators that are at work: the listing of folders, wrapped.


@dataclass
class Failing:
    """What is to go wrong at which name, and how often each was looked at."""

    stat: dict[str, int] = field(default_factory=dict)  # error numbers by name
    listing: dict[str, int] = field(default_factory=dict)
    breaks_after: dict[str, int] = field(
        default_factory=dict
    )  # the folder's listing fails after so many names
    looked: dict[str, int] = field(default_factory=dict)
    scanned: dict[str, int] = field(default_factory=dict)

    @contextmanager
    def scan(self, path: str) -> Iterator[Iterable[Any]]:
        self.scanned[path] = self.scanned.get(path, 0) + 1
        if os.path.basename(path) in self.listing:
            number = self.listing[os.path.basename(path)]
            raise OSError(number, os.strerror(number), path)
        with os.scandir(path) as names:
            yield self.names(path, names)

    def names(self, path: str, names: Iterable[os.DirEntry[str]]) -> Iterator[Any]:
        for index, entry in enumerate(sorted(names, key=lambda e: e.name)):
            if index == self.breaks_after.get(os.path.basename(path), -1):
                raise OSError(errno.EIO, os.strerror(errno.EIO), path)
            yield Watched(entry, self)


@dataclass
class Watched:
    entry: os.DirEntry[str]
    failing: Failing

    @property
    def name(self) -> str:
        return self.entry.name

    @property
    def path(self) -> str:
        return self.entry.path

    def is_dir(self, *, follow_symlinks: bool = True) -> bool:
        return self.entry.is_dir(follow_symlinks=follow_symlinks)

    def is_symlink(self) -> bool:
        return self.entry.is_symlink()

    def stat(self, *, follow_symlinks: bool = True) -> os.stat_result:
        self.failing.looked[self.path] = self.failing.looked.get(self.path, 0) + 1
        if self.name in self.failing.stat:
            number = self.failing.stat[self.name]
            raise OSError(number, os.strerror(number), self.path)
        return self.entry.stat(follow_symlinks=follow_symlinks)


def test_files_that_vanish_or_fail_between_listing_and_looking(tmp_path: Path) -> None:
    fill(
        tmp_path,
        "Tinplate/saves/gone.sav", "Tinplate/saves/bad.sav", "Tinplate/saves/good.sav",
        "Tinplate/shaders/gone", "Tinplate/gone note", "gone outside", "bad outside",
    )  # fmt: skip
    failing = Failing(
        stat={
            "gone.sav": errno.ENOENT, "bad.sav": errno.EIO, "gone": errno.ENOENT, "gone note": errno.ENOENT,
            "gone outside": errno.ENOENT, "bad outside": errno.EIO,
        }
    )  # fmt: skip
    found = walk(open_device("lamp", {"card": str(tmp_path)}), [TINPLATE], scan=failing.scan)
    assert list(kept(found)) == ["card:Tinplate/saves/good.sav"]
    assert told(found) == [
        ("card:Tinplate/saves/bad.sav", "tinplate"),
        ("card:Tinplate/saves/gone.sav", "tinplate"),
        ("card:bad outside", None),
    ]
    assert "gone" in gap_at(found, "Tinplate/saves/gone.sav").why
    assert "input/output" in gap_at(found, "Tinplate/saves/bad.sav").why


def test_a_folder_that_fails_halfway_still_gives_the_names_before(tmp_path: Path) -> None:
    fill(tmp_path, "Tinplate/saves/a", "Tinplate/saves/b", "Tinplate/saves/c")
    failing = Failing(breaks_after={"saves": 2})
    found = walk(open_device("lamp", {"card": str(tmp_path)}), [TINPLATE], scan=failing.scan)
    assert sorted(c.path for c in found.claims) == ["saves/a", "saves/b"]
    assert told(found) == [("card:Tinplate/saves", "tinplate")]


def test_a_home_that_fails_halfway_is_not_called_unreachable(tmp_path: Path) -> None:
    fill(tmp_path, "Tinplate/saves/a", "Tinplate/zzz")
    failing = Failing(breaks_after={"Tinplate": 1})
    found = walk(open_device("lamp", {"card": str(tmp_path)}), [TINPLATE], scan=failing.scan)
    assert [c.path for c in found.claims] == ["saves/a"]
    assert told(found) == [("card:Tinplate", "tinplate")]
    assert not found.blocked


def test_folders_that_vanish_before_they_are_listed(tmp_path: Path) -> None:
    fill(tmp_path, "Tinplate/saves/deep/a", "outside/a", "path/x")
    failing = Failing(listing={"deep": errno.ENOENT, "outside": errno.ENOENT, "path": errno.ENAMETOOLONG})
    found = walk(open_device("lamp", {"card": str(tmp_path)}), [TINPLATE], scan=failing.scan)
    assert told(found) == [("card:Tinplate/saves/deep", "tinplate"), ("card:path", None)]


def test_a_volume_whose_root_fails(tmp_path: Path) -> None:
    fill(tmp_path, "card/Tinplate/saves/a")
    failing = Failing(listing={"card": errno.EIO})
    device = open_device("lamp", {"card": str(tmp_path / "card")})
    lantern = layout("lantern", {"main": "*:Lantern"}, "saves: *.sav")
    found = walk(device, [TINPLATE, lantern], scan=failing.scan)
    assert list(kept(found)) == ["card:Tinplate/saves/a"]  # its name is known, and it can be listed
    assert told(found) == [("card:", "lantern")]
    assert "input/output" in found.gaps[0].why
    assert dict(found.blocked) == {"lantern": HomeKind.FOLDER}


def test_each_of_20000_files_is_looked_at_once(tmp_path: Path) -> None:
    for folder in range(40):
        base = tmp_path / ("Tinplate/saves" if folder % 2 else "other") / str(folder)
        base.mkdir(parents=True)
        for number in range(500):
            os.close(os.open(base / f"{number}.sav", os.O_CREAT | os.O_WRONLY))
    failing = Failing()
    heard: list[int] = []
    device = open_device("lamp", {"card": str(tmp_path)})
    found = walk(device, [TINPLATE], progress=heard.append, scan=failing.scan)
    assert len(found.claims) == 10_000
    assert found.files == 20_000
    assert sum(u.files for u in found.unclaimed) == 10_000
    assert len(failing.looked) == 20_000
    assert set(failing.looked.values()) == {1}
    assert heard == sorted(heard)
    assert heard[-1] == 20_000
    # Looking for the homes lists the way to them, here the root, and nothing else twice.
    twice = [path for path, times in failing.scanned.items() if times > 1]
    assert twice == [str(tmp_path)]


def test_a_volume_inside_another_counts_once(tmp_path: Path) -> None:
    fill(tmp_path, "Tinplate/saves/a", "mounted/card/Tinplate/saves/b", "mounted/card/loose", "mounted/x")
    found = walked({"internal": tmp_path, "card": tmp_path / "mounted/card"}, TINPLATE)
    assert kept(found) == {
        "internal:Tinplate/saves/a": ("tinplate/main", "saves"),
        "card:Tinplate/saves/b": ("tinplate/main@card", "saves"),
    }
    assert found.files == 4
    assert [(u.volume, u.path) for u in found.unclaimed] == [("internal", "mounted/x"), ("card", "loose")]
    # Named the other way round it is the same.
    other = walked({"card": tmp_path / "mounted/card", "internal": tmp_path}, TINPLATE)
    assert other.files == 4
    assert {(c.site.volume, c.path) for c in other.claims} == {(c.site.volume, c.path) for c in found.claims}


def test_a_home_that_reaches_over_into_an_inner_volume(tmp_path: Path) -> None:
    fill(tmp_path, "Roof/a.sav", "Roof/card/b.sav", "Roof/card/Tinplate/saves/c")
    roof = layout("roof", {"main": "internal:Roof"}, "saves: **/*.sav")
    inner = layout("inner", {"main": "internal:Roof/card/Tinplate"}, "saves: saves/**")
    found = walked({"internal": tmp_path, "card": tmp_path / "Roof/card"}, roof, inner)
    assert {(c.emulator, c.site.volume, c.path) for c in found.claims} == {
        ("roof", "internal", "a.sav"),
        ("roof", "internal", "card/b.sav"),
        ("inner", "card", "saves/c"),
    }
    assert found.files == 3


def test_an_inner_volume_behind_a_locked_folder_is_walked_all_the_same(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("needs root, to become somebody else")
    fill(tmp_path, "locked/card/Tinplate/saves/a", "x")
    (tmp_path / "locked").chmod(0o711)

    def check() -> None:
        found = walked({"internal": tmp_path, "card": tmp_path / "locked/card"}, TINPLATE)
        assert list(kept(found)) == ["card:Tinplate/saves/a"]
        # The home could lie behind the locked folder of the outer volume only by another name: not told.
        assert told(found) == [("internal:locked", None)]

    with open_to_all(tmp_path):
        as_nobody(check)


def test_the_archive_is_left_out(tmp_path: Path) -> None:
    fill(tmp_path, "Tinplate/saves/a", "Backups/archive/bundles/00/x", "Backups/archive/Tinplate/saves/b")
    anywhere = layout("tinplate", {"main": ("*:Tinplate", "*:*/*/Tinplate")}, "saves: saves/**")
    archive = str(tmp_path / "Backups/archive")
    found = walked({"card": tmp_path}, anywhere, leave_out=(archive,))
    assert list(kept(found)) == ["card:Tinplate/saves/a"]
    assert found.unclaimed == []
    assert found.files == 1
    (tmp_path / "way").symlink_to(tmp_path / "Backups")
    found = walked({"card": tmp_path}, anywhere, leave_out=(str(tmp_path / "way/archive"),))
    assert found.files == 1
    # A home that is a link into the archive is no home either.
    (tmp_path / "Tinplate/saves/a").unlink()
    (tmp_path / "Tinplate/saves").rmdir()
    (tmp_path / "Tinplate").rmdir()
    (tmp_path / "Tinplate").symlink_to(tmp_path / "Backups/archive/Tinplate")
    assert walked({"card": tmp_path}, anywhere, leave_out=(archive,)).claims == []


def test_an_archive_that_fills_a_volume_is_told(tmp_path: Path) -> None:
    fill(tmp_path, "card/archive.yaml", "card/Tinplate/saves/a", "internal/Tinplate/saves/a")
    volumes = {"internal": tmp_path / "internal", "card": tmp_path / "card"}
    found = walked(volumes, TINPLATE, leave_out=(str(tmp_path / "card"),))
    assert list(kept(found)) == ["internal:Tinplate/saves/a"]
    assert told(found) == [("card:", None)]


def test_what_nobody_claims_is_summed_up(tmp_path: Path) -> None:
    fill(
        tmp_path,
        "Tinplate/saves/a", "Tinplate/notes.txt", "Tinplate/extra/1", "Tinplate/extra/deep/2",
        "Music/one/1", "Music/one/2", "Music/two/3", "Pictures/", "loose",
        "Mixed/inner/Lantern/a.sav", "Mixed/plain/x", "Mixed/plain/y/z",
    )  # fmt: skip
    os.utime(tmp_path / "Music/two/3", ns=(0, 2_000_000_000_000_000_000))
    lantern = layout("lantern", {"main": "*:Mixed/inner/Lantern"}, "saves: *.sav")
    found = walked({"card": tmp_path}, TINPLATE, lantern)
    assert [(u.path, u.files, u.bytes) for u in found.unclaimed] == [
        ("Mixed/plain", 2, 8),
        ("Music", 3, 12),
        ("Tinplate/extra", 2, 8),
        ("Tinplate/notes.txt", 1, 4),
        ("loose", 1, 4),
    ]
    music = next(u for u in found.unclaimed if u.path == "Music")
    assert music.newest == 2_000_000_000_000_000_000
    whys = {u.path: u.why for u in found.unclaimed}
    assert "tinplate" in whys["Tinplate/notes.txt"]
    assert "no layout" in whys["Music"]


def test_a_folder_of_very_many_loose_files_is_one_line(tmp_path: Path) -> None:
    fill(tmp_path, "Games/a.sav", *[f"Games/{n}.bin" for n in range(MOST_SINGLE + 1)])
    beside = layout("tinplate", {"beside": "*:Games"}, "saves: *.sav", kind=HomeKind.GAMES)
    (one,) = walked({"card": tmp_path}, beside).unclaimed
    assert (one.path, one.files) == ("Games", MOST_SINGLE + 1)
    assert str(MOST_SINGLE + 1) in one.why


def test_very_deep_folders(tmp_path: Path) -> None:
    deep = tmp_path / "Tinplate/saves"
    deep.mkdir(parents=True)
    where = os.open(deep, os.O_RDONLY)
    depth = 0
    try:
        for depth in range(1, 2200):  # deeper than Python's stack, and than a path can be
            os.mkdir("d", dir_fd=where)
            inner = os.open("d", os.O_RDONLY, dir_fd=where)
            os.close(where)
            where = inner
            if depth == 1500:
                os.close(os.open("a.sav", os.O_CREAT | os.O_WRONLY, dir_fd=where))
    finally:
        os.close(where)
    found = walked({"card": tmp_path}, TINPLATE)
    assert [c.path for c in found.claims] == ["saves/" + "d/" * 1500 + "a.sav"]
    (gap,) = found.gaps
    assert "too long" in gap.why
    subprocess.run(
        ["rm", "-rf", deep / "d"], check=True
    )  # what clears away after the tests cannot go so deep


@settings(max_examples=40)
@given(st.lists(st.text(alphabet="abTt/.é", min_size=1, max_size=12), min_size=1, max_size=12), st.data())
def test_every_file_is_counted_exactly_once(
    tmp_path_factory: pytest.TempPathFactory, paths: list[str], data: st.DataObject
) -> None:
    root = tmp_path_factory.mktemp("any")
    made = 0
    for path in paths:
        clean = "/".join(name for name in path.split("/") if name.strip("."))
        if not clean:
            continue
        try:
            fill(root, clean)
            made += 1
        except (FileExistsError, IsADirectoryError, NotADirectoryError):
            continue
    made = sum(len(files) for _, _, files in os.walk(root))
    places = data.draw(st.lists(st.sampled_from(["*:", "*:a", "*:t", "*:?", "*:a/*", "*:b"]), max_size=3))
    rules = data.draw(
        st.lists(st.sampled_from(["saves: **/a*", "skip: **/t*", "games: **/.*", "saves: *"]), max_size=3)
    )
    layouts = [layout(f"e{n}", {"main": place}, *rules[n:]) for n, place in enumerate(places)]
    found = walked({"card": root}, *layouts)
    counted = (
        len(found.claims)
        + sum(s.files for s in found.skipped.values())
        + sum(u.files for u in found.unclaimed)
    )
    assert counted == made == found.files
    assert len({c.place for c in found.claims}) == len(found.claims)
    assert not found.gaps
