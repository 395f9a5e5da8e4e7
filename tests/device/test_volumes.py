"""Volumes and their file systems, against the specifications and real cards."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import psutil
import pytest

from handhold.device import volumes
from handhold.device.volumes import _traits, free_room, mounted, open_device, traits_of
from handhold.device.walk import walk
from handhold.errors import Exit, NotNow, OwnerError, WrongInput
from tests.device.trees import as_nobody, fill, layout, open_to_all
from tests.volumes import mounted_exfat, mounted_fat, need

HOUR = 3600 * 10**9


def test_open_device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(tmp_path, "card/", "internal/")
    monkeypatch.chdir(tmp_path)
    device = open_device("lamp", {"internal": str(tmp_path / "internal"), "card": "card/"})
    assert [(v.name, v.path) for v in device.volumes] == [
        ("internal", str(tmp_path / "internal")),
        ("card", str(tmp_path / "card")),
    ]
    assert device.volumes[0].traits == traits_of(str(tmp_path))


@pytest.mark.parametrize(
    ("name", "volumes", "says"),
    [
        ("lamp", {"card": "/nowhere/card"}, ['"card"', "/nowhere/card", "does not exist"]),
        ("lamp", {"ok": "/", "card": "/nowhere"}, ['"card"']),
        ("lamp", {"card": "/nowhere", "more": "/neither"}, ['"card"', '"more"', "/neither"]),
        ("lamp", {"card": "/dev/null"}, ['"card"', "is no folder"]),
        ("lamp", {"card": "/dev/null/x"}, ['"card"', "does not exist"]),
        ("lamp", {"card": ""}, ['"card"', "has no folder"]),
        ("lamp", {"card": "/a\0b"}, ['"card"', "does not exist"]),
        ("lamp", {"card": "/", "other": "/./"}, ['"card"', '"other"', "same folder"]),
        ("lamp", {"a/b": "/"}, ['"a/b"', "name of a volume"]),
        ("lamp", {"*": "/"}, ['"*"', "name of a volume"]),
        ("lamp", {}, ['"lamp"', "no volume"]),
        ("", {"card": "/"}, ["name of a device"]),
        ("my lamp", {"card": "/"}, ['"my lamp"', "name of a device"]),
        ("../lamp", {"card": "/"}, ["name of a device"]),
        ("x" * 41, {"card": "/"}, ["name of a device"]),
    ],
)
def test_volumes_that_are_wrong(name: str, volumes: dict[str, str], says: list[str]) -> None:
    with pytest.raises(WrongInput) as wrong:
        open_device(name, volumes)
    for words in says:
        assert words in wrong.value.what
    assert '"ok"' not in wrong.value.what
    assert wrong.value.advice
    assert wrong.value.status == Exit.WRONG_INPUT


def test_a_volume_that_may_not_be_read(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("needs root, to become somebody else")
    fill(tmp_path, "card/x")
    (tmp_path / "card").chmod(0o700)

    def check() -> None:
        with pytest.raises(OwnerError) as refused:
            open_device("lamp", {"card": str(tmp_path / "card")})
        assert isinstance(refused.value, NotNow)
        assert "permission" in str(refused.value)

    with open_to_all(tmp_path):
        as_nobody(check)


# What each specification says about its file system; the rest is the careful answer.
# Source: Microsoft, FAT: General Overview of On-Disk Format, version 1.03 (2 s, 32-bit file size, local time)
# Source: Microsoft, exFAT file system specification, 7.4.9 (10 ms increments), 7.4.10 (offset from UTC)
@pytest.mark.parametrize(
    ("kind", "step", "local", "folds", "largest"),
    [
        ("vfat", 2 * 10**9, True, True, 2**32 - 1),
        ("msdos", 2 * 10**9, True, True, 2**32 - 1),
        ("fuse.fusefat", 2 * 10**9, True, True, 2**32 - 1),
        ("exfat", 10**7, False, True, None),
        ("fuse.exfat", 10**9, False, True, None),
        ("ntfs", 10**7, False, True, None),
        ("ntfs3", 10**7, False, True, None),
        ("fuse.ntfs", 10**7, False, True, None),
        ("ext4", 10**7, False, False, None),
        ("btrfs", 10**7, False, False, None),
        ("f2fs", 10**7, False, False, None),
        ("tmpfs", 10**7, False, False, None),
        ("ext2", 10**9, False, False, None),
        ("fuse", 2 * 10**9, True, True, None),
        ("never heard of", 2 * 10**9, True, True, None),
    ],
)
def test_traits_by_kind(kind: str, step: int, local: bool, folds: bool, largest: int | None) -> None:
    traits = _traits(kind, "/mnt/card")
    assert traits.filesystem == kind
    assert (traits.step_ns, traits.local_time, traits.folds_case) == (step, local, folds)
    assert traits.largest_file == largest
    # Source: Microsoft, exFAT file system specification, 7.7.3: 0000h to 001Fh and these
    expected = set('"*:<>?\\|') | {chr(n) for n in range(1, 32)} if folds else set()
    assert set(traits.refused) == expected


def test_emulated_storage_has_precise_times() -> None:
    assert not _traits("fuse", "/storage/emulated/0").local_time
    assert _traits("fuse", "/storage/emulated/0").folds_case


def test_mounts_are_read_as_a_library_reads_them(monkeypatch: pytest.MonkeyPatch) -> None:
    # Source: psutil, disk_partitions
    expected = [
        (one.mountpoint, one.fstype, frozenset(one.opts.split(",")))
        for one in psutil.disk_partitions(all=True)
    ]
    assert [(one.path, one.kind, one.options) for one in volumes._mounts()] == expected
    monkeypatch.setattr(volumes, "_MOUNT_TABLE", "/nowhere")  # as on a system without that table
    assert [(one.path, one.kind, one.options) for one in volumes._mounts()] == expected


def test_names_of_mounts_with_spaces_and_more() -> None:
    # Source: proc_pid_mounts(5) and getmntent(3): octal codes of space, tab, line feed and backslash
    line = (
        rb"/dev/sd\040a /mnt/my\040card\134x\011\012\xff".replace(rb"\xff", b"\xff") + b" vfat rw,noatime 0 0"
    )
    mount = volumes._mount(line)
    assert mount == ("/dev/sd a", "/mnt/my card\\x\t\n\udcff", "vfat", frozenset({"rw", "noatime"}))


def test_free_room_as_df_has_it(tmp_path: Path) -> None:
    told = subprocess.run(
        ["df", "-B1", "--output=avail", tmp_path], capture_output=True, text=True, check=True
    )
    assert free_room(str(tmp_path)) == pytest.approx(int(told.stdout.split()[-1]), abs=1 << 26)


def test_mounted_proposes_no_pseudo_volumes() -> None:
    for volume in mounted():
        assert os.path.isdir(volume.path)
        assert not volume.path.startswith(("/proc", "/sys", "/dev"))
        assert volume.filesystem not in ("proc", "sysfs", "tmpfs", "devtmpfs", "cgroup2")
        assert volume.free <= volume.total


@pytest.mark.volumes
def test_both_cards_are_proposed_and_known(exfat: Path, fat: Path) -> None:
    seen = {m.path: m for m in mounted()}
    assert seen[str(exfat)].filesystem == "fuse.exfat"
    assert "fat" in seen[str(fat)].filesystem
    assert seen[str(exfat)].total == pytest.approx(64 << 20, rel=0.1)
    (exfat / "deep/er").mkdir(parents=True)
    assert traits_of(str(exfat / "deep/er")).filesystem == "fuse.exfat"
    assert traits_of(str(exfat / "not there yet")).filesystem == "fuse.exfat"
    assert traits_of(str(fat)).filesystem == "fuse.fusefat"
    told = subprocess.run(["df", "-B1", "--output=avail", exfat], capture_output=True, text=True, check=True)
    assert free_room(str(exfat)) == int(told.stdout.split()[-1])
    assert free_room(str(fat)) == sys.maxsize  # this driver does not say, and no room is not what it means


TIMES = [
    1_700_000_000_123_456_789,
    1_700_000_001_999_999_999,
    1_700_000_003_005_000_000,
    1_709_210_096_000_000_000,  # a 29th of February
    4_000_000_001_000_000_000,
]


@pytest.mark.volumes
@pytest.mark.parametrize("card", ["exfat", "fat"])
def test_times_lose_less_than_the_step(card: str, request: pytest.FixtureRequest) -> None:
    folder: Path = request.getfixturevalue(card)
    traits = traits_of(str(folder))
    path = folder / "A.SAV"
    path.write_bytes(b"x")
    lost = []
    for given in TIMES:
        os.utime(path, ns=(given, given))
        got = path.stat().st_mtime_ns
        assert got % traits.step_ns == 0
        assert 0 <= given - got < traits.step_ns <= traits.blur_ns
        lost.append(given - got)
    assert max(lost) > traits.step_ns // 2  # the step is not stated larger than it is


@pytest.mark.volumes
def test_fat_keeps_local_time_and_exfat_does_not(tmp_path: Path) -> None:
    moved = {}
    for name, mount, make in (
        ("fat", mounted_fat, ["mkfs.vfat", "-F", "32"]),
        ("exfat", mounted_exfat, ["mkfs.exfat"]),
    ):
        image = tmp_path / f"{name}.img"
        with image.open("wb") as stream:
            stream.truncate(64 << 20)
        need(make[:1])
        environment = {**os.environ, "PATH": f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"}
        subprocess.run([*make, image], check=True, stdout=subprocess.DEVNULL, env=environment)
        given = 1_700_000_000 * 10**9
        with mount(str(image)) as folder:
            Path(folder, "A.SAV").write_bytes(b"x")
            os.utime(os.path.join(folder, "A.SAV"), ns=(given, given))
        with mount(str(image), "Asia/Tokyo") as folder:
            moved[name] = abs(os.stat(os.path.join(folder, "A.SAV")).st_mtime_ns - given)
            traits = traits_of(folder)
            assert moved[name] <= traits.blur_ns
            assert traits.local_time == (moved[name] != 0)
    # Source: IANA time zone database: Asia/Tokyo is 9 hours ahead of UTC, all year
    assert moved == {"fat": 9 * HOUR, "exfat": 0}


@pytest.mark.volumes
@pytest.mark.parametrize("card", ["exfat", "fat"])
def test_which_characters_a_card_refuses(card: str, request: pytest.FixtureRequest) -> None:
    folder: Path = request.getfixturevalue(card)
    refused = set()
    for number in range(1, 127):
        char = chr(number)
        if char in "/.":
            continue
        try:
            (folder / f"N{char}N").write_bytes(b"")
        except OSError:
            refused.add(char)
    assert refused == set(traits_of(str(folder)).refused)


@pytest.mark.volumes
@pytest.mark.parametrize("card", ["exfat", "fat"])
def test_cards_know_no_case_and_a_walk_finds_each_file_once(
    card: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    folder: Path = request.getfixturevalue(card)
    fill(folder, "EMULATE/TINPLATE/A.SAV", "EMULATE/TINPLATE/B.SAV", "OTHER/X")
    assert (folder / "emulate/tinplate/a.sav").exists() == traits_of(str(folder)).folds_case
    tinplate = layout("tinplate", {"main": ("*:Emulate/Tinplate", "*:emulate/*")}, "saves: *.sav")
    found = walk(open_device("lamp", {"card": str(folder)}), [tinplate])
    assert sorted(c.volume_path for c in found.claims) == ["EMULATE/TINPLATE/A.SAV", "EMULATE/TINPLATE/B.SAV"]
    assert [s.home for s in found.sites] == ["main"]
    assert [u.path for u in found.unclaimed] == ["OTHER"]
    # The archive's place, written in another case than the card has it.
    left = walk(open_device("lamp", {"card": str(folder)}), [tinplate], [str(folder / "emulate/Tinplate")])
    assert left.claims == []
    assert left.files == 1
    # A volume in the other, and a link to a home, both in another case than the card has them.
    fill(tmp_path, "internal/")
    (tmp_path / "internal/Tinplate").symlink_to(folder / "emulate/tinplate")
    volumes = {"internal": str(tmp_path / "internal"), "card": str(folder), "part": str(folder / "emulate")}
    linked = layout("tinplate", {"main": ("internal:Tinplate", "part:Tinplate")}, "saves: *.sav")
    both = walk(open_device("lamp", volumes), [linked])
    assert both.files == 3
    assert [(c.site.volume, c.volume_path) for c in both.claims] == [
        ("part", "TINPLATE/A.SAV"),
        ("part", "TINPLATE/B.SAV"),
    ]
    assert both.gaps == []


def test_without_its_tools_a_volume_test_skips_and_in_ci_it_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(pytest.skip.Exception, match="no-such-tool"):
        need(["no-such-tool"])
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception, match="no-such-tool"):
        need(["no-such-tool"])
