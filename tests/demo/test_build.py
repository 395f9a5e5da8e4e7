"""The example is built the same every time, and holds what it is there to show."""

from __future__ import annotations

import io
import os
import struct
import subprocess
import zipfile
import zlib
from collections import Counter
from pathlib import Path

import pytest

from handhold.demo.build import Built, BuiltFile, build, lose_save, play_evening, second_device
from handhold.errors import WrongInput
from handhold.model import Part

from .opening import open_up


def whole_story(folder: Path) -> Built:
    built = build(str(folder))
    for number in range(1, len(built.scenario.evenings) + 1):
        play_evening(built, number)
    lose_save(built)
    second_device(built)
    return built


def times(folder: Path) -> dict[str, tuple[int, int, int]]:
    found = {}
    for place, folders, files in os.walk(folder):
        for name in (".", *folders, *files):
            stat = os.stat(os.path.join(place, name))
            found[os.path.relpath(os.path.join(place, name), folder)] = (
                stat.st_mtime_ns,
                stat.st_mode,
                stat.st_size if name in files else 0,
            )
    return found


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    return build(str(tmp_path_factory.mktemp("example")))


def test_the_same_twice(tmp_path: Path) -> None:
    whole_story(tmp_path / "once")
    whole_story(tmp_path / "again")
    for name in ("once", "again"):
        open_up(tmp_path / name)
    compared = subprocess.run(["diff", "-r", "once", "again"], cwd=tmp_path, capture_output=True, text=True)
    assert (compared.stdout, compared.returncode) == ("", 0)
    once = times(tmp_path / "once")
    assert once == times(tmp_path / "again")
    assert len(once) > 250


def test_each_file_stands_as_it_is_told(built: Built) -> None:
    files = readable(built)
    on_disk = {os.path.join(place, name) for place, _, files in os.walk(built.folder) for name in files}
    assert on_disk == {f.place for f in files}
    for file in files:
        stat = os.stat(file.place)
        assert (stat.st_size, stat.st_mtime_ns) == (file.size, file.modified)
        assert file.modified < 1710090000 * 10**9, (
            "no file is younger than Sunday, 10 March 2024, 18:00 +01:00"
        )
        assert file.modified % (2 * 10**9) == 0, "a time that every card can keep"


def readable(built: Built) -> list[BuiltFile]:
    return [f for f in built.device.files if not f.unreadable or os.geteuid() == 0]


def some(built: Built, **wanted: object) -> list[BuiltFile]:
    return [f for f in built.device.files if all(getattr(f, k) == v for k, v in wanted.items())]


def test_it_holds_what_it_is_there_to_show(built: Built) -> None:
    files = built.device.files
    assert len(files) >= 200
    assert len({f.emulator for f in files} - {None}) >= 12
    assert {f.part for f in files} == {*Part, None} - {Part.CACHE}
    assert some(built, part=Part.SAVES, size=0), "an empty save"
    assert any(f.part is Part.SAVES and f.size > 1 << 20 for f in files), "a memory card above 1 MiB"
    text = "".join(f.path for f in files)
    for sign in " '“ó月&(":
        assert sign in text
    contents = Counter(Path(f.place).read_bytes() for f in files if f.part is Part.TEXTURES)
    assert max(contents.values()) == 2, "the same texture twice"
    assert any(b"/storage/" in Path(f.place).read_bytes() for f in files if f.part is Part.SETTINGS)
    assert min(f.modified for f in files) < 946684800 * 10**9, "a time before the year 2000"
    assert any(f.emulator is None for f in files), "something that nobody claims"


def test_every_card_can_hold_it(built: Built) -> None:
    # Source: Microsoft, FAT: General Overview of On-Disk Format, "Long Directory Entries"; from memory.
    for file in built.device.files:
        assert not set(file.path) & set('"*:<>?\\|'), file.path
        assert all(len(name) <= 255 and name == name.strip(" .") for name in file.path.split("/"))


def test_private_storage_is_closed_or_it_is_said(built: Built) -> None:
    private = {os.path.dirname(f.place) for f in some(built, unreadable=True)}
    home = os.path.commonpath(private)
    assert os.stat(home).st_mode & 0o777 == 0
    (note,) = built.notes
    assert home in note
    assert ("root" in note) == (os.geteuid() == 0)
    if os.geteuid() != 0:
        assert "chmod 700" in note
        with pytest.raises(PermissionError):
            os.listdir(home)


def test_pictures_are_pictures(built: Built) -> None:
    # Source: W3C, Portable Network Graphics (PNG) Specification, section 5: signature, chunks; from memory.
    data = Path(next(f.place for f in built.device.files if f.path.endswith(".png"))).read_bytes()
    assert data[:8] == bytes([137, 80, 78, 71, 13, 10, 26, 10])
    at, seen = 8, {}
    while at < len(data):
        (length,) = struct.unpack_from(">I", data, at)
        name, body = data[at + 4 : at + 8], data[at + 8 : at + 8 + length]
        assert struct.unpack_from(">I", data, at + 8 + length) == (zlib.crc32(name + body),)
        seen[name] = body
        at += 12 + length
    assert list(seen) == [b"IHDR", b"IDAT", b"IEND"]
    width, height = struct.unpack_from(">II", seen[b"IHDR"])
    assert len(zlib.decompress(seen[b"IDAT"])) == height * (1 + width)


def test_exports_are_zips(built: Built) -> None:
    exports = [f for f in built.device.files if f.path.endswith(".zip") and f.part is Part.SAVES]
    assert len(exports) == 2
    for export in exports:
        with zipfile.ZipFile(io.BytesIO(Path(export.place).read_bytes())) as archive:
            assert archive.testzip() is None
    assert max(e.modified for e in exports) - min(e.modified for e in exports) > 365 * 86400 * 10**9


def test_an_evening_changes_what_it_says_and_a_card_only_a_little(tmp_path: Path) -> None:
    built = build(str(tmp_path / "example"))
    last = 0.0
    for number in range(1, len(built.scenario.evenings) + 1):
        before = {f.address: Path(f.place).read_bytes() for f in readable(built)}
        evening = play_evening(built, number)
        after = {f.address: Path(f.place).read_bytes() for f in readable(built)}
        assert {a for a in after if after[a] != before[a]} == {f.address for f in evening.changed}
        cards = [f.address for f in evening.changed if f.size > 1 << 20 and not f.path.endswith(".zip")]
        assert cards, "a memory card is played on each evening"
        for card in cards:
            differing = sum(x != y for x, y in zip(before[card], after[card], strict=True))
            assert 0 < differing <= 3 * 8192
        at = evening.at.timestamp() * 10**9
        assert {os.stat(f.place).st_mtime_ns for f in evening.changed} == {at}
        assert at > last
        last = at


def test_a_nightly_export_stamps_every_member_anew(tmp_path: Path) -> None:
    built = build(str(tmp_path / "example"))
    changed = {file.address: file for file in play_evening(built, 1).changed}
    nightly = changed["card:Exports/Hatbox/hatbox nightly.zip"].place

    def members() -> dict[str, tuple[tuple[int, ...], int]]:
        with zipfile.ZipFile(nightly) as archive:
            return {m.filename: (m.date_time, m.CRC) for m in archive.infolist()}

    first = members()
    play_evening(built, 2)
    second = members()
    assert first.keys() == second.keys()
    assert all(first[name][0] != second[name][0] for name in first), "each has another time"
    assert {name for name in first if first[name][1] == second[name][1]} == {
        "settings.txt",
        "textures/lid.tex",
    }


def test_a_lost_save_and_a_second_device(tmp_path: Path) -> None:
    built = build(str(tmp_path / "example"))
    for number in (1, 2, 3):
        play_evening(built, number)
    lost = lose_save(built)
    assert lost.file.part is Part.SAVES
    assert not os.path.exists(lost.file.place)
    assert os.path.isdir(os.path.dirname(lost.file.place))

    second = second_device(built)
    assert set(second.device.volumes) == {"internal"}
    on_first = next(f for f in built.device.files if (f.emulator, f.part, f.game) == second.ahead[6:9])
    assert Path(second.ahead.place).read_bytes() != Path(on_first.place).read_bytes()
    newest = max(os.stat(f.place).st_mtime_ns for f in readable(built) if os.path.exists(f.place))
    assert second.ahead.modified > newest + 14 * 3600 * 10**9, "newer beyond any time zone"
    others = [f for f in second.device.files if f.part is Part.SAVES and f.address != second.ahead.address]
    assert others
    assert all(f.modified < newest - 14 * 3600 * 10**9 for f in others), "no other save is ahead there"


def test_it_does_not_build_over_anything(tmp_path: Path) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "kept.sav").write_bytes(b"mine")
    with pytest.raises(WrongInput, match="not empty"):
        build(str(tmp_path / "full"))
    with pytest.raises(WrongInput, match=r"kept\.sav"):
        build(str(tmp_path / "full" / "kept.sav"))
    assert os.listdir(tmp_path / "full") == ["kept.sav"]
