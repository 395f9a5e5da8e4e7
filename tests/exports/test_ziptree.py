"""Where members lie, against what Python's library says of zips that several programs wrote."""

from __future__ import annotations

import random
import zipfile
from pathlib import Path

import pytest

from handhold.archive.members import decode, encode, members_of
from handhold.archive.zipcut import spans
from handhold.archive.ziptree import ZipTree, parse
from tests.exports.writers import EVENING, WRITERS, python, sound

MEMBERS = {
    "saves/Lamplighter.sav": random.Random(1).randbytes(65_536),
    "saves/Eleven Bells.sav": b"\0" * 32_768,
    "saves/月のうさぎ工房.sav": b"moon" * 5_000,
    "states/Lamplighter.st1": random.Random(2).randbytes(1_300_000),
    "settings.txt": b"volume = 70\n",
    "empty.txt": b"",
}


def read(data: bytes) -> ZipTree:
    return parse(lambda at, size: data[at : at + size], len(data))


def check(data: bytes, path: Path) -> None:
    """Every member's place and numbers are those that Python's library finds; the runs make up the file."""
    tree = read(data)
    with zipfile.ZipFile(path) as known:
        infos = known.infolist()
        # Without bit 11 the library reads names as code page 437; that gives the bytes back.
        raw = [i.filename.encode("utf-8" if i.flag_bits & 1 << 11 else "cp437") for i in infos]
        assert [held.name for held in tree.members] == raw
        for held, info in zip(tree.members, infos, strict=True):
            assert (held.crc, held.stored, held.size) == (info.CRC, info.compress_size, info.file_size)
            assert held.method == info.compress_type
            assert held.is_folder == info.is_dir()
            if not info.is_dir() and held.method == zipfile.ZIP_STORED:
                assert data[held.data : held.data + held.stored] == known.read(info)
    done = 0
    for span in spans(tree, len(data)):
        assert (span.start, span.length > 0) == (done, True)
        done += span.length
    assert done == len(data)


@pytest.mark.parametrize("name", WRITERS)
def test_members_lie_where_the_library_finds_them(name: str, tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    WRITERS[name](path, MEMBERS, EVENING)
    assert sound(path)
    check(path.read_bytes(), path)
    with_content = {h.name for h in read(path.read_bytes()).members if not h.is_folder}
    assert with_content == {name.encode() for name in MEMBERS}


def test_an_empty_zip(tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    python(path, {}, EVENING)
    tree = read(path.read_bytes())
    assert tree.members == ()
    assert len(path.read_bytes()) == 22  # Source: APPNOTE.TXT 6.3.10, 4.3.16, the fields of the end record


@pytest.mark.parametrize("comment", [b"made at home", b"PK\x05\x06" * 10, b"x" * 65_535], ids=len)
def test_a_comment_at_the_end(comment: bytes, tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    python(path, MEMBERS, EVENING)
    bare = path.read_bytes()
    # The library finds no directory behind a comment that looks like one, so it reads the zip without it.
    commented = bare[:-2] + len(comment).to_bytes(2, "little") + comment
    assert read(commented).comment == comment
    assert read(commented).members == read(bare).members
    check(commented, path)


@pytest.mark.parametrize("wide", [False, True])
@pytest.mark.parametrize("prefix", [b"x", b"#!/bin/sh\nexec something\n" * 100])
def test_bytes_before_the_zip(prefix: bytes, wide: bool, tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    python(path, MEMBERS, EVENING, wide=wide)
    data = prefix + path.read_bytes()
    path.write_bytes(data)
    check(data, path)


def test_100_000_members(tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    with zipfile.ZipFile(path, "w") as made:
        for number in range(100_000):
            made.writestr(zipfile.ZipInfo(f"{number}", EVENING.timetuple()[:6]), b"")
    tree = read(path.read_bytes())
    assert len(tree.members) == 100_000
    assert tree.members[-1].name == b"99999"
    assert len(decode(encode(members_of(tree)))) == 100_000


def test_the_list_says_what_the_directory_says(tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    python(path, MEMBERS, EVENING)
    listed = members_of(read(path.read_bytes()))
    assert decode(encode(listed)) == tuple(listed)
    first = listed[0]
    assert (first.name, first.size, first.method) == ("saves/Lamplighter.sav", 65_536, 8)
    assert first.modified == "2031-04-05T21:30:08"  # the zip has no offset: this is local time


def test_a_time_with_its_offset(tmp_path: Path) -> None:
    WRITERS["zip with times"](tmp_path / "x.zip", MEMBERS, EVENING)
    for one in members_of(read((tmp_path / "x.zip").read_bytes())):
        if not one.is_folder:
            assert one.modified == "2031-04-05T21:30:08Z"


@pytest.mark.parametrize(
    ("raw", "flags", "name"),
    [
        ("Cañón".encode("cp437"), 0, "Cañón"),  # Source: APPNOTE.TXT 6.3.10, appendix D.1: code page 437
        ("Cañón".encode(), 0, "Cañón"),
        (b"caf\xe9", 1 << 11, "caf\\xe9"),
        (b"a\\b", 0, "a\\\\b"),
    ],
)
def test_names(raw: bytes, flags: int, name: str) -> None:
    from handhold.archive.members import name_of
    from handhold.archive.ziptree import Held

    assert name_of(Held(raw, flags, 8, (0, 0), 0, 0, 0, 0, 0, 0, 0, 0, b"", False)) == name


def test_writers_differ_in_what_follows_a_member(tmp_path: Path) -> None:
    """That the writers above really cover both: sizes before the member, and behind it."""
    flags = {}
    for name, write in WRITERS.items():
        try:
            write(tmp_path / "x.zip", {"a": b"abc" * 1000}, EVENING)
        except pytest.skip.Exception:
            continue  # the other tests say so
        (held,) = read((tmp_path / "x.zip").read_bytes()).members
        flags[name] = bool(held.flags & 8)  # Source: APPNOTE.TXT 6.3.10, 4.4.4, bit 3
        (tmp_path / "x.zip").unlink()
    behind = {"python streamed", "python streamed zip64", "zip streamed", "bsdtar", "bsdtar stored", "java"}
    assert {name for name, flag in flags.items() if flag} == behind & flags.keys()
