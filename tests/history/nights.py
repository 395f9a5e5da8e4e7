"""Archives made of a few lines: what stood on which device in which night, by content."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta, timezone
from pathlib import Path

from handhold.archive.archive import Archive
from handhold.archive.blocks import block_id
from handhold.archive.head import Snapshot
from handhold.archive.storage import LocalStorage
from handhold.history.reading import Asked, read_histories
from handhold.history.versions import History
from handhold.model import Entry, Gap, HomeKind, Kind, Part, Site, nanoseconds
from handhold.restore.select import Selection

ZONE = timezone(timedelta(hours=2))
#: A Sunday.
BEGAN = datetime(2026, 3, 1, 21, 0, tzinfo=ZONE)
MAIN = Site("tinplate", "main", HomeKind.FOLDER, "card", "Tinplate")


class Nights:
    """An archive in which a day goes by with each manifest."""

    def __init__(self, folder: Path, zone: timezone = ZONE) -> None:
        self.now = BEGAN.astimezone(zone)
        self.archive = Archive.create(LocalStorage(str(folder)), lambda: self.now)

    def write(
        self,
        device: str,
        saves: Mapping[str, str],
        *,
        kind: Kind = Kind.NIGHT,
        sites: Sequence[Site] = (MAIN,),
        gaps: Sequence[Gap] = (),
        written: datetime | None = None,
        safety: str | None = None,
        days: float = 1,
        sequence: float | None = None,
        taken: datetime | None = None,
    ) -> Snapshot:
        """A manifest with saves: path -> content; each was written an hour before, or when it is said."""
        taken = taken or self.now
        modified = nanoseconds(written or taken - timedelta(hours=1))
        with self.archive.locked("test"), self.archive.writer() as writer:
            entries = []
            for path, content in saves.items():
                data = content.encode()
                game = path.rpartition("/")[2].partition(".")[0]
                digest = writer.put_plain(data)
                part = Part.STATES if path.startswith("states/") else Part.SAVES
                entries.append(Entry("tinplate", part, "main", path, len(data), modified, digest, game))
            snapshot = writer.finish(
                device=device, kind=kind, taken=taken, volumes=[], sites=tuple(sites), layouts={},
                entries=entries, gaps=list(gaps), safety=safety, sequence=sequence,
            )  # fmt: skip
        self.now += timedelta(days=days)
        return snapshot

    def histories(self, *games: str, what: str | None = None) -> tuple[History, ...]:
        fresh = Archive.open(LocalStorage(self.archive.storage.where))
        return read_histories(fresh, Asked(Selection(games=games), what), {}).saves

    def one(self, game: str = "Moss") -> History:
        (save,) = self.histories(game)
        return save


def digest(content: str) -> str:
    return block_id(content.encode()).hex()
