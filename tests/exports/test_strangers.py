"""Zips that nobody should believe: what is wrong is told, nothing is followed, and the file is kept."""

from __future__ import annotations

import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.archive.members import members_of
from handhold.archive.verify import verify
from handhold.archive.zipcut import cut_small
from handhold.archive.ziptree import MOST_MEMBERS, NoZip, parse
from handhold.names import written
from handhold.restore.select import Selection
from handhold.restore.steps import Decision
from tests.exports.test_ziptree import MEMBERS, read
from tests.exports.world import World
from tests.exports.writers import EVENING, WRITERS, python, python_zip64


def zipped(tmp_path: Path, write: Callable[..., None] = python) -> bytearray:
    path = tmp_path / "x.zip"
    write(path, MEMBERS, EVENING)
    return bytearray(path.read_bytes())


def end_of(data: bytes | bytearray) -> int:
    return data.rindex(b"PK\x05\x06")


def lie_about_count(data: bytearray) -> None:
    struct.pack_into("<2H", data, end_of(data) + 8, 5, 5)


def lie_about_more(data: bytearray) -> None:
    struct.pack_into("<2H", data, end_of(data) + 8, 9, 9)


def lie_about_disks(data: bytearray) -> None:
    struct.pack_into("<2H", data, end_of(data) + 4, 1, 1)


def lie_about_place(data: bytearray) -> None:
    struct.pack_into("<L", data, end_of(data) + 16, len(data))


def lie_about_length(data: bytearray) -> None:
    struct.pack_into("<L", data, end_of(data) + 12, 0x7FFFFFFF)


def two_at_one_place(data: bytearray) -> None:
    first = data.index(b"PK\x01\x02")
    second = data.index(b"PK\x01\x02", first + 4)
    data[second + 42 : second + 46] = data[first + 42 : first + 46]


def overlapping(data: bytearray) -> None:
    """The first member says that it reaches into the second."""
    first = data.index(b"PK\x01\x02")
    for at in (first + 20, data.index(b"PK\x03\x04") + 18):
        (stored,) = struct.unpack_from("<L", data, at)
        struct.pack_into("<L", data, at, stored + 40)


def another_name(data: bytearray) -> None:
    at = data.index(b"saves/Lamplighter")
    data[at : at + 5] = b"SAVES"


def another_method(data: bytearray) -> None:
    data[data.index(b"PK\x03\x04") + 8] = 0


def hurt_directory(data: bytearray) -> None:
    data[data.index(b"PK\x01\x02") + 1] = 0


def outside(data: bytearray) -> None:
    struct.pack_into("<L", data, data.index(b"PK\x01\x02") + 42, 0xFFFFFFF0)


def bytes_behind(data: bytearray) -> None:
    data += b"more"


LIES: list[Callable[[bytearray], None]] = [
    lie_about_count,
    lie_about_more,
    lie_about_disks,
    lie_about_place,
    lie_about_length,
    two_at_one_place,
    overlapping,
    another_name,
    another_method,
    hurt_directory,
    outside,
    bytes_behind,
]


@pytest.mark.parametrize("lie", LIES, ids=lambda lie: lie.__name__)
def test_a_lie_is_told_and_the_file_kept(lie: Callable[[bytearray], None], tmp_path: Path) -> None:
    data = zipped(tmp_path)
    lie(data)
    with pytest.raises(NoZip):
        read(bytes(data))
    world = World(tmp_path / "world")
    world.file(data)
    result = world.take()
    (odd,) = result.odd
    assert odd.path == "Exports/Hatbox/hatbox nightly.zip"
    assert odd.why
    (entry,) = world.kept(result.snapshot).values()
    assert world.back(entry) == data
    assert entry.members is None


def lie_wide(data: bytearray, at: int, form: str, *values: int) -> None:
    struct.pack_into(form, data, at, *values)


@pytest.mark.parametrize(
    "lie",
    [
        lambda d: lie_wide(d, d.rindex(b"PK\x06\x07") + 8, "<Q", 1 << 62),
        lambda d: lie_wide(d, d.rindex(b"PK\x06\x07") + 8, "<Q", 3),
        lambda d: lie_wide(d, d.rindex(b"PK\x06\x07") + 16, "<L", 7),
        lambda d: lie_wide(d, d.rindex(b"PK\x06\x06") + 4, "<Q", (1 << 64) - 1),
        lambda d: lie_wide(d, d.rindex(b"PK\x06\x06") + 24, "<2Q", 1 << 60, 1 << 60),
        lambda d: lie_wide(d, d.rindex(b"PK\x06\x06") + 40, "<Q", (1 << 64) - 1),
        lambda d: lie_wide(d, d.rindex(b"PK\x06\x06") + 48, "<Q", 0),
        lambda d: lie_wide(d, d.index(b"PK\x01\x02") + 20, "<2L", 0xFFFFFFFF, 0xFFFFFFFF),
    ],
    ids=["locator far", "locator near", "disks", "length", "count", "directory", "place", "no wide field"],
)
def test_lies_of_zip64(lie: Callable[[bytearray], None], tmp_path: Path) -> None:
    data = wide_end(bytes(zipped(tmp_path, python_zip64)))
    assert len(read(bytes(data)).members) == len(MEMBERS)
    lie(data)
    with pytest.raises(NoZip):
        read(bytes(data))


def wide_end(data: bytes) -> bytearray:
    """A zip with the records of zip64 before its end, written by hand.

    Source: APPNOTE.TXT 6.3.10, 4.3.14 and 4.3.15
    """
    at = end_of(data)
    _, _, _, here, count, size, place, _ = struct.unpack("<4s4H2LH", data[at:])
    record = struct.pack("<4sQ2H2L4Q", b"PK\x06\x06", 44, 45, 45, 0, 0, here, count, size, place)
    locator = struct.pack("<4sLQL", b"PK\x06\x07", 0, at, 1)
    end = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 65535, 65535, 0xFFFFFFFF, 0xFFFFFFFF, 0)
    return bytearray(data[:at] + record + locator + end)


def test_more_members_than_are_believed(tmp_path: Path) -> None:
    data = wide_end(bytes(zipped(tmp_path, python_zip64)))
    lie_wide(data, data.rindex(b"PK\x06\x06") + 24, "<2Q", MOST_MEMBERS + 1, MOST_MEMBERS + 1)
    with pytest.raises(NoZip, match="more than"):
        read(bytes(data))


@pytest.mark.parametrize("name", ["python", "zip zip64", "java"])
def test_cut_off_anywhere(name: str, tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    WRITERS[name](path, {"a.sav": b"abc" * 50, "b/c.sav": b"x" * 70}, EVENING)
    data = path.read_bytes()
    for length in range(len(data)):
        with pytest.raises(NoZip):
            read(data[:length])


def test_a_large_one_cut_off_is_kept(tmp_path: Path) -> None:
    world = World(tmp_path / "world")
    data = bytes(zipped(tmp_path))[:1_300_000]
    world.file(data)
    result = world.take()
    assert len(result.odd) == 1
    assert "cut off" in result.odd[0].why
    (entry,) = world.kept(result.snapshot).values()
    assert world.back(entry) == data


BAD = [
    "../outside.sav",
    "saves/../../outside.sav",
    "/etc/outside.sav",
    "C:\\outside.sav",
    "con",
    "saves/NUL.sav",
    "saves/com1",
    "saves//twice.sav",
    "bell\x07.sav",
    "turn\u202e.sav",
    "saves/" + "x" * 300,
    "saves/./here.sav",
]


def bad_zip(path: Path) -> bytes:
    with zipfile.ZipFile(path, "w") as made:
        for name in BAD:
            made.writestr(zipfile.ZipInfo(name), b"stranger")
        link = zipfile.ZipInfo("saves/link.sav")
        link.create_system = 3
        link.external_attr = 0o120777 << 16
        made.writestr(link, "/etc/passwd")
        made.writestr("saves/Good.sav", b"good")
    with pytest.warns(UserWarning, match="Duplicate"), zipfile.ZipFile(path, "a") as made:
        made.writestr("saves/Twice.sav", b"one")
        made.writestr("saves/Twice.sav", b"two")
    return path.read_bytes()


def test_bad_names_are_listed_and_never_followed(tmp_path: Path) -> None:
    world = World(tmp_path / "world")
    data = bad_zip(tmp_path / "x.zip")
    world.file(data)
    snapshot = world.take().snapshot
    (entry,) = world.kept(snapshot).values()
    listed = [member.name for member in world.archive.members(entry)]
    assert listed == [
        *map(written, BAD),
        "saves/link.sav",
        "saves/Good.sav",
        "saves/Twice.sav",
        "saves/Twice.sav",
    ]
    before = {p for p in tmp_path.rglob("*") if "archive" not in p.parts}
    applied = world.brought(snapshot, Selection(), unpack=True)
    after = {p for p in tmp_path.rglob("*") if "archive" not in p.parts}
    folder = world.exports() / "hatbox nightly"
    assert after - before == {folder, folder / "saves", folder / "saves/Good.sav"}
    assert (folder / "saves/Good.sav").read_bytes() == b"good"
    left = [step for step in applied.plan.steps if step.decision is Decision.BLOCKED]
    assert len(left) == len(BAD) + 3
    assert all(step.why for step in left)


def test_a_smaller_zip_takes_no_bad_names_along(tmp_path: Path) -> None:
    world = World(tmp_path / "world")
    world.file(bad_zip(tmp_path / "x.zip"))
    snapshot = world.take().snapshot
    applied = world.brought(snapshot, Selection(games=("outside", "good")))
    (written,) = applied.plan.writes
    with zipfile.ZipFile(world.exports() / written.path) as made:
        assert made.namelist() == ["saves/Good.sav"]
    assert len(applied.plan.left) == 3  # Windows' "C:\\outside" is one name, and another game by it


def test_a_wrong_checksum_is_told(tmp_path: Path) -> None:
    world = World(tmp_path / "world")
    data = zipped(tmp_path)
    held = next(h for h in read(bytes(data)).members if h.name == b"saves/Lamplighter.sav")
    data[held.data + held.stored // 2] ^= 1
    world.file(data)
    result = world.take()
    (odd,) = result.odd
    assert "saves/Lamplighter.sav" in odd.why
    (entry,) = world.kept(result.snapshot).values()
    assert world.back(entry) == data
    plan = world.planned(result.snapshot, Selection(games=("Lamplighter",))).plan
    blocked = [step for step in plan.steps if step.decision is Decision.BLOCKED]
    assert [step.path.rpartition("/")[2] for step in blocked] == ["Lamplighter.sav"]
    assert "damaged before it was kept" in blocked[0].why
    (written,) = plan.writes
    assert "only Lamplighter" in written.path  # with the state, which is sound


def test_a_bomb_is_kept_and_not_unpacked(tmp_path: Path) -> None:
    """A member that says less than it holds, and one that says more than any packing can hold."""
    world = World(tmp_path / "world")
    path = tmp_path / "x.zip"
    python(path, {"a.sav": b"\0" * 50_000_000, "b.sav": b"\0" * 20_000}, EVENING)
    data = bytearray(path.read_bytes())
    for mark, at in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)):
        first = data.index(mark)
        struct.pack_into("<L", data, first + at, 1000)
        struct.pack_into("<L", data, data.index(mark, first + 4) + at, 0xF0000000)
    world.file(data)
    result = world.take()
    assert any("holds more than it says" in odd.why for odd in result.odd)
    (entry,) = world.kept(result.snapshot).values()
    assert world.back(entry) == data
    applied = world.brought(result.snapshot, Selection(), unpack=True)
    assert not applied.plan.writes
    assert len(applied.plan.left) == 2


def test_an_encrypted_member_is_named_and_comes_along(tmp_path: Path) -> None:
    """The flag alone: what is behind it needs a password, which handhold never has."""
    world = World(tmp_path / "world")
    data = zipped(tmp_path)
    for mark, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.index(mark) + at] |= 1  # Source: APPNOTE.TXT 6.3.10, 4.4.4, bit 0
    world.file(data)
    snapshot = world.take().snapshot
    (entry,) = world.kept(snapshot).values()
    assert world.back(entry) == data
    assert [m.encrypted for m in world.archive.members(entry)] == [True, *[False] * (len(MEMBERS) - 1)]
    made = world.brought(snapshot, Selection(games=("Lamplighter",)))
    (written,) = made.plan.writes
    with zipfile.ZipFile(world.exports() / written.path) as zip_:
        assert [info.flag_bits & 1 for info in zip_.infolist()] == [1, 0]
    unpacked = world.brought(snapshot, Selection(games=("Lamplighter",)), unpack=True)
    assert [step.why for step in unpacked.plan.left] == ["it needs a password"]


def test_an_encrypted_directory_is_told(tmp_path: Path) -> None:
    data = zipped(tmp_path)
    data[data.index(b"PK\x01\x02") + 9] |= 0x20  # Source: APPNOTE.TXT 6.3.10, 4.4.4, bit 13
    with pytest.raises(NoZip, match="encrypted"):
        read(bytes(data))


members = st.dictionaries(
    # The library ends a name at a NUL, so that two of them can become one.
    st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=30),
    st.one_of(st.binary(max_size=400), st.integers(0, 3000).map(lambda n: b"ab" * n)),
    max_size=6,
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("any")


def rebuilt(data: bytes) -> None:
    """Whatever the bytes are, taking them apart never fails, and they come back."""
    made = cut_small(data, lambda ident: False, 1)
    if made.ranges:
        blocks = {block.id: block for block in made.fresh}
        from handhold.archive.blocks import unseal

        plain = {ident: unseal(block) for ident, block in blocks.items()}
        assert b"".join(plain[r.id][r.offset : r.offset + r.length] for r in made.ranges) == data


@settings(max_examples=60)
@given(members, st.sampled_from(["python", "python stored", "python zip64", "python streamed"]))
def test_any_zip_is_read_as_the_library_reads_it(folder: Path, given: dict[str, bytes], name: str) -> None:
    path = folder / "x.zip"
    path.unlink(missing_ok=True)
    WRITERS[name](path, given, EVENING)
    data = path.read_bytes()
    rebuilt(data)
    with zipfile.ZipFile(path) as known:
        infos = known.infolist()
    assert [(m.size, m.stored, m.crc32) for m in members_of(read(data))] == [
        (info.file_size, info.compress_size, f"{info.CRC:08x}") for info in infos
    ]


@settings(max_examples=300)
@given(st.data())
def test_a_changed_zip_is_told_or_read_and_always_comes_back(folder: Path, data: st.DataObject) -> None:
    name = data.draw(st.sampled_from(["python", "python zip64", "python streamed"]))
    path = folder / f"{name}.zip"
    if not path.exists():
        WRITERS[name](path, {k: v[:9_000] for k, v in MEMBERS.items()}, EVENING)
    made = bytearray(path.read_bytes())
    if "zip64" in name:
        made = wide_end(bytes(made))
    tail = len(made) - 700
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.one_of(st.integers(tail, len(made) - 1), st.integers(0, len(made) - 1)))
        made[at] = data.draw(st.integers(0, 255))
    cut = data.draw(st.one_of(st.just(len(made)), st.integers(0, len(made))))
    rebuilt(bytes(made[:cut]))


@settings(max_examples=100)
@given(st.binary(max_size=200))
def test_any_bytes_behind_a_zips_first(data: bytes) -> None:
    rebuilt(b"PK\x03\x04" + data)
    rebuilt(b"PK\x05\x06" + data)


def test_a_reader_that_gives_less_is_no_danger() -> None:
    with pytest.raises(NoZip):
        parse(lambda at, size: b"", 1000)


def test_every_odd_file_verifies(tmp_path: Path) -> None:
    world = World(tmp_path / "world")
    for number, lie in enumerate(LIES):
        data = zipped(tmp_path)
        lie(data)
        world.file(data, f"{number}.zip")
    world.file(bad_zip(tmp_path / "x.zip"), "bad.zip")
    assert len(world.take().odd) == len(LIES)
    assert verify(world.archive.storage, True).ok
