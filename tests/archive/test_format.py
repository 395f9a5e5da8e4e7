"""FORMAT.md and ARCHIVE.md are true: the example is decoded without handhold, and is what handhold writes.

``_Reader`` is a reader as somebody would write it from FORMAT.md years from now: with json, struct and
hashlib of the standard library and the zstd program, and nothing of handhold.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import struct
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec
import pytest

from handhold import names
from handhold.archive import archive as archive_module
from handhold.archive import head as heads
from handhold.archive import manifest as manifests
from handhold.archive import pages, recipe
from handhold.archive.archive import Archive, description, guide_text
from handhold.archive.blocks import Sealed, seal
from handhold.archive.bundle import BundleWriter, rows
from handhold.archive.storage import LocalStorage
from handhold.model import Entry, Gap, HomeKind, Kind, Part, Site
from tests.archive.fixtures import bundles, entry, files, finish, make, path, program

_FORMAT = (Path(archive_module.__file__).parent / "FORMAT.md").read_text(encoding="utf-8")


def _shown(label: str) -> str:
    """The example with this label, without its fences."""
    found = re.findall(rf"^```{label}\n(.*?)^```$", _FORMAT, re.DOTALL | re.MULTILINE)
    assert len(found) == 1, label
    return str(found[0])


def _hex(label: str) -> bytes:
    """The bytes of an example in hexadecimal: remarks follow two spaces, or are lines that begin with #."""
    lines = [line for line in _shown(label).splitlines() if not line.startswith("#")]
    return bytes.fromhex("".join(line.split("  ")[0] for line in lines))


def _bundle_name() -> str:
    (found,) = set(re.findall(r"`(bundles/[0-9a-f]{2}/[0-9a-f]{32}\.bundle)`", _FORMAT))
    return str(found)


def _manifest_name() -> str:
    (found,) = set(re.findall(r"`(manifests/[a-z]+\.[0-9]{8}T[0-9]{6}Z\.[0-9a-f]{8}\.manifest)`", _FORMAT))
    return str(found)


class _Reader:
    """Reads an archive as FORMAT.md says."""

    def __init__(self, stored: dict[str, bytes]) -> None:
        self._stored = stored
        self._where: dict[bytes, tuple[str, int, int, int, int]] = {}
        for name, data in stored.items():
            if name.endswith(".bundle"):
                self._bundle(name, data)

    def _bundle(self, name: str, data: bytes) -> None:
        assert data[:8] == bytes.fromhex("8948484231 0d0a1a")
        check, length, zero, magic = struct.unpack("<QII8s", data[-24:])
        assert (magic, zero, length % 56) == (b"HHBEND1\n", 0, 0)
        table = data[-24 - length : -24]
        digits = hashlib.sha256(table).hexdigest()[:32]
        assert name == f"bundles/{digits[:2]}/{digits}.bundle"
        assert _xxh3(table) == check
        at = 8
        for ident, offset, stored, plain, codec, row_check in struct.iter_unpack("<32sIIIIQ", table):
            assert offset == at
            header = data[at : at + 64]
            assert header[:56] == struct.pack("<4sIIIQ32s", b"HHR1", codec, stored, plain, row_check, ident)
            assert struct.unpack("<Q", header[56:]) == (_xxh3(header[:56]),)
            assert _xxh3(data[at + 64 : at + 64 + stored]) == row_check
            self._where[ident] = (name, offset, stored, plain, codec)
            at += 64 + stored
        assert at == len(data) - 24 - length

    def block(self, ident: str) -> bytes:
        name, offset, size, plain_size, codec = self._where[bytes.fromhex(ident)]
        payload = self._stored[name][offset + 64 : offset + 64 + size]
        plain = {0: lambda: payload, 1: lambda: program("zstd", "-dc", given=payload)}[codec]()
        assert len(plain) == plain_size
        assert hashlib.sha256(plain).hexdigest() == ident
        return plain

    def manifest(self, name: str) -> tuple[dict[str, Any], list[dict[str, Any]], list[dict[str, Any]]]:
        """The head, the entries and the gaps."""
        data = self._stored[name]
        assert hashlib.sha256(data).hexdigest()[:8] == name.split(".")[2]
        content = program("zstd", "-dc", given=data)
        lines = content.split(b"\n")
        assert lines.pop() == b""
        read = [json.loads(line) for line in lines]
        head, end = read[0], read[-1]
        assert read[1] == {"head": hashlib.sha256(lines[0] + b"\n").hexdigest()}
        assert end["sha256"] == hashlib.sha256(content[: -len(lines[-1]) - 1]).hexdigest()
        assert end["end"] == {key: head[key] for key in ("pages", "gaps", "files", "bytes")}
        entries = []
        for line in read[2 : 2 + head["pages"]]:
            page = [json.loads(one) for one in self.block(line["page"]).split(b"\n")[:-1]]
            assert len(page) == line["entries"]
            entries += page
        assert len(entries) == head["files"]
        assert sum(one["size"] for one in entries) == head["bytes"]
        return head, entries, [line["gap"] for line in read[2 + head["pages"] : -1]]

    def content(self, one: dict[str, Any]) -> bytes:
        if not one["size"]:
            data = b""
        elif "recipe" in one:
            listed = self.block(one["recipe"])
            magic, count = struct.unpack("<8sI", listed[:12])
            assert (magic, len(listed)) == (b"HHRECIP1", 12 + 40 * count)
            ranges = struct.iter_unpack("<32sII", listed[12:])
            data = b"".join(self.block(i.hex())[offset : offset + length] for i, offset, length in ranges)
        else:
            data = self.block(one["sha256"])
        assert len(data) == one["size"]
        assert hashlib.sha256(data).hexdigest() == one["sha256"]
        return data


def _xxh3(data: bytes) -> int:
    """By the reference program."""
    return int(re.findall(r"[0-9a-f]{16}", program("xxhsum", "-q", "-H3", given=data).decode())[0], 16)


def _raw(written: str) -> bytes:
    """The bytes of a name in written form, as FORMAT.md describes it."""

    def back(found: re.Match[bytes]) -> bytes:
        return b"\\" if found[1] == b"\\" else bytes.fromhex(found[1][1:].decode())

    return re.sub(rb"\\(\\|x[0-9a-f]{2})", back, written.encode())


@pytest.fixture
def example() -> dict[str, bytes]:
    return {_bundle_name(): _hex("hex bundle"), _manifest_name(): _hex("hex manifest")}


def test_the_example_is_read_from_its_description(example: dict[str, bytes]) -> None:
    reader = _Reader(example)
    head, entries, gaps = reader.manifest(_manifest_name())
    assert {_raw(one["path"]): reader.content(one) for one in entries} == {
        b"saves/Ladder.sav": b"LEVEL 3 SCORE 90",
        b"saves/empty.sav": b"",
        b"states/Ladder.st1": b"LEVEL 3 SCORE 90" + b"A" * 984,
        b"textures/caf\xe9.raw": b"A" * 1000,
    }
    assert (head["device"], head["sequence"], head["taken"]) == ("meadow", 7, "2031-04-05T21:30:00+02:00")
    assert reader.block(head["layouts"]["tinplate"]) == b'{"layout":1,"id":"tinplate"}'
    assert [gap["emulator"] for gap in gaps] == ["lantern"]


def test_the_lines_of_the_example_are_those_of_its_bytes(example: dict[str, bytes]) -> None:
    assert program("zstd", "-dc", given=example[_manifest_name()]).decode() == _shown("json-lines manifest")
    page = json.loads(_shown("json-lines manifest").splitlines()[2])["page"]
    assert _Reader(example).block(page).decode() == _shown("json-lines page")


def test_handhold_reads_the_example(example: dict[str, bytes], tmp_path: Path) -> None:
    for name, data in {**example, "archive.yaml": _shown("yaml").encode()}.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(data)
    archive = Archive.open(LocalStorage(str(tmp_path)))
    assert archive.id == "00112233445566778899aabbccddeeff"
    manifest = archive.read(archive.find("latest"))
    reader = _Reader(example)
    _, listed, _ = reader.manifest(_manifest_name())
    found = list(archive.entries(manifest))
    assert [json.loads(msgspec.json.encode(one)) for one in found] == listed
    assert [b"".join(archive.content(one)) for one in found] == [reader.content(one) for one in listed]
    assert archive.layout(manifest, "tinplate") == b'{"layout":1,"id":"tinplate"}'


_SAVE, _TEXTURE = b"LEVEL 3 SCORE 90", b"A" * 1000
_STATE = _SAVE + _TEXTURE[8:992]
_LAYOUT = b'{"layout":1,"id":"tinplate"}'
_TIME = 1933183800 * 10**9


def _recipe() -> bytes:
    first, second = (hashlib.sha256(block).digest() for block in (_SAVE, _TEXTURE))
    return recipe.encode([recipe.Range(first, 0, 16), recipe.Range(second, 8, 984)])


def _entry(part: Part, where: str, data: bytes, modified: int, game: str | None, of: str | None) -> Entry:
    digest = hashlib.sha256(data).hexdigest()
    return Entry("tinplate", part, "main", where, len(data), modified, digest, game, of)


def _page() -> bytes:
    of = hashlib.sha256(_recipe()).hexdigest()
    return pages.encode(
        [
            _entry(Part.SAVES, "saves/Ladder.sav", _SAVE, _TIME, "Ladder", None),
            _entry(Part.SAVES, "saves/empty.sav", b"", _TIME, "empty", None),
            _entry(Part.STATES, "states/Ladder.st1", _STATE, _TIME + 60 * 10**9, "Ladder", of),
            _entry(Part.TEXTURES, "textures/caf\\xe9.raw", _TEXTURE, 1925 * 10**15, None, None),
        ]
    )


def test_handhold_writes_the_page_and_the_description_of_the_example() -> None:
    assert _page().decode() == _shown("json-lines page")
    written = description("00112233445566778899aabbccddeeff", "2031-04-01T20:00:00+02:00", b"hello\n")
    assert written.decode() == _shown("yaml")


def test_handhold_writes_the_bundle_of_the_example(example: dict[str, bytes], tmp_path: Path) -> None:
    """The frames are taken from the example, for a compressor of another version may write other bytes."""
    data = example[_bundle_name()]
    (length,) = struct.unpack("<I", data[-16:-12])
    writer = BundleWriter(LocalStorage(str(tmp_path)))
    for plain, row in zip(
        [_SAVE, _TEXTURE, _recipe(), _page(), _LAYOUT], rows(data[-24 - length : -24]), strict=True
    ):
        block = seal(plain)
        assert (block.id, block.plain_size) == (row.id, row.plain)
        stored = data[row.offset + 64 : row.offset + 64 + row.stored]
        if row.codec == 0:
            assert stored == plain
        writer.add(Sealed(block.id, row.codec, stored, block.plain_size, row.check))
    file, _ = writer.close()
    assert file == _bundle_name()
    assert (tmp_path / file).read_bytes() == data


def test_handhold_writes_the_manifest_of_the_example(example: dict[str, bytes]) -> None:
    gap = Gap("internal", "Android/data/org.example.lantern/files", "the folder cannot be listed", "lantern")
    head = heads.make_head(
        name="meadow.2031-04-05.213000",
        device="meadow",
        sequence=7,
        kind=Kind.NIGHT,
        taken=datetime.fromisoformat("2031-04-05T21:30:00+02:00"),
        tool="handhold 0.1.0",
        files=4,
        bytes=2016,
        pages=1,
        gaps=1,
        volumes=[heads.VolumeNote("internal", "ext4")],
        sites=[Site("tinplate", "main", HomeKind.FOLDER, "internal", "Tinplate")],
        layouts={"tinplate": hashlib.sha256(_LAYOUT).hexdigest()},
        note="",
        base=None,
        safety=None,
    )
    plain = manifests.encode(head, [manifests.PageRef(hashlib.sha256(_page()).hexdigest(), 4)], [gap])
    assert plain.decode() == _shown("json-lines manifest")
    packed = manifests.pack(plain)
    assert program("zstd", "-dc", given=packed) == plain
    name = manifests.file_name("meadow", datetime.fromisoformat(head.taken), packed)
    assert name.split(".")[:2] == _manifest_name().split(".")[:2]
    assert name.split(".")[2] == hashlib.sha256(packed).hexdigest()[:8]
    assert manifests.file_name("meadow", datetime.fromisoformat(head.taken), example[_manifest_name()]) == (
        _manifest_name()
    )


# -- a whole archive, with and without handhold ---------------------------------------------------------


_NAMES = [
    b"saves/Ladder.sav",
    b"saves/caf\xe9 \xff.sav",
    b"saves/back\\slash.sav",
    'saves/ゆき\'s "é".sav'.encode(),
]


def _kept(archive: Archive) -> dict[bytes, bytes]:
    """Keeps files of every kind: small, empty, in pieces, with names of every kind; what was kept."""
    large = os.urandom(300_000)
    kept = {name: b"save of " + name * 50 for name in _NAMES}
    kept |= {b"saves/%d.sav" % n: b"%d" % n for n in range(200)}
    with archive.locked("test"), archive.writer() as writer:
        entries = [
            entry(names.written(name.decode("utf-8", "surrogateescape")), data, modified=10**18 + n)
            for n, (name, data) in enumerate(kept.items())
        ]
        for data in kept.values():
            writer.put_plain(data)
        cut = [large[:100_000], large[100_000:]]
        ranges = [recipe.Range(bytes.fromhex(writer.put_plain(one)), 0, len(one)) for one in cut]
        entries.append(entry("large.bin", large, recipe=writer.put_recipe(ranges)))
        entries.append(entry("empty.sav", b""))
        finish(writer, entries, layouts={"tinplate": _LAYOUT})
    return {**kept, b"large.bin": large, b"empty.sav": b""}


def test_an_independent_reader_gets_every_file_out(tmp_path: Path) -> None:
    archive = make(tmp_path)
    kept = _kept(archive)
    reader = _Reader(files(archive))
    (name,) = [name for name in files(archive) if name.endswith(".manifest")]
    _, entries, _ = reader.manifest(name)
    assert {_raw(one["path"]): reader.content(one) for one in entries} == kept


def _script() -> str:
    (script,) = re.findall(r"^```python\n(.*?)^```$", guide_text(), re.DOTALL | re.MULTILINE)
    return str(script)


def _follow_guide(archive: Archive, tmp_path: Path) -> tuple[dict[bytes, bytes], str]:
    """What comes out when somebody does as ARCHIVE.md says, with a Python that knows nothing of handhold."""
    (tmp_path / "read.py").write_text(_script(), encoding="utf-8")
    (name,) = [name for name in files(archive) if name.endswith(".manifest")]
    command = [sys.executable, "-I", "-S", "read.py", path(archive), path(archive, name), "out"]
    told = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=True)
    return dict(_tree(os.fsencode(tmp_path / "out"))), told.stdout + told.stderr


def _tree(root: bytes) -> Iterator[tuple[bytes, bytes]]:
    for folder, _, found in os.walk(root):
        for name in found:
            full = os.path.join(folder, name)
            with open(full, "rb") as file:
                yield os.path.relpath(full, os.path.join(root, b"tinplate", b"main")), file.read()


def test_who_follows_the_guide_gets_every_file_out(tmp_path: Path) -> None:
    archive = make(tmp_path)
    kept = _kept(archive)
    out, said = _follow_guide(archive, tmp_path)
    assert out == kept
    assert said == ""
    assert (tmp_path / "out/tinplate/main/saves/Ladder.sav").stat().st_mtime_ns == 10**18


def test_who_follows_the_guide_is_told_what_is_damaged(tmp_path: Path) -> None:
    archive = make(tmp_path)
    kept = _kept(archive)
    (bundle,) = bundles(archive)
    data = bytearray(files(archive)[bundle])
    data[8 + 64 + 3] ^= 1  # in the payload of the first record
    Path(path(archive, bundle)).write_bytes(bytes(data))
    out, said = _follow_guide(archive, tmp_path)
    del kept[_NAMES[0]]
    assert out == kept
    assert said.splitlines()[0].startswith("not given back: saves/Ladder.sav")
    assert said.count("not given back") == 1


def test_the_guide_lies_in_every_archive_and_is_proved_by_its_description(tmp_path: Path) -> None:
    archive = make(tmp_path)
    stored = files(archive)
    assert stored["ARCHIVE.md"] == guide_text().encode()
    assert f'guide: "{hashlib.sha256(stored["ARCHIVE.md"]).hexdigest()}"'.encode() in stored["archive.yaml"]


def test_the_description_is_plain_yaml(tmp_path: Path) -> None:
    import yaml

    archive = make(tmp_path)
    told = yaml.safe_load(files(archive)["archive.yaml"])
    assert (told["format"], told["id"]) == (1, archive.id)
    assert datetime.fromisoformat(told["created"]).isoformat() == "2031-04-05T21:30:00+02:00"
