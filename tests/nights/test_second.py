"""A second process that reads and packs files: the archive is the same, whatever becomes of it."""

from __future__ import annotations

import hashlib
import os
import random
import signal
import threading
import time
import zipfile
from collections.abc import Iterator
from contextlib import AbstractContextManager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from handhold.archive import recipe
from handhold.archive.archive import Archive
from handhold.archive.bundle import read_table, rows
from handhold.archive.cutting import SMALL
from handhold.archive.storage import LocalStorage
from handhold.archive.writer import Writer
from handhold.errors import OwnerError
from handhold.intake import second
from handhold.intake.files import Files, Stored
from handhold.intake.intake import FEW_FILES, Intake
from handhold.intake.jobs import Content, Job, Unread
from handhold.intake.second import Second, begun
from tests.archive.memory import Card
from tests.processes import note_forks, wait_until_free

MEBI = 1 << 20
MADE: list[int] = []


def clock() -> datetime:
    return datetime(2031, 4, 5, 21, 30, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _two_cores(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """And nothing is left behind: no process, no thread, no open file."""
    note_forks(monkeypatch, MADE)
    threads, files = threading.active_count(), len(os.listdir("/proc/self/fd"))
    yield
    assert not [process for process in MADE if os.path.exists(f"/proc/{process}")]
    assert threading.active_count() == threads
    assert len(os.listdir("/proc/self/fd")) == files


@pytest.fixture(scope="module")
def device(tmp_path_factory: pytest.TempPathFactory) -> list[Job[str]]:
    """Saves, states, exports and what cannot be read, by turns; some of the same content."""
    top, source = tmp_path_factory.mktemp("device"), random.Random(7)
    jobs = []
    same = source.randbytes(3 * MEBI)
    for number in range(300):
        path = top / f"{number:03}"
        opened = False
        if number % 60 == 39:
            data = same[: 2 * MEBI] + bytes(MEBI) + source.randbytes(MEBI) + same[2 * MEBI :]
            path.write_bytes(data)
        elif number % 60 == 49:  # a hole nearly everywhere
            path.write_bytes(b"")
            os.truncate(path, 40 * MEBI)
            with path.open("r+b") as file:
                file.write(source.randbytes(3 * MEBI))
        elif number % 30 == 20:
            opened = True
            with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
                for name in range(number // 4):
                    archive.writestr(f"{name}.sav", source.randbytes(100 * number))
        else:
            path.write_bytes(
                source.randbytes(source.randrange(3000)) + b"%04d" % (number % 190) * source.randrange(900)
            )
        os.utime(path, (10**9, 10**9))
        size = path.stat().st_size
        if number % 100 == 55:
            path.unlink()
        elif number % 100 == 66:
            size = 10  # it has grown since it was seen
            path.write_bytes(same)
            os.utime(path, (10**9, 10**9))
        jobs.append(Job(str(path), size, path.name, opened))
    return jobs


def beside_it(archive: Archive, threads: int = 2) -> AbstractContextManager[Second | None]:
    return begun(3, lambda ident: ident in archive.index, threads)


def kept(
    jobs: list[Job[str]], folder: Path, files: int = FEW_FILES, threads: int = 2
) -> tuple[list[tuple[str, Content | Unread]], list[bytes], int]:
    """What an intake says of the files, the blocks of the bundles in their order, and what progress told."""
    storage = LocalStorage(str(folder))
    archive = Archive.open(storage) if folder.exists() else Archive.create(storage, clock)
    told = [0]

    def progress(_: int, size: int) -> None:
        told[0] += size

    with archive.locked("test"), archive.writer() as writer:
        with (
            beside_it(archive, threads) as one,
            Intake(writer, threads=threads, second=one, files=files) as intake,
        ):
            read = list(intake.read(iter(jobs), progress))
        writer.settle()
        new = writer.bundles
    return (
        read,
        [row.id for file in new for row in rows(read_table(storage, file, storage.size(file)))],
        told[0],
    )


@pytest.fixture(scope="module")
def alone(device: list[Job[str]], tmp_path_factory: pytest.TempPathFactory) -> object:
    """What one process does, held against the files themselves."""
    found = kept(device, tmp_path_factory.mktemp("alone") / "archive", files=0)
    for job, (about, content) in zip(device, found[0], strict=True):
        assert about == job.about
        if isinstance(content, Unread):
            assert not os.path.exists(job.place)
        else:
            assert content.sha256 == hashlib.sha256(Path(job.place).read_bytes()).hexdigest()
    return found


@pytest.mark.parametrize("threads", [1, 2, 5])
def test_the_archive_is_the_same_with_one_process_and_with_two(
    device: list[Job[str]], tmp_path: Path, alone: object, threads: int
) -> None:
    assert kept(device, tmp_path / "archive", threads=threads) == alone
    assert len(MADE) == 1


def test_few_files_are_read_without_it(device: list[Job[str]], tmp_path: Path, alone: object) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Second, "place", None)
        assert kept(device, tmp_path / "archive", files=FEW_FILES - 1) == alone


@pytest.mark.parametrize(
    ("number", "how"), [(0, signal.SIGKILL), (1, signal.SIGTERM), (7, signal.SIGKILL), (12, signal.SIGTERM)]
)
def test_a_process_that_is_ended_is_stood_in_for(
    device: list[Job[str]],
    tmp_path: Path,
    alone: object,
    monkeypatch: pytest.MonkeyPatch,
    number: int,
    how: signal.Signals,
) -> None:
    answer, left = Second.answer, [number]

    def ended(self: Second) -> second.Answer:
        left[0] -= 1
        if left[0] == -1:
            os.kill(MADE[0], how)
        return answer(self)

    monkeypatch.setattr(Second, "answer", ended)
    assert kept(device, tmp_path / "archive") == alone
    assert left[0] < 0


def test_a_process_that_fails_is_stood_in_for(
    device: list[Job[str]], tmp_path: Path, alone: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No memory is left there, for one."""
    caller, take, left = os.getpid(), Files.take, [3]

    def fails(self: Files, jobs: list[Job[str]]) -> Stored[str]:
        if os.getpid() != caller:
            left[0] -= 1
            if not left[0]:
                raise MemoryError
        return take(self, jobs)

    monkeypatch.setattr(Files, "take", fails)
    assert kept(device, tmp_path / "archive") == alone


def test_where_none_can_be_made_all_is_read(
    device: list[Job[str]], tmp_path: Path, alone: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none() -> int:
        raise BlockingIOError

    monkeypatch.setattr(os, "fork", none)
    assert kept(device, tmp_path / "archive") == alone


def test_where_no_pipe_can_be_had_all_is_read(
    device: list[Job[str]], tmp_path: Path, alone: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    pipe, left = os.pipe, [1]

    def few() -> tuple[int, int]:
        left[0] -= 1
        if left[0] < 0:
            raise OSError(24, "Too many open files")
        return pipe()

    monkeypatch.setattr(os, "pipe", few)
    assert kept(device, tmp_path / "archive") == alone


def test_what_the_archive_has_is_not_stored_again_but_for_what_is_hurt_there(
    device: list[Job[str]], tmp_path: Path
) -> None:
    """The second process looks only into tables; whether a bundle gives it back is looked at here."""
    said, blocks, _ = kept(device, tmp_path / "archive", files=0)
    again, none, _ = kept(device, tmp_path / "archive")
    assert again == said and not none
    archive = Archive.open(LocalStorage(str(tmp_path / "archive")))
    hurt = random.Random(1).sample(sorted(set(blocks)), 40)
    for ident in hurt:
        place = archive.index.first(ident)
        assert place is not None
        with (tmp_path / "archive" / place.file).open("r+b") as file:
            file.seek(place.row.offset + 64 + place.row.stored // 2)
            byte = file.read(1)
            file.seek(-1, os.SEEK_CUR)
            file.write(bytes([byte[0] ^ 255]))
    once_more, new, _ = kept(device, tmp_path / "archive")
    assert once_more == said
    assert sorted(new) == sorted(hurt)


def test_what_it_has_sent_is_there_though_a_file_was_read_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file changed before it was read anew, as one beside it is hurt; a later one has what it had."""
    jobs = []
    for number in range(200):
        path = tmp_path / f"{number:03}"
        path.write_bytes(b"the same" if number in (1, 199) else b"%d" % number)
        os.utime(path, (10**9, 10**9))
        jobs.append(Job(str(path), path.stat().st_size, path.name))
    kept(jobs[:1], tmp_path / "archive", files=0)
    (bundle,) = (tmp_path / "archive/bundles").rglob("*.bundle")
    data = bytearray(bundle.read_bytes())
    data[8 + 64] ^= 0xFF  # the first byte of the first block
    bundle.write_bytes(data)
    answer = Second.answer

    def changed(self: Second) -> second.Answer:
        given = answer(self)
        Path(jobs[1].place).write_bytes(b"another")
        os.utime(jobs[1].place, (10**9, 10**9))
        return given

    monkeypatch.setattr(Second, "answer", changed)
    said = dict(kept(jobs, tmp_path / "archive")[0])
    archive = Archive.open(LocalStorage(str(tmp_path / "archive")))
    for name, plain in (("000", b"0"), ("001", b"another"), ("199", b"the same")):
        content = said[name]
        assert isinstance(content, Content) and archive.block(content.sha256) == plain


def test_a_medium_that_is_full_half_way_is_told(device: list[Job[str]]) -> None:
    card = Card({}, room=5 * MEBI)
    archive = Archive.create(card, clock)
    with (
        archive.locked("test"),
        pytest.raises(OwnerError, match="no room"),
        archive.writer() as writer,
        beside_it(archive) as one,
        Intake(writer, threads=2, second=one, files=FEW_FILES) as intake,
    ):
        list(intake.read(iter(device)))
    assert len(MADE) == 1
    assert not [name for name in card.files if name.endswith(".part")]


@pytest.mark.parametrize("taken", [0, 1, 100])
def test_whoever_takes_no_more_ends_it(device: list[Job[str]], tmp_path: Path, taken: int) -> None:
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), clock)
    with (
        archive.locked("test"),
        archive.writer() as writer,
        beside_it(archive) as one,
        Intake(writer, threads=2, second=one, files=FEW_FILES) as intake,
    ):
        read = intake.read(iter(device))
        for _ in range(taken):
            next(read)
    assert len(MADE) == 1


def test_ctrl_c_in_the_middle_ends_it(
    device: list[Job[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put_all, calls = Writer.put_all, [0]

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
            beside_it(archive) as one,
            Intake(writer, threads=2, second=one, files=FEW_FILES) as intake,
        ):
            list(intake.read(iter(device)))
    finally:
        signal.signal(signal.SIGINT, held)
    assert len(MADE) == 1
    assert not [item for item in archive.storage.list("bundles") if item.name.endswith(".part")]


def test_it_ends_with_its_caller(device: list[Job[str]], tmp_path: Path) -> None:
    """And lets go of the lock of the archive: the next run need not wait for it."""
    folder = tmp_path / "archive"
    Archive.create(LocalStorage(str(folder)), clock)
    caller = os.fork()
    if not caller:
        answer, left = Second.answer, [3]

        def die(self: Second) -> second.Answer:
            left[0] -= 1
            if not left[0]:
                os.kill(os.getpid(), signal.SIGKILL)
            return answer(self)

        try:
            Second.answer = die  # type: ignore[method-assign]
            kept(device, folder)
        finally:
            os._exit(1)
    assert os.waitpid(caller, 0)[1] == signal.SIGKILL
    wait_until_free(folder)


def test_a_file_that_is_written_to_is_kept_as_it_was_at_one_moment(tmp_path: Path) -> None:
    """Its two halves are the same at each moment: so they are in what is kept."""
    paths = [tmp_path / name for name in ("a small one", "a large one")]
    sizes = [SMALL // 8, 3 * MEBI]
    ended = threading.Event()

    def write() -> None:
        source = random.Random(1)
        while not ended.is_set():
            for path, size in zip(paths, sizes, strict=True):
                half = source.randbytes(64) * (size // 128)
                new = path.with_suffix(".new")
                new.write_bytes(half + half)
                os.replace(new, path)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        while not all(path.exists() for path in paths):
            time.sleep(0.01)
        jobs = [Job(str(path), size, path.name) for path, size in zip(paths, sizes, strict=True)]
        said, _, _ = kept(jobs * 4, tmp_path / "archive")
    finally:
        ended.set()
        writer.join()
    archive = Archive.open(LocalStorage(str(tmp_path / "archive")))
    for _, content in said:
        if isinstance(content, Content):
            whole = archive.block(content.sha256) if content.recipe is None else _whole(archive, content)
            assert hashlib.sha256(whole).hexdigest() == content.sha256
            assert whole[: len(whole) // 2] == whole[len(whole) // 2 :]


def _whole(archive: Archive, content: Content) -> bytes:
    assert content.recipe is not None
    return b"".join(archive.ranges(recipe.decode(archive.block(content.recipe), content.size)))
