"""Stored blocks that are hurt: whoever has the content again puts it again, and it can be had again."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.blocks import block_id
from handhold.archive.bundle import HEADER_SIZE
from handhold.archive.recipe import Range
from handhold.archive.verify import verify
from handhold.errors import Damaged
from tests.archive.fixtures import again, bundles, contents, entry, finish, make, night, path

SAVE = os.urandom(3000)


def hurt(archive: Archive, ident: bytes) -> None:
    """Changes one byte of every stored copy of a block, as a card that ages does."""
    for file, row in list(archive.index.places(ident)):
        with open(path(archive, file), "r+b") as stream:
            stream.seek(row.offset + HEADER_SIZE + row.stored // 2)
            byte = stream.read(1)[0]
            stream.seek(-1, os.SEEK_CUR)
            stream.write(bytes([(byte + 1) % 256]))


def test_a_hurt_block_is_stored_again(tmp_path: Path) -> None:
    archive = make(tmp_path)
    first = night(archive, {"a.sav": SAVE, "b.sav": b"another"})
    (old,) = bundles(archive)
    hurt(archive, block_id(SAVE))
    archive = again(archive)
    with pytest.raises(Damaged):
        contents(archive, first)
    with archive.locked("test"), archive.writer() as writer:
        assert not writer.known(block_id(SAVE))
        assert writer.known(block_id(b"another"))
        writer.put_plain(SAVE)
        writer.put_plain(SAVE)
        assert writer.new_blocks == 1
        assert writer.known(block_id(SAVE))
    for each in (archive, again(archive)):
        assert len(list(each.index.places(block_id(SAVE)))) == 2
        assert contents(each, first) == {"a.sav": SAVE, "b.sav": b"another"}
    report = verify(archive.storage, deep=True)
    assert [damage.file for damage in report.damage] == [old]
    assert report.damage[0].affects == ()
    assert report.whole == (first.name,)


def test_each_copy_is_tried_in_the_run_that_wrote_it(tmp_path: Path) -> None:
    archive = make(tmp_path)
    first = night(archive, {"a.sav": SAVE})
    for _ in range(3):
        hurt(archive, block_id(SAVE))
        with archive.locked("test"), archive.writer() as writer:
            writer.put_plain(SAVE + b"?")  # another bundle than the one before
            writer.put_plain(SAVE)
            writer.put_plain(os.urandom(10))
        assert contents(archive, first) == {"a.sav": SAVE}
    assert len(list(archive.index.places(block_id(SAVE)))) == 4


def test_pages_layouts_and_recipes_are_stored_again(tmp_path: Path) -> None:
    archive = make(tmp_path)
    ranges = [Range(block_id(SAVE), 0, 3000), Range(block_id(b"another"), 0, 7)]

    def take() -> str:
        with archive.locked("test"), archive.writer() as writer:
            for data in (SAVE, b"another"):
                writer.put_plain(data)
            recipe = writer.put_recipe(ranges)
            finish(writer, [entry("a.img", SAVE + b"another", recipe=recipe)], layouts={"tinplate": b"{}"})
        return recipe

    recipe = take()
    first = archive.snapshots()[0]
    manifest = archive.read(first)
    for ident in (recipe, manifest.pages[0].id, manifest.layouts["tinplate"]):
        hurt(archive, bytes.fromhex(ident))
    assert verify(archive.storage, deep=False).whole == ()
    archive = again(archive)
    take()
    archive = again(archive)
    assert contents(archive, first) == {"a.img": SAVE + b"another"}
    assert archive.layout(manifest, "tinplate") == b"{}"
    report = verify(archive.storage, deep=True)
    assert not report.ok
    assert [damage.affects for damage in report.damage] == [()]
    assert len(report.whole) == 2


def test_what_is_sound_is_read_once_and_stored_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    archive = make(tmp_path)
    night(archive, {"a.sav": SAVE})
    archive = again(archive)
    reads: list[str] = []
    real = archive.storage.read

    def read(name: str, offset: int, length: int) -> bytes:
        reads.append(name)
        return real(name, offset, length)

    with archive.locked("test"), archive.writer() as writer:
        assert block_id(SAVE) in archive.index
        monkeypatch.setattr(archive.storage, "read", read)
        for _ in range(5):
            writer.put_plain(SAVE)
        assert writer.new_blocks == 0
    assert len(reads) == 1


def test_storing_again_replaces_no_bundle_that_has_another_ones_name(tmp_path: Path) -> None:
    """Somebody swapped two bundles: each has the other's name, and is the last that holds its blocks."""
    archive = make(tmp_path)
    saves = [{"a.sav": SAVE}, {"b.sav": os.urandom(3000)}]
    nights = [night(archive, one) for one in saves]
    one, two = (path(archive, file) for file in bundles(archive))
    os.rename(one, f"{one}.aside")
    os.rename(two, one)
    os.rename(f"{one}.aside", two)
    before = {os.path.basename(name): Path(name).read_bytes() for name in (one, two)}
    archive = again(archive)
    third = night(archive, saves[0])  # the very blocks of the first night, in the same order
    assert {os.path.basename(name): Path(name).read_bytes() for name in (one, two)} == before
    for each in (archive, again(archive)):
        for snapshot, save in zip([*nights, third], [*saves, saves[0]], strict=True):
            assert contents(each, snapshot) == save
