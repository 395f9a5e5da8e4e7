"""Archives to hurt and to mend: two nights of files of one block and of several, with and without parity."""

from __future__ import annotations

import os
import random
import shutil
from datetime import timedelta
from pathlib import Path

from handhold.archive.archive import Archive
from handhold.archive.mending.mend import mend
from handhold.archive.mending.result import Mending
from handhold.archive.parity.keeping import begin_parity
from handhold.archive.storage import LocalStorage, Storage
from handhold.archive.verify import verify
from tests.archive.damaged import night_of
from tests.archive.fixtures import EVENING, contents, make

SECTOR = 4096
#: Snapshot -> path -> content.
Nights = dict[str, dict[str, bytes]]


class Hurt:
    """An archive in a folder, what it held when it was whole, and ways to hurt it."""

    def __init__(self, folder: Path, *, parity: bool, size: int = 300_000) -> None:
        chance = random.Random(7)
        archive = make(folder)
        if parity:
            with archive.locked("test"):
                begin_parity(archive.storage)
        saves = {f"saves/{n}.sav": chance.randbytes(chance.randrange(1, 3000)) for n in range(40)}
        cut = {"cards/card.mc": chance.randbytes(size)}
        self.chance = chance
        self.root = folder / "archive"
        self.nights: Nights = {}
        for number in range(2):
            saves["saves/3.sav"] = chance.randbytes(700)
            self.nights[night_of(archive, saves, cut, number)] = {**saves, **cut}
        assert verify(self.storage, True).ok

    @property
    def storage(self) -> LocalStorage:
        return LocalStorage(str(self.root))

    def files(self, folder: str) -> list[str]:
        """The files below one of the archive's folders, the largest first."""
        found = [path for path in (self.root / folder).rglob("*") if path.is_file()]
        found.sort(key=lambda path: (-path.stat().st_size, path.name))
        return [str(path.relative_to(self.root)) for path in found]

    @property
    def bundle(self) -> str:
        """The largest bundle."""
        return self.files("bundles")[0]

    def kill(self, file: str, *sectors: int) -> None:
        """Overwrites sectors of a file with ones, as a dead block of flash reads."""
        with open(self.root / file, "r+b") as stream:
            size = os.fstat(stream.fileno()).st_size
            for sector in sectors:
                stream.seek(sector * SECTOR)
                stream.write(b"\xff" * min(SECTOR, size - sector * SECTOR))

    def copy(self, folder: Path) -> Path:
        """The archive as it is now, somewhere else."""
        return Path(shutil.copytree(self.root, folder))

    def mend(self, other: Path | None = None, *, dry: bool = False, add_parity: bool = False) -> Mending:
        """Mends it without a device."""
        source: Storage | None = LocalStorage(str(other)) if other else None
        return mend(
            self.storage, lambda: EVENING + timedelta(days=9), other=source, dry=dry, add_parity=add_parity
        )

    def check(self) -> None:
        """Everything is there again, and the archive whole to the last byte."""
        report = verify(self.storage, True)
        assert report.ok, report.damage
        archive = Archive.open(self.storage)
        assert {one.name: contents(archive, one) for one in archive.snapshots()} == self.nights
