"""Old backups made by hand become snapshots of their own dates, in their place in the history."""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import tarfile
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest

from handhold.errors import WrongInput
from handhold.interchange.adopt.dates import dated, plain_name
from handhold.model import NS
from tests.cli.world import World

ZONE = timezone(timedelta(hours=2))
NOW = datetime(2026, 3, 1, 22, tzinfo=ZONE)


def ns(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=ZONE).timestamp()) * NS


#: By hand. A date is year, month, day. Source: ISO 8601-1:2019, calendar dates (basic and extended format)
@pytest.mark.parametrize(
    ("given", "name", "newest", "taken", "why"),
    [
        (None, "plover 2021-05-03", None, "2021-05-03T12:00", "name"),
        (None, "plover_20210503", None, "2021-05-03T12:00", "name"),
        (None, "2021.05.03 saves", "2021-05-03T21:15", "2021-05-03T21:15", "name"),
        (None, "2021_05_03", "2021-04-30T21:15", "2021-05-03T12:00", "name"),  # played some days before
        (None, "2021-02-30", "2021-02-27T08:00", "2021-02-27T08:00", "newest"),  # there is no such day
        (None, "2031-05-03", "2021-02-27T08:00", "2021-02-27T08:00", "newest"),  # not yet
        (None, "120210503", "2021-02-27T08:00", "2021-02-27T08:00", "newest"),  # a longer number
        (None, "20210503123", "2021-02-27T08:00", "2021-02-27T08:00", "newest"),
        ("2020-01-31", "plover 2021-05-03", None, "2020-01-31T12:00", "you said"),
        ("2020-01-31T23:10:00+02:00", "plover", None, "2020-01-31T23:10", "you said"),
        ("2026-03-01", "plover", None, "2026-03-01T12:00", "you said"),  # today
    ],
)
def test_of_what_day_it_is(given: str | None, name: str, newest: str | None, taken: str, why: str) -> None:
    found = dated(given, name, ns(newest) if newest else None, NOW)
    assert found.taken == datetime.fromisoformat(taken).replace(tzinfo=ZONE)
    assert why in found.why


@pytest.mark.parametrize(
    ("given", "name", "newest"),
    [
        (None, "plover", None),
        (None, "plover", "1980-01-01T00:00"),  # a clock that was never set
        (None, "plover", "2031-01-01T00:00"),
        ("2031-01-01", "plover", None),
        ("yesterday", "plover", None),
        ("1850-01-01", "plover", None),
    ],
)
def test_no_day_that_can_be(given: str | None, name: str, newest: str | None) -> None:
    with pytest.raises(WrongInput):
        dated(given, name, ns(newest) if newest else None, NOW)


def test_what_a_backup_is_named_after() -> None:
    names = ["Backup of Tinplate", "Tinplate (2021-05-03)", "tinplate_bak", "2021-05-03 backup", "Tin Plate"]
    assert [plain_name(name) for name in names] == ["Tinplate", "Tinplate", "tinplate", "", "Tin Plate"]


@pytest.fixture
def world(tmp_path: Path) -> World:
    """A handheld with one night, of 2026-03-01."""
    made = World(tmp_path)
    made.furnish_portable(ascii_only=True)
    assert made.setup("plover").status == 0
    assert made.run("snapshot").status == 0
    return made


OLD = b"chapter 0, of years ago"


def old_save(folder: Path, at: str = "saves/Mole Hollow.sav", content: bytes = OLD) -> Path:
    path = folder / at
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    moment = datetime(2021, 5, 2, 20, 30, tzinfo=ZONE).timestamp()
    os.utime(path, (moment, moment))
    return path


def adopted(world: World, *arguments: str) -> dict[str, Any]:
    done = world.run("adopt", *arguments, "--yes", "--json")
    assert done.status == 0, done.err
    (one,) = done.document["adopted"]
    assert isinstance(one, dict)
    return one


#: Wherever the owner copied it to: the emulator's folder in a folder of that name, at the top, as the whole
#: backup, below folders named after the volumes, and deep inside.
PLACES = {
    "plover 2021-05-03/Tinplate": "plover 2021-05-03",
    "2021-05-03/internal/Tinplate": "2021-05-03",
    "Tinplate": "Tinplate",
    "Tinplate backup 2021-05-03": "Tinplate backup 2021-05-03",
    "everything 2021-05-03/handheld/stuff/TINPLATE": "everything 2021-05-03",
}


@pytest.mark.parametrize("place", PLACES)
def test_an_emulator_is_found_wherever_it_was_copied_to(world: World, tmp_path: Path, place: str) -> None:
    old_save(tmp_path / "old" / place)
    old_save(tmp_path / "old" / place, "config/main.ini", b"scale=2\n")
    one = adopted(world, str(tmp_path / "old" / PLACES[place]))
    assert one["snapshot"].startswith("plover.2021-05-0")
    entries = world.run("show", one["snapshot"], "--json").document["entries"]
    kept = {(e["emulator"], e["home"], e["path"]) for e in entries}
    assert kept == {("tinplate", "main", "saves/Mole Hollow.sav"), ("tinplate", "main", "config/main.ini")}


def test_it_stands_in_its_place_in_the_history(world: World, tmp_path: Path) -> None:
    save = world.internal / "Tinplate/saves/Mole Hollow.sav"
    now = save.read_bytes()
    old_save(tmp_path / "plover 2021-05-03/Tinplate")
    old_save(tmp_path / "plover 2020-01-01/Tinplate", content=b"chapter -1")
    for name in ("plover 2021-05-03", "plover 2020-01-01"):
        adopted(world, str(tmp_path / name))
    listed = world.run("list", "--json").document["snapshots"]
    assert [one["taken"][:10] for one in listed] == ["2020-01-01", "2021-05-03", "2026-03-01"]
    assert [one["kind"] for one in listed] == ["adopted", "adopted", "night"]
    # what stands on the device came after it: a restore of the old one keeps it
    plan = world.run("restore", "plover.2021-12-31", "--game", "Mole Hollow", "--dry-run", "--json").document
    decisions = {step["path"]: step["decision"] for step in plan["steps"]}
    assert decisions == {"saves/Mole Hollow.sav": "newer"}
    back = ("restore", "plover.2021-12-31", "--game", "Mole Hollow", "--on-newer", "replace", "--yes")
    done = world.run(*back)
    assert done.status == 0
    assert save.read_bytes() == OLD
    assert world.run("undo", "--yes").status == 0
    assert save.read_bytes() == now


def test_an_old_save_on_the_device_is_brought_forward_from_a_backup(world: World, tmp_path: Path) -> None:
    """Two backups of before handhold; the device was set back by hand to the older one's save."""
    old_save(tmp_path / "2020-01-01/Tinplate", "saves/Kite Weather.sav", b"first evening")
    old_save(tmp_path / "2021-01-01/Tinplate", "saves/Kite Weather.sav", b"second evening")
    for name in ("2021-01-01", "2020-01-01"):
        adopted(world, str(tmp_path / name))
    save = old_save(world.internal / "Tinplate", "saves/Kite Weather.sav", b"first evening")
    plan = world.run("restore", "plover.2021-01-01", "--game", "Kite Weather", "--json", "--yes").document
    assert [step["decision"] for step in plan["steps"]] == ["forward"]
    assert save.read_bytes() == b"second evening"


def test_the_time_of_a_copy_makes_nothing_newer(world: World, tmp_path: Path) -> None:
    """A file manager stamped the files of an old backup when it copied them: after the last night.

    Source: DESIGN 3, "Modification times lie" (common practice)
    """
    save = world.internal / "Tinplate/saves/Mole Hollow.sav"
    played = save.read_bytes()
    copied = old_save(tmp_path / "from the drawer/Tinplate")
    world.next_evening()
    moment = world.time.timestamp() - 3600
    os.utime(copied, (moment, moment))
    done = world.run("adopt", str(tmp_path / "from the drawer"), "--yes")
    assert done.status == 0
    assert "counts as older than the last night of plover" in " ".join(done.out.split())
    old = next(s for s in world.run("list", "--json").document["snapshots"] if s["kind"] == "adopted")
    assert world.run("restore", old["snapshot"], "--game", "Mole Hollow", "--yes").status == 3
    assert save.read_bytes() == played
    # nor is it what another handheld gets, on which nothing stands yet
    save.unlink()
    done = world.run("--device", "heron", "--volume", f"internal={world.internal}", "carry", "--yes")
    assert done.status in (0, 3), done.text
    assert save.read_bytes() == played


def test_two_copies_that_went_on_apart_do_not_make_it_newer(world: World, tmp_path: Path) -> None:
    """One copy numbers many nights of another handheld, so a backup that goes there has a high number."""
    second, save = world.archive.parent / "second", world.internal / "Tinplate/saves/Ladder.sav"
    second.mkdir()
    heron = tmp_path / "heron"
    heron.mkdir()

    def of_heron(*arguments: str) -> None:
        options = ("--device", "heron", "--volume", f"internal={heron}", *arguments)
        assert world.run(*options).status == 0

    assert world.run("mirror", str(second)).status == 0
    for _ in range(4):
        world.next_evening()
        world.write(heron / "Tinplate/saves/Other.sav", world.time.isoformat())
        of_heron("snapshot")
    backup = tmp_path / "backup"
    world.write(backup / "Tinplate/saves/Ladder.sav", b"old progress", minutes_ago=2000)
    world.next_evening()
    old = adopted(world, str(backup), "--date", world.time.date().isoformat())["snapshot"]
    world.next_evening()
    world.write(save, b"new progress")
    assert world.run("--archive", str(second), "snapshot").status == 0
    assert world.run("mirror", str(second)).status in (0, 3)
    there = ("--archive", str(second))
    plan = world.run(*there, "restore", old, "--game", "Ladder", "--dry-run", "--json").document
    assert [step["decision"] for step in plan["steps"]] == ["newer"]
    assert world.run(*there, "restore", old, "--game", "Ladder", "--yes").status == 3
    assert save.read_bytes() == b"new progress"
    save.unlink()  # nor is it what another handheld gets
    assert world.run(
        *there, "--device", "heron", "--volume", f"internal={world.internal}", "carry", "--yes"
    ).status in (0, 3)  # fmt: skip
    assert save.read_bytes() == b"new progress"


def test_an_adopted_one_is_not_the_last_of_a_device(world: World, tmp_path: Path) -> None:
    """It may hold one emulator only; who moves to the next handheld means the last night."""
    night = world.run("list", "--json").document["snapshots"][-1]["snapshot"]
    old_save(tmp_path / "backup/Tinplate")
    world.next_evening()
    one = adopted(world, str(tmp_path / "backup"), "--date", world.time.date().isoformat())
    assert world.run("list", "--json").document["snapshots"][-1]["snapshot"] == one["snapshot"]  # the newest
    for short in ("latest", "plover"):
        assert world.run("show", short, "--json").document["snapshot"] == night


def test_the_home_below_the_folder_of_its_volume(world: World, tmp_path: Path) -> None:
    """A copy of everything, in which another folder of that name lies on the other volume."""
    old = tmp_path / "2021-05-03"
    old_save(old / "card/Tinplate", content=b"left over on the card")
    old_save(old / "internal/Tinplate")
    one = adopted(world, str(old))
    entries = world.run("show", one["snapshot"], "--json").document["entries"]
    (main,) = [e for e in entries if (e["emulator"], e["home"]) == ("tinplate", "main")]
    assert main["sha256"] == hashlib.sha256(OLD).hexdigest()
    assert len(entries) == 2  # the other one is kept as well


def test_what_only_a_backup_has_stands_nowhere(world: World, tmp_path: Path) -> None:
    old_save(tmp_path / "2021-05-03/Brasswork", "saves/Kite Weather.sav", os.urandom(8192))
    adopted(world, str(tmp_path / "2021-05-03"))
    assert "stood there when last seen" not in world.run("history", "Kite Weather").out
    only = world.run("list", "--last", "--json").document["one_copy"]
    assert [one["on_device"] for one in only if one["game"] == "Kite Weather"] == [False]
    # nor does what a handheld had that broke before its first night
    done = world.run("--device", "curlew", "adopt", str(tmp_path / "2021-05-03"), "--yes")
    assert done.status == 0
    assert "stood there when last seen" not in world.run("history", "Kite Weather").out


@pytest.mark.parametrize("time", ["inf", "nan", "4611686018427387904", "-4611686018427387904"])
def test_a_tar_whose_times_are_no_times(world: World, tmp_path: Path, time: str) -> None:
    packed = tmp_path / "plover 2021-05-03.tar"
    with tarfile.open(packed, "w") as tar:
        info = tarfile.TarInfo("Tinplate/saves/Good.sav")
        info.size, info.pax_headers = 4, {"mtime": time}
        tar.addfile(info, io.BytesIO(b"good"))
    assert adopted(world, str(packed))["files"] == 1


def test_it_never_stands_in_for_a_night(world: World, tmp_path: Path) -> None:
    """A copy of the device with its sizes and times, but other bytes, must not make a file count as known."""
    save = world.internal / "Tinplate/saves/Kite Weather.sav"
    world.write(save, b"what is true")
    times = save.stat()
    fake = tmp_path / "2026-03-01/Tinplate/saves/Kite Weather.sav"
    fake.parent.mkdir(parents=True)
    fake.write_bytes(b"what is lied")
    os.utime(fake, ns=(times.st_mtime_ns, times.st_mtime_ns))
    world.next_evening()
    adopted(world, str(tmp_path / "2026-03-01"))
    world.next_evening()
    assert world.run("snapshot").status == 0
    out = tmp_path / "out"
    assert world.run("export", "latest", str(out), "--game", "Kite Weather").status == 0
    assert (out / "tinplate/main/saves/Kite Weather.sav").read_bytes() == b"what is true"


def test_what_is_in_it_twice_or_again_is_stored_once(world: World, tmp_path: Path) -> None:
    data = os.urandom(600_000)
    world.write(world.internal / "Tinplate/saves/Big.sav", data)
    assert world.run("snapshot").status == 0
    before = sum(path.stat().st_size for path in world.archive.rglob("*") if path.is_file())
    old_save(tmp_path / "2021-05-03/Tinplate", "saves/Big.sav", data)
    first = adopted(world, str(tmp_path / "2021-05-03"))
    again = adopted(world, str(tmp_path / "2021-05-03"))
    assert (first["new"], again["new"]) == (True, False)
    assert first["snapshot"] == again["snapshot"]
    after = sum(path.stat().st_size for path in world.archive.rglob("*") if path.is_file())
    assert after - before < 20_000
    assert world.run("verify", "--deep").status == 0


def test_a_save_that_no_layout_names(world: World, tmp_path: Path) -> None:
    old_save(tmp_path / "plover 2021-05-03/Quillwort", "saves/Fen Walk.srm", bytes(range(256)) * 32)
    one = adopted(world, str(tmp_path / "plover 2021-05-03"))
    (entry,) = world.run("show", one["snapshot"], "--json").document["entries"]
    assert (entry["emulator"], entry["part"]) == ("quillwort", "saves")
    whole = adopted(world, str(tmp_path / "plover 2021-05-03/Quillwort"), "--date", "2021-06-01")
    (entry,) = world.run("show", whole["snapshot"], "--json").document["entries"]
    assert entry["emulator"] == "quillwort"
    done = world.run("adopt", str(tmp_path / "plover 2021-05-03"), "--only-layouts", "--dry-run")
    assert done.status == 1
    assert "Nothing in plover 2021-05-03 is worth keeping" in done.err


def test_the_owner_says_whose_a_folder_is(world: World, tmp_path: Path) -> None:
    old_save(tmp_path / "2021-05-03/stuff/one")
    one = adopted(world, str(tmp_path / "2021-05-03"), "--home", "tinplate=stuff/one")
    (entry,) = world.run("show", one["snapshot"], "--json").document["entries"]
    assert (entry["emulator"], entry["home"], entry["game"]) == ("tinplate", "main", "Mole Hollow")
    wrong = world.run("adopt", str(tmp_path / "2021-05-03"), "--home", "tinplat=stuff", "--dry-run")
    assert wrong.status == 2
    assert "Did you mean tinplate?" in wrong.err


def by_zip(folder: Path, packed: Path) -> None:
    subprocess.run(["zip", "-qr", str(packed), "."], cwd=folder, check=True)


def by_python(folder: Path, packed: Path) -> None:
    with zipfile.ZipFile(packed, "w") as pack:
        for path in sorted(folder.rglob("*")):
            pack.write(path, path.relative_to(folder))


def by_tar(folder: Path, packed: Path) -> None:
    subprocess.run(["tar", "-caf", str(packed), "-C", str(folder), "."], check=True)


@pytest.mark.parametrize(
    ("ending", "pack"),
    [(".zip", by_zip), (".zip", by_python), (".tar", by_tar), (".tar.gz", by_tar), (".tar.xz", by_tar)],
)
def test_a_packed_backup(
    world: World, tmp_path: Path, ending: str, pack: Callable[[Path, Path], None]
) -> None:
    # Source: the programs zip and GNU tar, and Python's zipfile
    old_save(tmp_path / "old/Tinplate")
    packed = tmp_path / f"plover 2021-05-03{ending}"
    pack(tmp_path / "old", packed)
    one = adopted(world, str(packed))
    assert one["taken"].startswith("2021-05-03")
    (entry,) = world.run("show", one["snapshot"], "--json").document["entries"]
    assert entry["path"] == "saves/Mole Hollow.sav"
    if pack is not by_python:  # which tells the local time of this machine and no more
        assert entry["modified"] == "2021-05-02T18:30:00Z"


def test_a_packed_backup_from_a_stranger(world: World, tmp_path: Path) -> None:
    packed = tmp_path / "plover 2021-05-03.tar"
    with tarfile.open(packed, "w") as tar:
        for name, content in {
            "Tinplate/saves/Good.sav": b"good",
            "../../escaped.sav": b"bad",
            "/tmp/handhold-escaped.sav": b"bad",
            "Tinplate/saves/Good.sav/inside.sav": b"bad",
        }.items():
            info = tarfile.TarInfo(name)
            info.size, info.mtime = len(content), 1_600_000_000
            tar.addfile(info, io.BytesIO(content))
        link = tarfile.TarInfo("Tinplate/saves/Link.sav")
        link.type, link.linkname = tarfile.SYMTYPE, "/etc/hostname"
        tar.addfile(link)
    done = world.run("adopt", str(packed), "--yes", "--json")
    assert done.status == 3
    (one,) = done.document["adopted"]
    assert [e["path"] for e in one["entries"]] == ["saves/Good.sav"]
    assert len(one["gaps"]) == 4
    assert not os.path.exists("/tmp/handhold-escaped.sav")
    assert not list(tmp_path.rglob("escaped.sav"))


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 and then nothing", b"\x1f\x8b" * 2048])
@pytest.mark.parametrize("ending", [".zip", ".tar.gz"])
def test_what_cannot_be_unpacked(world: World, tmp_path: Path, content: bytes, ending: str) -> None:
    packed = tmp_path / f"plover 2021-05-03{ending}"
    packed.write_bytes(content)
    done = world.run("adopt", str(packed), "--yes")
    assert done.status == 2
    assert "cannot be unpacked" in done.err


def test_the_name_of_a_folder_begins_no_line(world: World, tmp_path: Path) -> None:
    name = "x 2021-05-03\nKept as plover.2021-05-03.120000, 9 files."
    old_save(tmp_path / name / "Tinplate")
    said = world.run("adopt", str(tmp_path / name), "--dry-run").out
    assert "Kept as" in said
    assert not any(line.startswith("Kept as") for line in said.splitlines())


def test_it_asks_and_says_no(world: World, tmp_path: Path) -> None:
    old_save(tmp_path / "2021-05-03/Tinplate")
    look = world.run("adopt", str(tmp_path / "2021-05-03"), "--dry-run")
    assert look.status == 0
    assert "2021-05-03: plover, 2021-05-03 12:00 (the date in its name)" in look.out
    assert all(len(line) <= 80 for line in look.text.splitlines())
    assert world.run("adopt", str(tmp_path / "2021-05-03")).status == 2
    assert len(world.run("list", "--json").document["snapshots"]) == 1
    assert world.run("adopt", str(tmp_path / "not there")).status == 2
    assert world.run("adopt", str(world.archive)).status == 2


def test_carry_knows_an_old_device_by_its_backup(world: World, tmp_path: Path) -> None:
    """A handheld that broke before handhold came: its save is carried to the one at hand."""
    old_save(tmp_path / "2021-05-03/Tinplate", "saves/Kite Weather.sav", b"of the handheld that broke")
    done = world.run("--device", "curlew", "adopt", str(tmp_path / "2021-05-03"), "--yes")
    assert done.status == 0, done.err
    assert world.run("carry", "--yes").status in (0, 3)
    assert (world.internal / "Tinplate/saves/Kite Weather.sav").read_bytes() == b"of the handheld that broke"


def test_the_clock_of_the_archive_is_utc_too() -> None:
    assert dated("2021-05-03", "x", None, NOW.astimezone(UTC)).taken.utcoffset() == timedelta(0)
