"""The list of members as FORMAT.md has it, against Python's library."""

from __future__ import annotations

import re
import zipfile
import zlib
from pathlib import Path

import pytest

from handhold.archive import members, recipe
from handhold.archive.archive import Archive
from handhold.errors import Damaged
from handhold.model import Entry, Part
from tests.archive.fixtures import make
from tests.exports.test_ziptree import read

SAVE = b"LEVEL 3 SCORE 90"


def example() -> bytes:
    text = Path(members.__file__).with_name("FORMAT.md").read_text("utf-8")
    (found,) = re.findall(r"^```json-lines members\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)
    return str(found).encode()


def test_the_example_is_what_is_written(tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    with zipfile.ZipFile(path, "w") as made:
        for name, content in (("empty.txt", b""), ("saves/Ladder.sav", SAVE)):
            made.writestr(zipfile.ZipInfo(name, (2031, 4, 5, 21, 30, 8)), content)
    data = path.read_bytes()
    assert members.encode(members.members_of(read(data))) == example()
    save = members.decode(example())[1]
    assert data[save.at : save.at + save.stored] == SAVE
    assert save.crc32 == f"{zlib.crc32(SAVE):08x}"


@pytest.mark.parametrize(
    "line",
    [
        b"{}",
        b"no json",
        b'{"name":"a","size":-1,"stored":0,"at":0,"crc32":"00000000"}',
        b'{"name":"a","size":0,"stored":-1,"at":0,"crc32":"00000000"}',
        b'{"name":"a","size":0,"stored":9223372036854775807,"at":1,"crc32":"00000000"}',
        b'{"name":"a","size":0,"stored":0,"at":0,"crc32":"0000000"}',
        b'{"name":"a","size":0,"stored":0,"at":0,"crc32":"0000000G"}',
        b'{"name":"a\\\\q","size":0,"stored":0,"at":0,"crc32":"00000000"}',
        b'{"name":"a","size":0,"stored":0,"at":0,"crc32":"00000000","modified":"yesterday"}',
        b'{"name":"a","size":0,"stored":0,"at":0,"crc32":"00000000","method":70000}',
        b"[" * 100_000,
    ],
    ids=range(11),
)
def test_lists_that_are_not_believed(line: bytes) -> None:
    with pytest.raises(ValueError, match="list of a zip's members"):
        members.decode(line + b"\n")


def test_unknown_keys_are_passed_over() -> None:
    line = example().replace(b'"method":0}', b'"method":0,"more":[1]}')
    assert members.decode(line) == members.decode(example())


@pytest.mark.parametrize("count", [2, 60_000])
def test_a_list_of_any_length_comes_back(count: int, tmp_path: Path) -> None:
    """A list longer than a piece is stored as several blocks."""
    archive = make(tmp_path)
    data = example() * (count // 2)
    with archive.locked("test"), archive.writer() as writer:
        ident = writer.put_list(data)
        save = writer.put_plain(SAVE)
    assert archive.block(ident).startswith(recipe.MAGIC) == (count > 2)
    entry = Entry("hatbox", Part.SAVES, "export", "x.zip", len(SAVE), 0, save, members=ident)
    assert len(archive.members(entry)) == count
    assert archive.holds(entry)


def test_a_list_that_is_not_there(tmp_path: Path) -> None:
    archive: Archive = make(tmp_path)
    with archive.locked("test"), archive.writer() as writer:
        save = writer.put_plain(SAVE)
    entry = Entry("hatbox", Part.SAVES, "export", "x.zip", len(SAVE), 0, save, members="00" * 32)
    assert not archive.holds(entry)
    with pytest.raises(Damaged):
        archive.members(entry)
    assert b"".join(archive.content(entry)) == SAVE
