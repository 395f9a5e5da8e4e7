"""Archives as an attacker makes them: every sum and digest is right, and what they say is not."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec

from handhold.archive import bundle, manifest
from handhold.archive import head as heads
from handhold.archive.archive import Archive
from handhold.archive.blocks import Sealed, block_id, seal
from handhold.archive.head import VolumeNote
from handhold.archive.manifest import PageRef
from handhold.archive.storage import LocalStorage
from handhold.model import Gap, HomeKind, Kind, Site

NOON = datetime(2031, 4, 5, 12, tzinfo=UTC)
HOME = Site("tinplate", "main", HomeKind.FOLDER, "internal", "Tinplate")


class Forge:
    """An archive in a folder, to which nights are added that no check has seen."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.archive = Archive.create(LocalStorage(str(root)), lambda: NOON)
        self.sequence = 0

    def store(self, *blocks: Sealed) -> None:
        """A bundle of these records, whatever they hold."""
        file, rows, body = "", b"", io.BytesIO(bundle.MAGIC)
        body.seek(0, io.SEEK_END)
        for one in blocks:
            rows += bundle.ROW.pack(
                one.id, body.tell(), len(one.stored), one.plain_size, one.codec, one.check
            )
            body.write(bundle.pack_header(one) + one.stored)
        file = bundle.name_of(rows)
        path = self.root / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(body.getvalue() + rows + bundle.pack_end(rows))

    def night(self, entries: Sequence[Mapping[str, Any]], **more: Any) -> str:
        """Writes a night of one list; entries are the JSON of a page. ``more`` as for ``night_of``."""
        return self.night_of([entries], **more)

    def night_of(
        self,
        lists: Sequence[Sequence[Mapping[str, Any]]],
        *,
        blocks: Sequence[bytes | Sealed] = (),
        sites: Sequence[Site] = (HOME,),
        layouts: Mapping[str, bytes] | None = None,
        gaps: Sequence[Gap] = (),
        device: str = "plover",
        kind: Kind = Kind.NIGHT,
        blanks: int = 0,
        **head: Any,
    ) -> str:
        """Writes a night of several lists, each of which begins with so many blanks. Gives its name."""
        pages = {
            id(entries): b" " * blanks + msgspec.json.Encoder().encode_lines(entries) for entries in lists
        }
        sealed = (b if isinstance(b, Sealed) else seal(b) for b in (*blocks, *pages.values()))
        stored = {one.id: one for one in sealed}
        stored |= {one.id: one for one in map(seal, (layouts or {}).values())}
        self.store(*stored.values())
        self.sequence += 1
        taken = NOON + timedelta(minutes=self.sequence)
        name = f"{device}.{heads.stamp(taken)}"
        made = heads.make_head(
            name=name,
            device=device,
            sequence=self.sequence,
            kind=kind,
            taken=taken,
            tool="forged",
            files=sum(map(len, lists)),
            bytes=sum(max(0, int(entry["size"])) for entries in lists for entry in entries),
            pages=len(lists),
            gaps=len(gaps),
            volumes=[VolumeNote("internal", "ext4")],
            sites=sites,
            layouts={emulator: block_id(data).hex() for emulator, data in (layouts or {}).items()},
            note=head.pop("note", ""),
            base=None,
            safety=None,
            **head,
        )
        refs = [PageRef(block_id(pages[id(entries)]).hex(), len(entries)) for entries in lists]
        lines = manifest.encode(made, refs, gaps)
        self.manifest(device, taken, lines)
        return name

    def manifest(self, device: str, taken: datetime, lines: bytes) -> Path:
        """Writes the file of a manifest of any lines."""
        packed = manifest.pack(lines, 1)
        path = self.root / manifest.file_name(device, taken, packed)
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(packed)
        return path


def save(path: str, data: bytes = b"stranger", **more: Any) -> dict[str, Any]:
    """An entry as a page has it; the content is to be given among the blocks."""
    entry: dict[str, Any] = {
        "emulator": "tinplate",
        "part": "saves",
        "home": "main",
        "path": path,
        "size": len(data),
        "modified": 1_900_000_000_000_000_000,
        "sha256": hashlib.sha256(data).hexdigest(),
    }
    return entry | more
