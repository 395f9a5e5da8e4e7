"""Manifests: the files that list a snapshot's pages and gaps. FORMAT.md describes them.

JSON Lines in one Zstandard frame: a head, its digest, a line for each page, a line for each gap, an end.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from itertools import compress, count, repeat
from operator import attrgetter, is_
from typing import cast

import msgspec
import zstandard

from handhold.archive.blocks import decompress
from handhold.archive.head import (
    FILE,
    FOLDER,
    LARGEST,
    LARGEST_HEAD,
    MOST_LINES,
    Emptied,
    GamesNote,
    Head,
    Snapshot,
    VolumeNote,
    decode_head,
    head_lines,
    make_head,
    utc_stamp,
)
from handhold.model import Gap, Part, Site
from handhold.names import one_line, trouble_with

_HEX = re.compile("[0-9a-f]*")


class PageRef(msgspec.Struct, frozen=True, gc=False):
    """A page by the hexadecimal id of its block, and the number of its entries; a line of a manifest."""

    id: str = msgspec.field(name="page")
    entries: int


class Manifest(msgspec.Struct, frozen=True):
    """What a manifest says."""

    snapshot: Snapshot
    volumes: tuple[VolumeNote, ...]
    sites: tuple[Site, ...]
    layouts: dict[str, str]  # the emulator, and the hexadecimal id of the block with its layout
    pages: tuple[PageRef, ...]
    gaps: tuple[Gap, ...]
    base: str | None
    safety: str | None
    tool: str
    games: GamesNote | None = None
    versions: Mapping[str, str] = {}  # of emulators, where their layouts tell
    left_out: frozenset[Part] = frozenset()  # parts that it was told to leave out
    only_layouts: bool = False  # it was told to recognise nothing
    emptied: tuple[Emptied, ...] = ()
    recognised: frozenset[str] | None = None  # of ``layouts``, those with files that no rule names, if known


class TooLarge(ValueError):
    """A manifest that would not be read back."""


class _GapLine(msgspec.Struct, frozen=True):
    gap: Gap


class _EndLine(msgspec.Struct, frozen=True):
    end: dict[str, int]
    sha256: str


_encoder = msgspec.json.Encoder()
_page = msgspec.json.Decoder(PageRef)
_gap = msgspec.json.Decoder(_GapLine)
_end = msgspec.json.Decoder(_EndLine)
_entries_of = attrgetter("entries")


def encode(head: Head, pages: Sequence[PageRef], gaps: Sequence[Gap]) -> bytes:
    """The manifest's plain lines. Raises ``TooLarge`` if they are more than would be believed."""
    lines = head_lines(head) + _encoder.encode_lines(pages)
    lines += _encoder.encode_lines([_GapLine(gap) for gap in gaps])
    counts = {"pages": head.pages, "gaps": head.gaps, "files": head.files, "bytes": head.bytes}
    lines += _encoder.encode(_EndLine(counts, hashlib.sha256(lines).hexdigest())) + b"\n"
    if head.pages + head.gaps > MOST_LINES or len(lines) > LARGEST or lines.index(b"\n") >= LARGEST_HEAD:
        raise TooLarge("the manifest would be larger than any that is read")
    return lines


def pack(plain: bytes, level: int = 9) -> bytes:
    """The file: one Zstandard frame with its size and a checksum; the two head lines end a piece.

    So a list of all snapshots reads the beginning of each file only.
    """
    compressor = zstandard.ZstdCompressor(level=level, write_checksum=True, write_content_size=True)
    frame = compressor.compressobj(size=len(plain))
    end = plain.index(b"\n", plain.index(b"\n") + 1) + 1
    run = frame.compress(plain[:end]) + frame.flush(zstandard.COMPRESSOBJ_FLUSH_BLOCK)
    return bytes(run + frame.compress(plain[end:]) + frame.flush())


def file_name(device: str, taken: datetime, packed: bytes) -> str:
    """Where a manifest lies in the archive; the name holds the beginning of the file's own digest."""
    return f"{FOLDER}/{device}.{utc_stamp(taken)}.{hashlib.sha256(packed).hexdigest()[:8]}.manifest"


def unpack(file: str, packed: bytes) -> bytes:
    """The plain lines of a manifest's file, after its name's digest was compared. Raises ``ValueError``."""
    name = FILE.fullmatch(file)
    if name is None:
        raise ValueError("its name is not that of a manifest")
    if hashlib.sha256(packed).hexdigest()[:8] != name[3]:
        raise ValueError("its bytes do not belong to its name")
    return decompress(packed, LARGEST)


def pages_named(plain: bytes) -> list[bytes]:
    """What a manifest's plain lines say of its pages, unchecked: each begins with the 64 digits of an id."""
    return plain.split(b'\n{"page":"')[1:]


class KnownRefs:
    """The lines of pages in manifests that were read already: from night to night most stay as they are.

    When it is full, it begins afresh.
    """

    def __init__(self, most: int = 1 << 16) -> None:
        self._most = most
        self._refs: dict[bytes, PageRef] = {}

    def decode(self, lines: Sequence[bytes]) -> tuple[PageRef, ...]:
        """The pages that lines name, each checked. Raises ``ValueError`` and ``msgspec.MsgspecError``."""
        found = list(map(self._refs.get, lines))
        missing = list(compress(count(), map(is_, found, repeat(None))))
        refs = [_page.decode(lines[at]) for at in missing]
        if any(len(ref.id) != 64 or ref.entries < 1 for ref in refs) or not _HEX.fullmatch(
            "".join(ref.id for ref in refs)
        ):
            raise ValueError("it names a page that cannot be")
        if missing and len(self._refs) >= self._most:
            self._refs.clear()
        for at, ref in zip(missing, refs, strict=True):
            self._refs[lines[at]] = found[at] = ref
        return cast(tuple[PageRef, ...], tuple(found))


def decode(file: str, packed: bytes, known: KnownRefs | None = None) -> Manifest:
    """A whole manifest, checked: digests, counts, every name. Raises ``ValueError`` with what is wrong.

    ``known`` are the pages of other manifests, for a reader of many.
    """
    plain = unpack(file, packed)
    behind = plain.find(b"\n", plain.find(b"\n") + 1) + 1
    head, snapshot = decode_head(file, plain[: min(behind, LARGEST_HEAD + 128)])
    if plain.count(b"\n") != head.pages + head.gaps + 3 or plain[-1:] != b"\n":
        raise ValueError("it has not the number of lines that its head says")
    lines = plain.split(b"\n")
    try:
        end = _end.decode(lines[-2])
        pages = (known or KnownRefs()).decode(lines[2 : 2 + head.pages])
        gaps = tuple(_in_lines(_gap.decode(line).gap) for line in lines[2 + head.pages : -2])
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise ValueError(f"it cannot be read ({error})") from error
    if end.sha256 != hashlib.sha256(plain[: -len(lines[-2]) - 1]).hexdigest():
        raise ValueError("its digest is not that of its lines")
    counts = {"pages": head.pages, "gaps": head.gaps, "files": head.files, "bytes": head.bytes}
    if end.end != counts:
        raise ValueError("its end does not fit its head")
    if sum(map(_entries_of, pages)) != head.files:
        raise ValueError("its pages have not the number of files that its head says")
    for gap in gaps:
        if gap.path and (trouble := trouble_with(gap.path)):
            raise ValueError(f"it has a gap whose path {trouble}")
    return Manifest(
        snapshot,
        head.volumes,
        head.sites,
        head.layouts,
        pages,
        gaps,
        head.base and one_line(head.base),
        head.safety,
        one_line(head.tool),
        head.games,
        head.versions,
        frozenset(head.left_out),
        head.only_layouts,
        head.emptied,
        None if head.recognised is None else frozenset(head.recognised),
    )


def _in_lines(gap: Gap) -> Gap:
    """The gap with each of its texts on one line."""
    texts = (gap.volume, gap.why, gap.emulator or "", gap.advice or "")
    if all(map(str.isprintable, texts)):
        return gap
    volume, why, emulator, advice = map(one_line, texts)
    return Gap(volume, gap.path, why, emulator or None, advice or None)


def remembering(manifest: Manifest, safety: str | None) -> tuple[str, bytes]:
    """The file, and its bytes, of what is remembered of a snapshot that is let go.

    Its lists of files stay, so that it is known what stood where; content, layouts and games go. ``safety``
    is the file in which its safety snapshot is remembered. The same snapshot always gives the same bytes,
    with the same compressor.
    """
    snapshot = manifest.snapshot
    head = make_head(
        name=snapshot.name,
        device=snapshot.device,
        sequence=snapshot.sequence,
        kind=snapshot.kind,
        taken=snapshot.taken,
        tool=manifest.tool,
        files=snapshot.files,
        bytes=snapshot.bytes,
        pages=len(manifest.pages),
        gaps=len(manifest.gaps),
        volumes=manifest.volumes,
        sites=manifest.sites,
        layouts={},
        note=snapshot.note,
        base=manifest.base,
        safety=safety,
        versions=manifest.versions,
        let_go=True,
        left_out=manifest.left_out,
        only_layouts=manifest.only_layouts,
        origin=snapshot.origin,
    )
    packed = pack(encode(head, manifest.pages, manifest.gaps))
    return file_name(snapshot.device, snapshot.taken, packed), packed
