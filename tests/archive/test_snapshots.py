"""Snapshots: their names and order, and how they are found."""

from __future__ import annotations

import os
import re
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from handhold.archive import head as heads
from handhold.archive import manifest as manifests
from handhold.archive.archive import Archive
from handhold.archive.head import VolumeNote
from handhold.errors import Damaged, Exit, UnknownName
from handhold.model import HomeKind, Kind, Site
from tests.archive.fixtures import EVENING, again, contents, files, make, night, path

_DAY = timedelta(days=1)


def test_a_snapshot_is_named_in_the_owners_time(tmp_path: Path) -> None:
    archive = make(tmp_path)
    taken = datetime(2031, 4, 6, 0, 30, tzinfo=timezone(timedelta(hours=14)))
    one = night(archive, {"a": b"1"}, taken=taken)
    assert one.name == "meadow.2031-04-06.003000"
    assert re.fullmatch(r"manifests/meadow\.20310405T103000Z\.[0-9a-f]{8}\.manifest", one.file)
    assert again(archive).snapshots() == [one]


def test_snapshots_of_one_second_have_names_of_their_own(tmp_path: Path) -> None:
    archive = make(tmp_path)
    made = [night(archive, {"a": b"%d" % n}, taken=EVENING.replace(microsecond=n)) for n in range(3)]
    assert [one.name for one in made] == [
        "meadow.2031-04-05.213000",
        "meadow.2031-04-05.213000-2",
        "meadow.2031-04-05.213000-3",
    ]
    other = again(archive)
    assert [contents(other, other.find(one.name))["a"] for one in made] == [b"0", b"1", b"2"]
    # The names stay when the first is let go of.
    os.unlink(path(archive, made[0].file))
    assert again(archive).find(made[1].name) == made[1]
    assert night(again(archive), {"a": b"3"}).name == "meadow.2031-04-05.213000"


@pytest.mark.parametrize("made_up", [(1 << 63) - 1, (1 << 40) + 1, 1 << 40, (1 << 40) - 1])
def test_a_number_that_somebody_made_up_stops_no_later_night(tmp_path: Path, made_up: int) -> None:
    archive = make(tmp_path)
    head = heads.make_head(
        name="meadow.2031-04-05.213000", device="meadow", sequence=made_up, kind=Kind.NIGHT, taken=EVENING,
        tool="x", files=0, bytes=0, pages=0, gaps=0, volumes=(), sites=(), layouts={}, note="", base=None,
        safety=None,
    )  # fmt: skip
    packed = manifests.pack(manifests.encode(head, [], []))
    file = path(archive, manifests.file_name("meadow", EVENING, packed))
    os.makedirs(os.path.dirname(file), exist_ok=True)
    with open(file, "wb") as stream:
        stream.write(packed)
    for day in range(1, 4):
        other = again(archive)
        one = night(other, {"a": b"%d" % day}, taken=EVENING + day * _DAY)
        assert again(archive).find("latest") == one
        assert contents(again(archive), one) == {"a": b"%d" % day}
    assert len(again(archive).nights()) == (3 if made_up > 1 << 40 else 4)


def test_an_hour_that_comes_twice_gives_two_names(tmp_path: Path) -> None:
    archive = make(tmp_path)
    summer = datetime(2031, 10, 26, 2, 30, tzinfo=timezone(timedelta(hours=2)))
    winter = datetime(2031, 10, 26, 2, 30, tzinfo=timezone(timedelta(hours=1)))
    assert [night(archive, {"a": b"1"}, taken=at).name[-2:] for at in (summer, winter)] == ["00", "-2"]


def test_the_order_is_the_sequence_whatever_the_clock_says(tmp_path: Path) -> None:
    archive = make(tmp_path)
    times = [EVENING, EVENING - 9000 * _DAY, EVENING + _DAY, EVENING - _DAY, datetime(1970, 1, 1, tzinfo=UTC)]
    made = [night(archive, {"a": b"%d" % n}, taken=at) for n, at in enumerate(times)]
    assert [one.sequence for one in made] == [1, 2, 3, 4, 5]
    other = again(archive)
    assert other.snapshots() == made
    assert other.find("latest") == made[-1]
    os.unlink(path(archive, made[-1].file))
    assert night(again(archive), {"a": b"x"}).sequence == 5


def test_the_number_of_a_snapshot_that_cannot_be_read_is_not_given_away(tmp_path: Path) -> None:
    archive = make(tmp_path)
    made = [night(archive, {"a": b"%d" % n}, taken=EVENING + n * _DAY) for n in range(3)]
    Path(path(archive, made[2].file)).write_bytes(b"hurt")
    other = again(archive)
    assert other.snapshots() == made[:2]
    assert other.unreadable == [made[2].file]
    assert night(other, {"a": b"4"}).sequence > 3


def test_safety_and_restored_are_no_nights(tmp_path: Path) -> None:
    archive = make(tmp_path)
    first = night(archive, {"a": b"1"})
    safety = night(archive, {"a": b"2"}, kind=Kind.SAFETY, taken=EVENING + _DAY)
    restored = night(archive, {"a": b"1"}, kind=Kind.RESTORED, taken=EVENING + 2 * _DAY)
    other = again(archive)
    assert [one.kind for one in other.snapshots()] == [Kind.NIGHT, Kind.SAFETY, Kind.RESTORED]
    assert other.nights() == [first]
    for wanted in ("latest", "meadow", "meadow.2040-01-01"):
        assert other.find(wanted) == first
    assert other.find(safety.name) == safety
    with pytest.raises(UnknownName):
        other.find(restored.name)


@pytest.fixture
def two(tmp_path: Path) -> Archive:
    archive = make(tmp_path)
    for day in range(3):
        night(archive, {"a": b"%d" % day}, taken=EVENING + 2 * day * _DAY)
    night(archive, {"a": b"g"}, device="Garden-2", taken=EVENING - 30 * _DAY)
    return again(archive)


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ("latest", "Garden-2.2031-03-06.213000"),
        ("meadow", "meadow.2031-04-09.213000"),
        ("MEADOW", "meadow.2031-04-09.213000"),
        ("garden-2", "Garden-2.2031-03-06.213000"),
        ("meadow.2031-04-05", "meadow.2031-04-05.213000"),
        ("meadow.2031-04-06", "meadow.2031-04-05.213000"),
        ("meadow.2031-04-07", "meadow.2031-04-07.213000"),
        ("meadow.2099-12-31", "meadow.2031-04-09.213000"),
        ("meadow.2031-04-07.213000", "meadow.2031-04-07.213000"),
        ("Meadow.2031-04-07.213000", "meadow.2031-04-07.213000"),
    ],
)
def test_every_way_of_naming_one(two: Archive, wanted: str, found: str) -> None:
    assert two.find(wanted).name == found


@pytest.mark.parametrize(
    ("wanted", "offered"),
    [
        ("meadwo", "Did you mean meadow?"),
        ("garden", "Did you mean Garden-2?"),
        ("zzz", "There is: Garden-2, meadow."),
        ("", "There is: Garden-2, meadow."),
        ("meadow.2031-04-04", "The first one of meadow is meadow.2031-04-05.213000."),
        ("meadow.2031-04-07.213001", "Did you mean meadow.2031-04-07.213000"),
        ("meadow.2031-02-30", "meadow.2031-04-05.213000"),
        ("meadow.20310405", "meadow.2031-04-05.213000"),
        ("meadow.", "meadow.2031-04-05.213000"),
        ("../../etc/passwd", "Garden-2"),
    ],
)
def test_a_wrong_name_gets_the_nearest(two: Archive, wanted: str, offered: str) -> None:
    with pytest.raises(UnknownName) as told:
        two.find(wanted)
    assert offered in told.value.advice
    assert told.value.status is Exit.WRONG_INPUT
    assert f'"{wanted}"' in told.value.what


def test_an_archive_without_snapshots_says_so(tmp_path: Path) -> None:
    archive = make(tmp_path)
    assert archive.snapshots() == []
    for wanted in ("latest", "meadow"):
        with pytest.raises(UnknownName, match="no snapshot yet"):
            archive.find(wanted)


def test_a_date_goes_by_the_day_also_where_a_clock_had_been_reset(tmp_path: Path) -> None:
    archive = make(tmp_path)
    right = night(archive, {"a": b"1"})
    night(archive, {"a": b"2"}, taken=datetime(2000, 1, 1, tzinfo=UTC))
    assert again(archive).find("meadow.2031-04-05") == right


def test_a_list_reads_the_heads_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    archive = make(tmp_path)
    sites = [
        Site("tinplate", f"home{n}", HomeKind.FOLDER, "card", f"A folder/number {n * 7919}")
        for n in range(900)
    ]
    for n in range(20):
        with archive.locked("x"), archive.writer() as writer:
            writer.finish(
                device="meadow",
                kind=Kind.NIGHT,
                taken=EVENING + n * _DAY,
                volumes=[VolumeNote("card", "exfat")],
                sites=sites if n == 7 else [],
                layouts={},
                entries=[],
                gaps=[],
                note=f"night {n}",
            )
    other = again(archive)
    reads: list[tuple[str, int]] = []
    read = other.storage.read

    def counted(name: str, offset: int, length: int) -> bytes:
        reads.append((name, length))
        return read(name, offset, length)

    monkeypatch.setattr(other.storage, "read", counted)
    assert [one.note for one in other.snapshots()] == [f"night {n}" for n in range(20)]
    assert 20 <= len(reads) <= 23
    reads.clear()
    other.snapshots()
    assert reads == []
    assert len(other.read(other.snapshots()[7]).sites) == 900


def test_foreign_files_among_the_manifests_are_passed_over(tmp_path: Path) -> None:
    archive = make(tmp_path)
    one = night(archive, {"a": b"1"})
    folder = Path(path(archive, "manifests"))
    (folder / "notes.txt").write_text("x")
    (folder / "new-00.part").write_text("x")
    (folder / "meadow.20310405T193000Z.0011223.manifest").write_text("x")
    (folder / "meadow.20310405T193000Z.00112233.manifest").mkdir()
    os.symlink("/etc/passwd", folder / "meadow.20310405T193000Z.aaaaaaaa.manifest")
    (folder / "meadow.20310405T193000Z.bbbbbbbb.manifest").write_bytes(
        Path(path(archive, one.file)).read_bytes()
    )
    other = again(archive)
    assert [found.file for found in other.snapshots()] == [
        one.file,
        "manifests/meadow.20310405T193000Z.bbbbbbbb.manifest",
    ]
    assert other.unreadable == ["manifests/meadow.20310405T193000Z.aaaaaaaa.manifest"]
    with pytest.raises(Damaged):
        other.read(other.snapshots()[1])


def test_a_manifest_that_is_hurt_or_gone_is_damage_of_that_snapshot_only(tmp_path: Path) -> None:
    archive = make(tmp_path)
    first = night(archive, {"a": b"1"})
    second = night(archive, {"a": b"2"}, taken=EVENING + _DAY)
    file = Path(path(archive, first.file))
    data = bytearray(file.read_bytes())
    data[-1] ^= 1
    file.write_bytes(bytes(data))
    other = again(archive)
    assert other.find("meadow.2031-04-05") == first
    with pytest.raises(Damaged, match=re.escape(first.name)):
        other.read(first)
    file.unlink()
    with pytest.raises(Damaged, match=re.escape(first.name)):
        other.read(first)
    assert contents(other, second) == {"a": b"2"}


def test_names_fit_the_smallest_file_system(tmp_path: Path) -> None:
    archive = make(tmp_path)
    night(archive, {"a": b"1"}, device="A" + "b_-9" * 9 + "xyz")
    for name in files(archive):
        for part in name.split("/"):
            assert re.fullmatch(r"[A-Za-z0-9._-]{1,99}", part)
