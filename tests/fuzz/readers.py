"""Every reader of bytes that can come from a stranger, as a function of bytes, with what it may raise.

The contract of each: it gives something back, or raises one of its refusals; in bounded time and memory.
What it gives back must also be what it says: written again, it reads the same. Where a checksum stands
before the meaning, a reader stands here twice: with the bytes as they are, and with every sum put right, so
that what lies behind the sums is reached too.
"""

from __future__ import annotations

import hashlib
import json
import os
import struct
import tempfile
from collections.abc import Callable
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import NamedTuple

import xxhash
import zstandard

from handhold.archive import bundle, inventory, lock, manifest, members, pages, recipe, zipcut, ziptree
from handhold.archive import head as heads
from handhold.archive.blocks import LARGEST, ZSTANDARD, Sealed, block_id, decompress, unseal
from handhold.archive.description import described
from handhold.archive.parity import sheet
from handhold.archive.parity.reading import lost_sectors, read_parity, repaired
from handhold.archive.unpacking import Hurt, unpacked
from handhold.archive.zipexcerpt import excerpt
from handhold.config import config_text, read_config
from handhold.documents.mistakes import Mistake, Mistakes, Wrong
from handhold.errors import Damaged, OwnerError, WrongInput
from handhold.layouts.catalogue import resolve
from handhold.layouts.layout import Version, version_find
from handhold.layouts.pattern import compile_pattern, prepared
from handhold.layouts.reading import Draft, read_draft
from handhold.layouts.recognition.content import is_text, looked_at, speaks_of_inputs, zip_members
from handhold.layouts.recognition.signals import signals
from handhold.layouts.stored import from_stored, stored_form
from handhold.names import native, trouble_with, written
from handhold.resources import patterns_folder
from handhold.restore.repoint.rewriting import repoint_option, rewrite
from handhold.restore.repoint.values import Was, roots_named, values
from tests.archive.damaged import Memory


class Reader(NamedTuple):
    """A reader and the exact types of what it may raise; anything else is unhandled."""

    read: Callable[[bytes], object]
    refusals: tuple[type[Exception], ...]

    def take(self, data: bytes) -> bool:
        """Whether the bytes were taken; False if they were refused. Any other exception passes."""
        try:
            self.read(data)
        except Exception as error:
            if type(error) in self.refusals:
                return False
            raise
        return True


# -- blocks and bundles ------------------------------------------------------------------------------------


def _block(data: bytes) -> None:
    """A stored block whose sum and id are right; codec and size are what the first bytes say."""
    if len(data) < 8:
        raise ValueError
    codec, said = data[0] & 3, int.from_bytes(data[1:5], "little") % (LARGEST + 2)
    stored = data[5:]
    ident = block_id(decompress(stored, LARGEST) if codec == ZSTANDARD else stored)
    plain = unseal(Sealed(ident, codec, stored, said, xxhash.xxh3_64_intdigest(stored)))
    assert len(plain) == said


def _look_into(storage: Memory, file: str, rows: list[bundle.Row]) -> None:
    taken = 0
    for row in rows:
        stored = storage.read(file, row.offset + bundle.HEADER_SIZE, row.stored)
        try:
            assert block_id(unseal(Sealed(row.id, row.codec, stored, row.plain, row.check))) == row.id
            taken += 1
        except ValueError:
            pass
    if not taken:
        raise ValueError("no block in it is sound")


def _bundle(data: bytes) -> None:
    """A file as it is, by the name that its table would give it."""
    file = f"bundles/00/{'0' * 32}.bundle"
    if len(data) >= bundle.END_SIZE:
        length = int.from_bytes(data[-16:-12], "little")
        file = bundle.name_of(data[max(0, len(data) - bundle.END_SIZE - length) : -bundle.END_SIZE])
    storage = Memory({file: data})
    table = bundle.read_table(storage, file, len(data))
    _look_into(storage, file, list(bundle.rows(table)))


def _bundle_table(data: bytes) -> None:
    """Records of any bytes and any table behind them, with the sum, the length and the name of the table.

    The first byte is the number of its rows.
    """
    length = min(data[0] if data else 0, len(data) // bundle.ROW.size) * bundle.ROW.size
    body, table = data[1 : len(data) - length], data[len(data) - length :]
    file = bundle.name_of(table)
    whole = bundle.MAGIC + body + table + bundle.pack_end(table)
    storage = Memory({file: whole})
    rows = list(bundle.rows(bundle.read_table(storage, file, len(whole))))
    assert all(row.offset + bundle.HEADER_SIZE + row.stored <= len(whole) for row in rows)
    _look_into(storage, file, rows)


def _salvage(data: bytes) -> None:
    """A bundle without its end; every header that it has gets its right sum."""
    whole = bytearray(bundle.MAGIC + data)
    at = whole.find(bundle.RECORD_MAGIC)
    while 0 <= at <= len(whole) - bundle.HEADER_SIZE:
        struct.pack_into("<Q", whole, at + 56, xxhash.xxh3_64_intdigest(bytes(whole[at : at + 56])))
        at = whole.find(bundle.RECORD_MAGIC, at + bundle.HEADER_SIZE)
    file = "bundles/00/x.bundle"
    storage = Memory({file: bytes(whole)})
    rows = list(bundle.salvage(storage, file, len(whole)))
    ends = [row.offset + bundle.HEADER_SIZE + row.stored for row in rows]
    assert all(end <= row.offset for end, row in zip(ends, rows[1:], strict=False))
    _look_into(storage, file, rows)


def _recipe(data: bytes) -> None:
    ranges = recipe.decode(data)
    assert recipe.encode(ranges) == data


def _parity(data: bytes) -> None:
    """A parity file of any bytes; each sheet gets its right sum, and the first one says what it protects."""
    whole = bytearray(data)
    file = "parity/" + "0" * 32 + ".parity"
    at = whole.find(sheet.MAGIC)
    while 0 <= at <= len(whole) - 140:
        length = int.from_bytes(whole[at + 36 : at + 38], "little")
        summed = xxhash.xxh3_64_intdigest(bytes(whole[at + 16 : at + 140 + length]))
        struct.pack_into("<Q", whole, at + 8, summed)
        found = sheet.read_sheet(bytes(whole[at : at + 4096]))
        file = sheet.parity_file(found.file) if found is not None else file
        at = whole.find(sheet.MAGIC, at + 1)
    storage = Memory({file: bytes(whole)})
    parity = read_parity(storage, file, len(whole))
    if parity is None:
        raise ValueError("no sheet is sound")
    storage.files[parity.protects] = bytes(whole[: min(parity.shape.size, 9000)])
    lost = lost_sectors(storage, parity)
    if parity.shape.size < 1 << 20:
        done = repaired(storage, parity, lost)
        assert done.lost | set(done.back) <= lost


# -- lists of JSON -----------------------------------------------------------------------------------------


def _page(data: bytes) -> None:
    entries = pages.decode(data)
    assert pages.decode(pages.encode(entries)) == entries
    for entry in entries:
        assert not native(entry.path).startswith("/") and ".." not in native(entry.path).split("/")


def _inventory(data: bytes) -> None:
    games = inventory.decode(data)
    assert inventory.decode(inventory.encode(games)) == games


def _members(data: bytes) -> None:
    listed = members.decode(data)
    assert members.decode(members.encode(listed)) == listed


def _named(head: bytes, packed: bytes) -> str:
    """The name that belongs to the manifest with this head."""
    name = "meadow.20310405T193000Z"
    try:
        said = json.loads(head)
        name = f"{said['device']}.{heads.utc_stamp(datetime.fromisoformat(said['taken']))}"
    except (ValueError, KeyError, TypeError, RecursionError, OverflowError):
        pass
    return f"manifests/{name}.{hashlib.sha256(packed).hexdigest()[:8]}.manifest"


def _manifest(data: bytes) -> None:
    """A file as it is, by the name that belongs to it."""
    try:
        head = decompress(data, 1 << 20).partition(b"\n")[0]
    except ValueError:
        head = b""
    manifest.decode(_named(head, data), data)


def _manifest_lines(data: bytes) -> None:
    """Any lines of JSON, packed, with every digest and the file's name put right."""
    lines = data.split(b"\n")
    if len(lines) < 4:
        raise ValueError
    lines[1] = json.dumps({"head": hashlib.sha256(lines[0] + b"\n").hexdigest()}).encode()
    before = b"\n".join(lines[:-2]) + b"\n"
    try:
        end = json.loads(lines[-2])
        end["sha256"] = hashlib.sha256(before).hexdigest()
        lines[-2] = json.dumps(end).encode()
    except (ValueError, TypeError, RecursionError):
        pass
    packed = zstandard.ZstdCompressor(1, write_checksum=True).compress(b"\n".join(lines))
    found = manifest.decode(_named(lines[0], packed), packed)
    assert len(found.gaps) == found.snapshot.gaps


def _description(data: bytes) -> None:
    described("somewhere", data)


def _description_summed(data: bytes) -> None:
    described("somewhere", data + b'check: "' + hashlib.sha256(data).hexdigest().encode() + b'"\n')


# -- zips --------------------------------------------------------------------------------------------------


def _zip(data: bytes) -> None:
    tree = ziptree.parse(lambda at, size: data[at : at + size], len(data))
    spans = zipcut.spans(tree, len(data))
    assert sum(span.length for span in spans) == len(data)
    cut = zipcut.cut_small(data, lambda _: False, 1)
    assert sum(one.length for one in cut.ranges) in (0, len(data))
    assert members.decode(members.encode(members.members_of(tree))) == tuple(members.members_of(tree))
    for held in tree.members[:20]:
        stored = data[held.data : held.data + held.stored]
        size = 0
        try:
            for run in unpacked([stored], held.method, min(held.size, 1 << 20), held.crc):
                size += len(run)
        except Hurt:
            pass
        assert size <= min(held.size, 1 << 20)
    runs, end = excerpt(tree, tree.members[::2])
    smaller = b"".join(data[at : at + length] for at, length in runs) + end
    again = ziptree.parse(lambda at, size: smaller[at : at + size], len(smaller))
    assert [one.name for one in again.members] == [one.name for one in tree.members[::2]]


# -- what owners write -------------------------------------------------------------------------------------


@cache
def _patterns() -> tuple[Draft, ...]:
    drafts = tuple(read_draft(p.read_bytes(), p.name, []) for p in sorted(patterns_folder().glob("*.yaml")))
    assert drafts
    return drafts


def _layout(data: bytes) -> None:
    mistakes: list[Mistake] = []
    draft = read_draft(data, "own.yaml", mistakes)
    before = len(mistakes)
    found = [one for one in resolve([*_patterns(), draft], mistakes) if one.source == "own.yaml"]
    if mistakes:
        assert all(one.line > 0 and one.column > 0 for one in mistakes)
        raise Mistakes(mistakes, "layout")
    assert not before
    for layout in found:
        assert stored_form(from_stored(stored_form(layout))) == stored_form(layout)
        for home in layout.homes:
            layout.verdict(home.name, "saves/Mole Hollow.sav")


def _stored_layout(data: bytes) -> None:
    layout = from_stored(data)
    form = stored_form(layout)
    assert stored_form(from_stored(form)) == form
    for home in layout.homes:
        layout.verdict(home.name, "saves/Mole Hollow.sav")


@cache
def _scratch() -> Path:
    folder = "/dev/shm" if os.path.isdir("/dev/shm") else None
    return Path(tempfile.mkdtemp(prefix="handhold-fuzz-", dir=folder))


def _config(data: bytes) -> None:
    path = _scratch() / "config.yaml"
    path.write_bytes(data)
    config = read_config(path)
    path.write_text(config_text(config), "utf-8")
    assert read_config(path) == config


def _pattern(data: bytes) -> None:
    """A pattern, and behind a line feed paths that are held against it."""
    text, *paths = data.decode("utf-8", "replace").split("\n")
    pattern = compile_pattern(text)
    for path in paths:
        if trouble_with(path) is None:
            found = pattern.match(path)
            assert found is None or all(found.values())
            pattern.reaches(prepared(path)[0])


def _version(data: bytes) -> None:
    find, _, text = data.decode("utf-8", "replace").partition("\n")
    found = Version("about.txt", version_find(find)).within(text)
    assert found is None or found.isprintable()


# -- names, notes, settings, contents ----------------------------------------------------------------------


def _names(data: bytes) -> None:
    name = data.decode("utf-8", "surrogateescape")
    assert native(written(name)) == name
    assert "\n" not in written(name)
    text = data.decode("utf-8", "replace")
    if trouble_with(text) is not None:
        raise ValueError
    assert written(native(text)) == text
    raw = os.fsencode(native(text))
    assert b"\0" not in raw and not raw.startswith(b"/")
    assert not {b"", b".", b".."} & set(raw.split(b"/"))


def _lock_note(data: bytes) -> None:
    path = _scratch() / "note"
    path.write_bytes(data)
    lock._PAUSE = 0
    told = lock._holder(str(path))
    assert told.isprintable() and len(told) < 400


_PLACES = {"/storage/card": "/media/other card", "/mnt/a": "/b", "C:/Games": "/c"}


def _settings(data: bytes) -> None:
    """A settings file of any sort: the first byte says which."""
    endings = ("json", "xml", "ini", "yaml", "toml", "properties", "txt", "bin", "")
    name = f"settings.{endings[data[0] % len(endings)]}" if data else "settings"
    data = data[1:]
    found = values(data, name)
    roots_named(found, {"card": "/storage/card"}, [Was("card", ("Tinplate", "saves"))])
    new = rewrite(data, name, _PLACES)
    if new is not None:
        assert new.changes or new.left
        assert bool(new.changes) == (new.data != data)
        assert len(new.data) <= len(data) * 20 + 1000


def _repoint(data: bytes) -> None:
    old, new = repoint_option(data.decode("utf-8", "surrogateescape"))
    assert old and new and old != new


def _content(data: bytes) -> None:
    """The first bytes of any file, as recognition looks at them."""
    looked_at(data, signals())
    is_text(data)
    zip_members(data)
    speaks_of_inputs(data, signals())


_JSON = (ValueError,)
_LAYOUT = (ValueError, Wrong)
READERS: dict[str, Reader] = {
    "block": Reader(_block, _JSON),
    "bundle": Reader(_bundle, _JSON),
    "bundle-table": Reader(_bundle_table, _JSON),
    "bundle-torn": Reader(_salvage, _JSON),
    "parity": Reader(_parity, _JSON),
    "recipe": Reader(_recipe, _JSON),
    "page": Reader(_page, _JSON),
    "inventory": Reader(_inventory, _JSON),
    "members": Reader(_members, _JSON),
    "manifest": Reader(_manifest, _JSON),
    "manifest-lines": Reader(_manifest_lines, _JSON),
    "description": Reader(_description, (OwnerError, Damaged)),
    "description-summed": Reader(_description_summed, (OwnerError, Damaged)),
    "zip": Reader(_zip, (ziptree.NoZip,)),
    "layout": Reader(_layout, (Mistakes,)),
    "stored-layout": Reader(_stored_layout, _LAYOUT),
    "config": Reader(_config, (Mistakes, WrongInput)),
    "pattern": Reader(_pattern, (Wrong,)),
    "version": Reader(_version, (Wrong,)),
    "names": Reader(_names, _JSON),
    "lock-note": Reader(_lock_note, ()),
    "settings": Reader(_settings, ()),
    "repoint": Reader(_repoint, (WrongInput,)),
    "content": Reader(_content, ()),
}
