"""Files that are read in several threads: their order in the archive, and what goes wrong in one of them."""

from __future__ import annotations

import hashlib
import os
import random
import signal
import threading
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

import pytest

from handhold.archive.archive import Archive
from handhold.archive.blocks import seal
from handhold.archive.bundle import read_table, rows
from handhold.archive.cutting import SMALL
from handhold.archive.storage import LocalStorage
from handhold.archive.writer import Writer
from handhold.device.reading import read_whole
from handhold.errors import OwnerError
from handhold.intake import files as files_module
from handhold.intake import intake as intake_module
from handhold.intake.intake import FEW_BYTES, Intake
from handhold.intake.jobs import Content, Job, Unread
from handhold.model import Entry, Part
from tests.archive.memory import Card

MEBI = 1 << 20
T = TypeVar("T")


def clock() -> datetime:
    return datetime(2031, 4, 5, 21, 30, tzinfo=UTC)


@pytest.fixture(scope="module")
def device(tmp_path_factory: pytest.TempPathFactory) -> list[Job[str]]:
    """Saves and states by turns, some of the same content, of which half does not pack."""
    top, source = tmp_path_factory.mktemp("device"), random.Random(7)
    jobs = []
    same = source.randbytes(3 * MEBI)
    for number in range(160):
        if number % 40 == 39:
            data = same[: 2 * MEBI] + bytes(MEBI) + source.randbytes(MEBI) + same[2 * MEBI :]
        else:
            data = source.randbytes(source.randrange(3000)) + b"%04d" % (number % 90) * source.randrange(900)
        path = top / f"{number:03}"
        path.write_bytes(data)
        os.utime(path, (10**9, 10**9))
        jobs.append(Job(str(path), len(data), path.name))
    return jobs


def kept(
    jobs: list[Job[str]], folder: Path, threads: int, size: int | None = None
) -> tuple[list[tuple[str, Content | Unread]], list[bytes]]:
    """What an intake says of the files, and the blocks of the archive's bundles in their order."""
    storage = LocalStorage(str(folder))
    archive = Archive.create(storage, clock)
    with (
        archive.locked("test"),
        archive.writer() as writer,
        Intake(writer, threads=threads, size=size) as intake,
    ):
        read = list(intake.read(iter(jobs)))
        writer.settle()
        files = writer.bundles
    return read, [row.id for file in files for row in rows(read_table(storage, file, storage.size(file)))]


def read_back(folder: Path, content: Content) -> bytes:
    entry = Entry(
        emulator="tinplate",
        part=Part.SAVES,
        home="main",
        path="x",
        size=content.size,
        modified=content.modified,
        sha256=content.sha256,
        game=None,
        recipe=content.recipe,
        members=None,
    )
    return b"".join(Archive.open(LocalStorage(str(folder))).content(entry))


def test_however_many_threads_read_the_archive_is_the_same(device: list[Job[str]], tmp_path: Path) -> None:
    """And it gives back what ``hashlib`` says was there, in the order in which the files were asked for."""
    first = kept(device, tmp_path / "1", 1)
    assert [about for about, _ in first[0]] == [job.about for job in device]
    for job, (_, content) in zip(device, first[0], strict=True):
        data = Path(job.place).read_bytes()
        assert isinstance(content, Content)
        assert content.sha256 == hashlib.sha256(data).hexdigest()
        if job.size >= SMALL:
            assert read_back(tmp_path / "1", content) == data
    for run, threads in enumerate((2, 2, 3, 8)):
        assert kept(device, tmp_path / f"again {run}", threads) == first


@pytest.mark.parametrize("slow", [False, True])
def test_few_files_are_read_in_this_thread_until_it_has_to_wait(
    device: list[Job[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, slow: bool
) -> None:
    alone = kept(device, tmp_path / "one", threads=1)
    readers: list[int] = []

    def read(place: str, most: int) -> tuple[bytes, int]:
        readers.append(threading.get_ident())
        if slow:
            time.sleep(0.005)  # a medium that takes its time
        return read_whole(place, most=most)

    monkeypatch.setattr(files_module, "read_whole", read)
    # Without it a neighbour on this machine could keep this thread from working.
    monkeypatch.setattr(intake_module, "_WAITS", 0.01 if slow else 1e9)
    assert kept(device, tmp_path / "few", threads=3, size=FEW_BYTES) == alone
    here = readers.count(threading.get_ident())
    assert (0 < here < len(readers)) if slow else (here == len(readers))
    assert len(readers) == sum(job.size < SMALL for job in device)


@pytest.mark.parametrize("there", [False, True])
def test_what_is_in_memory_is_not_announced(
    device: list[Job[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, there: bool
) -> None:
    told: list[str] = []
    monkeypatch.setattr(intake_module, "is_at_hand", lambda place: there)
    monkeypatch.setattr(intake_module, "announce", lambda place, size: told.append(place))
    kept(device, tmp_path / "archive", threads=2)
    assert told == ([] if there else [job.place for job in device])


def test_many_bytes_are_read_in_other_threads(
    device: list[Job[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Intake, "_alone", None)
    kept(device, tmp_path / "many", threads=3, size=FEW_BYTES + 1)


def test_blocks_lie_in_the_order_of_their_files(device: list[Job[str]], tmp_path: Path) -> None:
    """Whole files that are one block each: readers find them one behind the other."""
    _, blocks = kept(device, tmp_path / "archive", 4)
    small = [hashlib.sha256(Path(job.place).read_bytes()).digest() for job in device if job.size < SMALL]
    wanted = list(dict.fromkeys(one for one in small if one != hashlib.sha256().digest()))
    assert [one for one in blocks if one in set(small)] == wanted


def test_a_file_that_changes_or_ends_early_or_is_gone_does_not_hold_up_the_others(
    device: list[Job[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One of the large files is written to each time, one shrinks while it is read, one is gone."""
    large = [job for job in device if job.size >= SMALL]
    moving, shrinking, gone = (tmp_path / name for name in ("moving", "shrinking", "gone"))
    for path in (moving, shrinking):
        path.write_bytes(random.Random(3).randbytes(4 * MEBI))
        os.utime(path, (10**9, 10**9))
    jobs = [
        large[0],
        Job(str(moving), 4 * MEBI, "moving"),
        large[1],
        Job(str(shrinking), 4 * MEBI, "shrinking"),
        Job(str(gone), 4 * MEBI, "gone"),
        *device[:70],
        large[2],
    ]
    places: dict[int, str] = {}
    plain_open, plain_read, plain_readv = os.open, os.read, os.readv
    turns = [0]

    def opened(place: str, *given: int) -> int:
        handle = plain_open(place, *given)
        places[handle] = place
        return handle

    def read(handle: int, count: int) -> bytes:
        return looked_at(handle, plain_read(handle, count))

    def readv(handle: int, rooms: Sequence[memoryview]) -> int:
        return looked_at(handle, plain_readv(handle, rooms))

    def looked_at(handle: int, data: T) -> T:
        place = places.get(handle)
        if place == str(moving):
            turns[0] += 1
            os.utime(place, (10**9 + turns[0], 10**9))
        elif place == str(shrinking) and os.stat(place).st_size > MEBI:
            os.truncate(place, MEBI)
        return data

    monkeypatch.setattr(os, "open", opened)
    monkeypatch.setattr(os, "read", read)
    monkeypatch.setattr(os, "readv", readv)
    read_now, _ = kept(jobs, tmp_path / "archive", 2)
    monkeypatch.undo()
    assert [about for about, _ in read_now] == [job.about for job in jobs]
    said = dict(read_now)
    assert isinstance(said["moving"], Unread) and "kept changing" in said["moving"].why
    assert isinstance(said["gone"], Unread)
    # What it was cut down to is what it has held since: that is kept, nothing of what it was before.
    cut_down = said["shrinking"]
    assert isinstance(cut_down, Content)
    assert cut_down.sha256 == hashlib.sha256(shrinking.read_bytes()).hexdigest()
    assert read_back(tmp_path / "archive", cut_down) == shrinking.read_bytes()
    for job in [*large[:3], *device[:70]]:
        content = said[job.about]
        assert isinstance(content, Content)
        assert content.sha256 == hashlib.sha256(Path(job.place).read_bytes()).hexdigest()


def test_a_mistake_in_one_thread_ends_the_run_and_all_threads(
    device: list[Job[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def wrong(*_: object) -> None:
        raise ZeroDivisionError

    before = threading.active_count()
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), clock)
    with (
        archive.locked("test"),
        pytest.raises(ZeroDivisionError),
        archive.writer() as writer,
        Intake(writer, threads=2) as intake,
    ):
        done = intake.read(iter(device))
        next(done)
        monkeypatch.setattr(files_module, "seal_all", wrong)
        list(done)
    assert threading.active_count() == before
    assert not [item.name for item in archive.storage.list("bundles") if item.name.endswith(".part")]


def test_a_medium_that_is_full_half_way_is_told_and_leaves_no_thread(device: list[Job[str]]) -> None:
    before = threading.active_count()
    card = Card({}, room=5 * MEBI)
    archive = Archive.create(card, clock)
    with (
        archive.locked("test"),
        pytest.raises(OwnerError, match="no room"),
        archive.writer() as writer,
        Intake(writer, threads=2) as intake,
    ):
        list(intake.read(iter(device)))
    assert threading.active_count() == before
    assert not [name for name in card.files if name.endswith(".part")]


def test_ctrl_c_in_the_middle_ends_all_threads(
    device: list[Job[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = threading.active_count()
    put_all = Writer.put_all
    calls = [0]

    def interrupted(self: Writer, *given: object) -> None:
        calls[0] += 1
        if calls[0] == 3:
            signal.raise_signal(signal.SIGINT)
        put_all(self, *given)  # type: ignore[arg-type]

    monkeypatch.setattr(Writer, "put_all", interrupted)
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), clock)
    held = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with (
            archive.locked("test"),
            pytest.raises(KeyboardInterrupt),
            archive.writer() as writer,
            Intake(writer, threads=2) as intake,
        ):
            list(intake.read(iter(device)))
    finally:
        signal.signal(signal.SIGINT, held)
    assert threading.active_count() == before
    assert not [item for item in archive.storage.list("bundles") if item.name.endswith(".part")]


def test_a_block_that_came_into_a_whole_bundle_meanwhile_is_not_stored_again(tmp_path: Path) -> None:
    """Two equal blocks that threads found unknown, the second of which is put when the bundle is closed."""
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), clock)
    with archive.locked("test"), archive.writer() as writer:
        moment = writer.moment
        block = seal(b"a save")
        assert not writer.known(block.id)
        writer.put_all([block], moment)
        writer.settle()
        writer.put_all([block, seal(b"another")], moment)
        assert writer.new_blocks == 2
        writer.put_all([seal(b"another"), seal(b"third")], writer.moment)
        assert writer.new_blocks == 3
