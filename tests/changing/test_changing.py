"""Snapshots while an emulator writes: each entry is a state that its file really had, or it is a gap."""

from __future__ import annotations

import mmap
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.storage import LocalStorage
from handhold.device.volumes import open_device
from handhold.snapshot import Options, take
from tests.changing.emulator import OLD, PAGE, WAYS, begin, page, was_had
from tests.restore.world import TINPLATE


@contextmanager
def playing(folder: Path, seed: int) -> Iterator[None]:
    """An emulator runs meanwhile, as another process."""
    command = [sys.executable, "-m", "tests.changing.emulator", str(folder), str(seed)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as emulator:
        assert emulator.stdout is not None and emulator.stdin is not None
        assert emulator.stdout.readline() == b"plays\n"
        try:
            yield
        finally:
            emulator.stdin.close()
            emulator.wait(timeout=20)
    assert emulator.returncode == 0


def contents(archive: Archive) -> dict[str, bytes]:
    night = archive.read(archive.nights()[-1])
    return {
        one.path.removeprefix("saves/").removesuffix(".sav"): b"".join(archive.content(one))
        for one in archive.entries(night)
    }


def campaign(tmp_path: Path, rounds: int, seed: int) -> Counter[str]:
    """So many nights in a few evenings of play; counts entries, gaps, and contents that never were."""
    counts: Counter[str] = Counter()
    folder = tmp_path / "card/Tinplate/saves"
    folder.mkdir(parents=True)
    begin(folder)
    device = open_device("plover", {"card": str(tmp_path / "card")})
    clock = lambda: datetime.now(UTC)  # noqa: E731 - the true time: files are stamped with it
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), clock)
    for evening in range(3):
        begin(folder)
        with playing(folder, seed + evening):
            for number in range(rounds // 3):
                options = Options(reread=bool(number % 2), recognise=False)
                result = take(archive, device, [TINPLATE], options, clock)
                counts["nights"] += 1
                counts["gaps"] += len(result.gaps)
                for way, data in contents(archive).items():
                    counts["entries"] += 1
                    counts[f"never had: {way}"] += not was_had(way, data)
        # Nobody plays: what stands there now is what the next night has, though it reads only what changed.
        # Where a program put the time back, nothing shows that, and only reading everything tells.
        take(archive, device, [TINPLATE], Options(recognise=False), clock)
        stands = {
            path.stem: path.read_bytes() for path in folder.glob("*.sav") if path.stem != "time-put-back"
        }
        counts["left behind"] += sum(contents(archive)[way] != data for way, data in stands.items())
    return counts


def held(counts: Counter[str], rounds: int) -> None:
    print(", ".join(f"{what} {count:,}" for what, count in counts.items() if count))
    wrong = {what: count for what, count in counts.items() if count and what.startswith(("never", "left"))}
    assert not wrong
    assert counts["nights"] == rounds // 3 * 3
    assert counts["entries"] + counts["gaps"] >= counts["nights"] * len(WAYS)
    assert counts["entries"] > counts["gaps"]


def test_snapshots_while_an_emulator_plays(tmp_path: Path) -> None:
    held(campaign(tmp_path, 24, 1), 24)


@pytest.mark.long
@pytest.mark.timeout(900)
def test_many_snapshots_while_an_emulator_plays(tmp_path: Path) -> None:
    held(campaign(tmp_path, 1500, 100), 1500)


def test_what_was_never_had_is_told_apart() -> None:
    """So that the campaign can fail."""
    assert was_had("mapped", page(4) * 3 + page(3) * 9)
    assert not was_had("mapped", page(3) * 3 + page(4) * 9)
    assert not was_had("mapped", page(4) * 3 + page(2) * 9)
    assert not was_had("replaced", page(4) * 3 + page(3) * 9)
    assert not was_had("in-place", page(1) * 11)
    assert not was_had("appended", page(0) + page(2))
    assert not was_had("truncated", page(5) + page(4))


def test_a_store_into_a_mapped_file_that_no_time_shows(tmp_path: Path) -> None:
    """The first store stamps the file, those that follow do not, until the system has written it out."""
    saves = tmp_path / "card/Tinplate/saves"
    saves.mkdir(parents=True)
    path = saves / "mapped.sav"
    path.write_bytes(page(0) * 3)
    with open(path, "r+b") as file:
        mapped = mmap.mmap(file.fileno(), 0)
    mapped[:PAGE] = page(1)
    stamp = path.stat().st_mtime_ns
    assert stamp > OLD
    device = open_device("plover", {"card": str(tmp_path / "card")})
    begun = stamp + 5_000_000_000  # five seconds later: far beyond the step of any file system

    def clock() -> datetime:
        return datetime.fromtimestamp(begun / 1e9, UTC)

    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), clock)
    take(archive, device, [TINPLATE], Options(), clock)
    mapped[:PAGE] = page(2)
    if path.stat().st_mtime_ns != stamp:
        pytest.skip("the system wrote the page out in this very moment")
    begun += 86_400_000_000_000
    take(archive, device, [TINPLATE], Options(), clock)
    assert contents(archive)["mapped"] == page(2) + page(0) * 2
