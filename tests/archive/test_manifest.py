"""Manifests: every flipped bit is found, nothing is believed that does not fit, a head is read alone."""

from __future__ import annotations

import json
import random
import tracemalloc
from collections.abc import Callable
from datetime import datetime, timedelta, timezone
from typing import Any

import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.archive import head as heads
from handhold.archive import manifest as manifests
from handhold.archive.head import Emptied, Head, VolumeNote
from handhold.archive.manifest import PageRef
from handhold.model import Gap, HomeKind, Kind, Part, Site
from tests.archive.fixtures import EVENING, program


def _head(**changed: Any) -> Head:
    told: dict[str, Any] = {
        "name": "meadow.2031-04-05.213000",
        "device": "meadow",
        "sequence": 7,
        "kind": Kind.NIGHT,
        "taken": EVENING,
        "tool": "handhold 0.1.0",
        "files": 3,
        "bytes": 99,
        "pages": 2,
        "gaps": 1,
        "volumes": [VolumeNote("card", "exfat")],
        "sites": [Site("tinplate", "main", HomeKind.FOLDER, "card", "Tinplate")],
        "layouts": {"tinplate": "a" * 64},
        "note": "",
        "base": None,
        "safety": None,
    }
    return heads.make_head(**{**told, **changed})


_PAGES = [PageRef("b" * 64, 1), PageRef("c" * 64, 2)]
_GAPS = [Gap("card", "Tinplate/saves/x.sav", "it cannot be read", "tinplate", "look at the card")]


def _file(plain: bytes, device: str = "meadow", taken: datetime = EVENING) -> tuple[str, bytes]:
    packed = manifests.pack(plain)
    return manifests.file_name(device, taken, packed), packed


_EMPTIED = Emptied("tinplate", "main", "saves/x.sav", "meadow.2031-04-04.213000")
_OPTIONS: dict[str, object] = {
    "left_out": [Part.STATES, Part.SAVES],
    "only_layouts": True,
    "emptied": [_EMPTIED],
    "recognised": ["tinplate", "hatbox"],
}


def test_what_goes_in_comes_out() -> None:
    head = _head(note="before the trip", base="meadow.2031-04-04.213000", safety="manifests/x", **_OPTIONS)
    manifest = manifests.decode(*_file(manifests.encode(head, _PAGES, _GAPS)))
    assert (manifest.left_out, manifest.only_layouts) == (frozenset({Part.STATES, Part.SAVES}), True)
    assert manifest.emptied == (_EMPTIED,)
    assert manifest.recognised == frozenset({"tinplate", "hatbox"})
    none = manifests.encode(_head(recognised=[]), _PAGES, _GAPS)
    assert manifests.decode(*_file(none)).recognised == frozenset()
    assert manifests.decode(*_file(manifests.encode(_head(), _PAGES, _GAPS))).recognised is None
    assert manifest.pages == tuple(_PAGES)
    assert manifest.gaps == tuple(_GAPS)
    assert manifest.sites == (Site("tinplate", "main", HomeKind.FOLDER, "card", "Tinplate"),)
    assert manifest.volumes == (VolumeNote("card", "exfat"),)
    assert manifest.layouts == {"tinplate": "a" * 64}
    assert (manifest.base, manifest.safety) == ("meadow.2031-04-04.213000", "manifests/x")
    snapshot = manifest.snapshot
    assert (snapshot.name, snapshot.sequence, snapshot.note) == (
        "meadow.2031-04-05.213000",
        7,
        "before the trip",
    )
    assert snapshot.taken == EVENING
    assert snapshot.taken.utcoffset() == timedelta(hours=2)


def test_a_volume_may_say_where_it_lay() -> None:
    note = VolumeNote("card", "exfat", "/media/my\\\\card")
    head = _head(volumes=[note, VolumeNote("internal", "ext4", "/")])
    assert manifests.decode(*_file(manifests.encode(head, _PAGES, _GAPS))).volumes[0] == note
    without = manifests.encode(_head(), _PAGES, _GAPS).partition(b"\n")[0]
    assert json.loads(without)["volumes"] == [{"name": "card", "filesystem": "exfat"}]  # as it always was


@pytest.mark.parametrize("path", ["media", "/a/../b", "//a", "/a/", "/a\n", "/a\\", "/" + "a" * 5000])
def test_a_volume_whose_place_cannot_be_is_not_believed(path: str) -> None:
    head = _head(volumes=[VolumeNote("card", "exfat", path)])
    with pytest.raises(ValueError, match="volume"):
        manifests.decode(*_file(manifests.encode(head, _PAGES, _GAPS)))


def test_it_is_json_lines_for_the_zstd_program() -> None:
    _, packed = _file(manifests.encode(_head(), _PAGES, _GAPS))
    lines = [json.loads(line) for line in program("zstd", "-dc", given=packed).splitlines()]
    assert lines[0]["device"] == "meadow"
    assert lines[0]["taken"] == "2031-04-05T21:30:00+02:00"
    assert lines[2:4] == [{"page": "b" * 64, "entries": 1}, {"page": "c" * 64, "entries": 2}]
    assert lines[4]["gap"]["why"] == "it cannot be read"
    assert lines[5]["end"] == {"pages": 2, "gaps": 1, "files": 3, "bytes": 99}
    # The frame has a checksum, so that the program finds damage by itself (RFC 8878, section 3.1.1).
    assert zstandard.get_frame_parameters(packed).has_checksum


def test_every_flipped_bit_and_every_cut_is_found() -> None:
    name, packed = _file(manifests.encode(_head(), _PAGES, _GAPS))
    for at in range(len(packed) * 8):
        hurt = bytearray(packed)
        hurt[at // 8] ^= 1 << at % 8
        with pytest.raises(ValueError):
            manifests.decode(name, bytes(hurt))
    for size in range(len(packed)):
        with pytest.raises(ValueError):
            manifests.decode(name, packed[:size])


def test_a_head_that_is_hurt_is_found_without_the_rest() -> None:
    lines = heads.head_lines(_head())
    name, _ = _file(manifests.encode(_head(), _PAGES, _GAPS))
    assert heads.decode_head(name, lines)[1].sequence == 7
    for at in range(len(lines)):
        hurt = bytearray(lines)
        hurt[at] ^= 1 << at % 8
        with pytest.raises(ValueError):
            heads.decode_head(name, bytes(hurt))
    for size in range(len(lines)):
        with pytest.raises(ValueError):
            heads.decode_head(name, lines[:size])


@pytest.mark.parametrize(
    ("file", "changed"),
    [
        ("manifests/garden.20310405T193000Z.00000000.manifest", {}),
        ("manifests/meadow.20310405T193001Z.00000000.manifest", {}),
        ("manifests/meadow.manifest", {}),
        ("", {"format": 2}),
        ("", {"handhold": "page"}),
        ("", {"name": "garden.2031-04-05.213000"}),
        ("", {"name": "meadow.2031-04-05.213001"}),
        ("", {"name": "meadow.2031-04-05.213000-0"}),
        ("", {"name": "meadow.2031-04-05.213000\n"}),
        ("", {"device": "../meadow"}),
        ("", {"taken": "2031-04-05 21:30:00+02:00"}),
        ("", {"taken": "2031-04-05T21:30:00"}),
        ("", {"taken": "2031-04-05T21:30:00+99:00"}),
        ("", {"taken": "2031-13-05T21:30:00+02:00"}),
        ("", {"taken": "0001-01-01T00:00:00+02:00"}),
        ("", {"taken": 7}),
        ("", {"kind": "day"}),
        ("", {"sequence": -1}),
        ("", {"sequence": 1 << 63}),
        ("", {"sequence": (1 << 63) - 1}),
        ("", {"sequence": (1 << 40) + 1}),
        ("", {"sequence": 1.5}),
        ("", {"files": -1}),
        ("", {"bytes": 1 << 70}),
        ("", {"pages": 4}),
        ("", {"gaps": 1 << 62}),
        ("", {"volumes": [{"name": "", "filesystem": "ext4"}]}),
        ("", {"volumes": [{"name": "a/b", "filesystem": "ext4"}]}),
        ("", {"volumes": [{"name": "a", "filesystem": "\u001b[2J"}]}),
        ("", {"volumes": "card"}),
        ("", {"sites": [{"emulator": "t", "home": "m", "kind": "folder", "volume": "c", "path": "../x"}]}),
        ("", {"sites": [{"emulator": "T", "home": "m", "kind": "folder", "volume": "c", "path": "x"}]}),
        ("", {"sites": [{"emulator": "t", "home": "m", "kind": "nest", "volume": "c", "path": "x"}]}),
        ("", {"layouts": {"tinplate": "short"}}),
        ("", {"layouts": {"../x": "a" * 64}}),
        ("", {"layouts": []}),
        ("", {"left_out": ["luck"]}),
        ("", {"only_layouts": "yes"}),
        ("", {"recognised": ["../x"]}),
        ("", {"recognised": "tinplate"}),
        ("", {"emptied": [{"emulator": "t", "home": "m", "path": "../x", "good": "m.2031-04-05.213000"}]}),
        ("", {"emptied": [{"emulator": "t", "home": "m", "path": "x", "good": "../../m"}]}),
        ("", {"emptied": [{"emulator": "t", "home": "m", "path": "x"}]}),
        ("", {"note": 7}),
    ],
    ids=repr,
)
def test_heads_that_lie_are_refused(file: str, changed: dict[str, object]) -> None:
    import hashlib

    sound, _ = _file(manifests.encode(_head(), _PAGES, _GAPS))
    told = json.loads(heads.head_lines(_head()).splitlines()[0])
    first = json.dumps({**told, **changed}).encode() + b"\n"
    second = json.dumps({"head": hashlib.sha256(first).hexdigest()}).encode() + b"\n"
    with pytest.raises(ValueError):
        heads.decode_head(file or sound, first + second)


def _lines(change: Callable[[list[dict[str, Any]]], None], digest: bool = True) -> tuple[str, bytes]:
    """A manifest that a stranger changed, with every digest made right again."""
    import hashlib

    read = [json.loads(line) for line in manifests.encode(_head(), _PAGES, _GAPS).splitlines()]
    change(read)
    text = [json.dumps(line).encode() + b"\n" for line in read]
    text[1] = json.dumps({"head": hashlib.sha256(text[0]).hexdigest()}).encode() + b"\n"
    if digest:
        read[-1]["sha256"] = hashlib.sha256(b"".join(text[:-1])).hexdigest()
        text[-1] = json.dumps(read[-1]).encode() + b"\n"
    return _file(b"".join(text))


def test_the_stranger_can_make_one_that_is_believed() -> None:
    assert len(manifests.decode(*_lines(lambda read: read[0].update(a_later_key=1))).pages) == 2


@pytest.mark.parametrize(
    "change",
    [
        lambda read: read.pop(2),
        lambda read: read.pop(4),
        lambda read: read.insert(2, read[2]),
        lambda read: read[2].update(entries=2),
        lambda read: read[2].update(entries=0),
        lambda read: read[2].update(entries=-1) or read[3].update(entries=4),
        lambda read: read[2].update(page="../x"),
        lambda read: read[2].update(page="B" * 64),
        lambda read: read[4]["gap"].update(path="../x"),
        lambda read: read[4]["gap"].update(why=7),
        lambda read: read[5]["end"].update(files=4),
        lambda read: read[5]["end"].pop("files"),
        lambda read: read[0].update(files=4),
        lambda read: read[0].update(pages=1, gaps=2),
    ],
)
def test_manifests_that_lie_are_refused(change: Callable[[list[dict[str, Any]]], None]) -> None:
    with pytest.raises(ValueError):
        manifests.decode(*_lines(change))


def test_a_wrong_digest_is_refused() -> None:
    with pytest.raises(ValueError, match="digest"):
        manifests.decode(*_lines(lambda read: read[5].update(sha256="0" * 64), digest=False))


def test_a_bomb_is_not_let_off() -> None:
    bomb = zstandard.ZstdCompressor(level=19, write_checksum=True).compress(bytes((128 << 20) + 1))
    name = manifests.file_name("meadow", EVENING, bomb)
    tracemalloc.start()
    try:
        with pytest.raises(ValueError):
            manifests.decode(name, bomb)
        assert tracemalloc.get_traced_memory()[1] < 1 << 20
    finally:
        tracemalloc.stop()


@given(st.integers(-12 * 60, 14 * 60), st.integers(0, 4_000_000_000), st.integers(0, 999_999))
@settings(deadline=None, max_examples=60)
def test_any_time_and_offset_comes_out_as_it_went_in(minutes: int, seconds: int, fraction: int) -> None:
    offset = timezone(timedelta(minutes=minutes))
    taken = datetime.fromtimestamp(seconds, offset).replace(microsecond=fraction)
    head = _head(taken=taken, name=f"meadow.{taken:%Y-%m-%d.%H%M%S}")
    name, packed = _file(manifests.encode(head, _PAGES, _GAPS), taken=taken)
    found = manifests.decode(name, packed).snapshot.taken
    assert (found, found.utcoffset()) == (taken, taken.utcoffset())
    # Source: RFC 3339, section 5.6.
    assert len(head.taken.split(".")[0].split("+")[0]) >= 19


def test_an_offset_that_rfc_3339_cannot_say_becomes_utc() -> None:
    odd = datetime(1931, 4, 5, 12, 0, tzinfo=timezone(timedelta(minutes=19, seconds=32)))
    assert heads.with_plain_offset(odd).isoformat() == "1931-04-05T11:40:28+00:00"
    assert heads.with_plain_offset(EVENING) is EVENING
    with pytest.raises(ValueError):
        heads.with_plain_offset(datetime(2031, 4, 5))


def test_what_would_not_be_read_is_not_written(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(manifests, "LARGEST", 2000)
    gap = Gap("card", "x", "y" * 2000)
    with pytest.raises(ValueError, match="larger"):
        manifests.encode(_head(), _PAGES, [gap])


def test_the_head_stands_in_the_first_bytes_of_a_large_manifest() -> None:
    count = 5000
    pages = [PageRef(random.Random(n).randbytes(32).hex(), 1) for n in range(count)]
    _, packed = _file(manifests.encode(_head(files=count, pages=count, gaps=0), pages, []))
    assert len(packed) > 100_000
    first = zstandard.ZstdDecompressor().decompressobj().decompress(packed[:1000])
    assert first.startswith(heads.head_lines(_head(files=count, pages=count, gaps=0)))
