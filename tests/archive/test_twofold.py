"""A check by several processes says what one alone says, whatever is hurt and becomes of the others."""

from __future__ import annotations

import fcntl
import gc
import os
import random
import signal
import time
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice, pairwise
from pathlib import Path
from typing import Any

import pytest

from handhold import beside
from handhold.archive import mapped, sharing, twofold
from handhold.archive.archive import Archive
from handhold.archive.bundle import ROW
from handhold.archive.judging import Judging
from handhold.archive.mapped import MappedStorage
from handhold.archive.report import Report
from handhold.archive.shares import Share, Span, shares
from handhold.archive.sharing import Sharing
from handhold.archive.storage import LocalStorage
from handhold.archive.verify import verify
from handhold.errors import NotNow
from tests.archive.damaged import Memory, World, check_truth, large_world, local, small_world
from tests.archive.twice import in_two
from tests.rot.counting import Changes, cuts, flips


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> World:
    with pytest.MonkeyPatch.context() as patch:
        return small_world(tmp_path_factory.mktemp("small"), patch)


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> World:
    return large_world(tmp_path_factory.mktemp("large"))


@pytest.fixture
def processes(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[int]]:
    """The second processes that were started; none is left in the end, and no file."""
    gc.collect()  # what tests before this one have left open
    files = len(os.listdir("/proc/self/fd"))
    started = in_two(monkeypatch)
    yield started
    assert not [one for one in started if os.path.exists(f"/proc/{one}")]
    assert len(os.listdir("/proc/self/fd")) == files


def alone(storage: Memory | LocalStorage, deep: bool) -> Report:
    """What one process says."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(beside, "_cores", lambda: 1)
        return verify(storage, deep)


def leave(monkeypatch: pytest.MonkeyPatch, most: int | None = 0) -> None:
    """There is one other process, and the first does at most so many shares until that one has ended.

    None: two others do all.
    """
    if most is None:
        return
    begun, numbers = Sharing._begun, Sharing.numbers
    monkeypatch.setattr(Sharing, "_begun", lambda self, *given: not self.others and begun(self, *given))
    monkeypatch.setattr(Sharing, "numbers", lambda self: islice(numbers(self), most))


def some_damage(world: World) -> Iterator[Changes]:
    """One file or more of the archive changed, cut, taken away, renamed or grown."""
    chance = random.Random(41)
    bundles = sorted(file for file in world.files if file.endswith(".bundle"))
    yield from (changed for _, changed in chance.sample([*flips(world, 101, (3,))], 16))
    yield from (changed for _, changed in chance.sample([*cuts(world, 101)], 8))
    for file, data in world.files.items():
        yield {file: data + b"\n"}
    for file in bundles:
        yield {file: None}
        yield {file: None, f"bundles/ff/{file[11:]}": world.files[file]}
    for _ in range(8):
        changed: Changes = {}
        for file in bundles:
            turned = bytearray(world.files[file])
            for _ in range(chance.randrange(9)):
                turned[chance.randrange(len(turned))] ^= 1
            changed[file] = bytes(turned)
        yield changed


@pytest.mark.parametrize("which", ["small", "large"])
@pytest.mark.parametrize("most", [None, 0, 2, 1000])
def test_all_damage_is_told_as_one_process_tells_it(
    processes: list[int],
    monkeypatch: pytest.MonkeyPatch,
    request: pytest.FixtureRequest,
    which: str,
    most: int | None,
) -> None:
    """Also held against what the archive truly gives back."""
    world: World = request.getfixturevalue(which)
    leave(monkeypatch, most)
    for number, changed in enumerate(islice(some_damage(world), 0, None, 1 if which == "small" else 3)):
        deep = bool(number % 3)
        storage = world.memory(changed)
        report = verify(storage, deep)
        assert report == alone(world.memory(changed), deep)
        if number % 5 == 0:
            check_truth(world, storage, report)
    assert len(processes) > 12
    for deep in (False, True):
        assert verify(world.memory(), deep) == alone(world.memory(), deep)
        assert verify(world.memory(), deep).ok


def test_sectors_that_cannot_be_read(
    processes: list[int], large: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    leave(monkeypatch)
    for file, data in large.files.items():
        if not file.endswith(".bundle"):
            continue
        for at in range(0, len(data), len(data) // 7):
            storages = [large.memory() for _ in range(2)]
            for storage in storages:
                storage.dead = {file: (at, at + 700)}
            report = verify(storages[0], True)
            assert not report.ok and report == alone(storages[1], True)
    assert processes


def ends(monkeypatch: pytest.MonkeyPatch, after: int, how: str) -> None:
    """Has the second process end once it has judged so many shares."""
    caller, write = os.getpid(), os.write

    def half(file: int, data: Any) -> int:
        write(file, bytes(data)[: len(data) // 2])
        os.kill(os.getpid(), signal.SIGKILL)
        return 0

    class Ending(Judging):
        def results(self, *given: Any) -> Iterator[Any]:
            for number, result in enumerate(super().results(*given)):
                if number == after and os.getpid() != caller:
                    if how == "killed":
                        os.kill(os.getpid(), signal.SIGKILL)
                    if how == "mistaken":
                        raise ZeroDivisionError
                    os.write = half
                yield result

    monkeypatch.setattr(twofold, "Judging", Ending)


@pytest.mark.parametrize("how", ["killed", "mistaken", "in a word"])
@pytest.mark.parametrize("after", [0, 1, 7])
@pytest.mark.parametrize("most", [None, 3])
def test_a_second_process_that_ends_early_leaves_nothing_unchecked(
    processes: list[int],
    large: World,
    monkeypatch: pytest.MonkeyPatch,
    how: str,
    after: int,
    most: int | None,
) -> None:
    leave(monkeypatch, most)
    ends(monkeypatch, after, how)
    bundles = [file for file in large.files if file.endswith(".bundle")]
    assert verify(large.memory(), True) == alone(large.memory(), True)
    for file in bundles:
        data = bytearray(large.files[file])
        for at in range(200, len(data), len(data) // 6):
            data[at] ^= 4
        changed: Changes = {file: bytes(data)}
        told: list[tuple[int, int]] = []
        report = verify(large.memory(changed), True, lambda *now: told.append(now))  # noqa: B023
        assert not report.ok and report == alone(large.memory(changed), True)
        check_truth(large, large.memory(changed), report)
        assert told == sorted(told) and told[-1][0] == told[-1][1]
    assert len(processes) == (1 + (most is None)) * (len(bundles) + 1)


def test_an_archive_that_is_gone_for_the_second_alone_is_no_damage(
    processes: list[int], large: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    leave(monkeypatch, 2)
    out = large.memory()
    out.out_after = 9
    monkeypatch.setattr(twofold, "apart", lambda storage: out)
    assert verify(large.memory(), True) == alone(large.memory(), True)
    assert processes


@pytest.mark.parametrize("most", [None, 0, 2, 1000])
def test_a_card_that_is_taken_out(
    processes: list[int], large: World, monkeypatch: pytest.MonkeyPatch, most: int | None
) -> None:
    leave(monkeypatch, most)
    needed = large.memory()
    alone(needed, True)
    before = next(number for number, (_, length) in enumerate(needed.reads) if length > 1000)
    for after in range(before, len(needed.reads), 5):
        storage = large.memory()
        storage.out_after = min(after, before + 40)
        with pytest.raises(NotNow):
            verify(storage, True)
    assert processes


@pytest.mark.parametrize("most", [None, 0, 1000])
@pytest.mark.parametrize("after", [-1, 1, 100_000])
def test_an_owner_who_stops_it(
    processes: list[int], large: World, monkeypatch: pytest.MonkeyPatch, most: int | None, after: int
) -> None:
    leave(monkeypatch, most)
    before = sum(len(data) for file, data in large.files.items() if "/" not in file)

    def stop(done: int, total: int) -> None:
        if done > before + after:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        verify(large.memory(), True, stop)
    assert len(processes) == (after > 0) * (1 + (most is None))  # the guide and the like are told of before


def test_progress(processes: list[int], large: World, monkeypatch: pytest.MonkeyPatch) -> None:
    for deep in (False, True):
        told: list[tuple[int, int]] = []
        report = verify(large.memory(), deep, lambda *now: told.append(now))  # noqa: B023
        assert told == sorted(told) and all(done <= total for done, total in told)
        assert told[-1][0] == told[-1][1] >= report.bytes == sum(map(len, large.files.values()))
    leave(monkeypatch)  # all is told by the second one
    steps: list[int] = []
    verify(large.memory(), True, lambda done, total: steps.append(done))
    assert len(steps) > 20 and steps == sorted(steps)


@pytest.mark.parametrize("after", [None, 0, 1, 7])
@pytest.mark.parametrize("most", [None, 3])
def test_progress_within_a_share(
    processes: list[int], large: World, monkeypatch: pytest.MonkeyPatch, most: int | None, after: int | None
) -> None:
    """What others have done moves on before a share is done, and is counted once, also if they die."""
    leave(monkeypatch, most)
    monkeypatch.setattr(sharing, "_EVERY", 0)
    monkeypatch.setattr("handhold.archive.judging.RUN", 100)
    steps: list[int] = []
    verify(large.memory(), False, lambda done, total: steps.append(done))
    with monkeypatch.context() as patch:
        patch.setattr(sharing, "_EVERY", 1e9)
        rarely: list[int] = []
        verify(large.memory(), False, lambda done, total: rarely.append(done))
    assert len(set(steps)) > 1.2 * len(set(rarely))
    if after is not None:
        ends(monkeypatch, after, "killed")
    told: list[tuple[int, int]] = []
    report = verify(large.memory(), False, lambda *now: told.append(now))
    assert report.ok and told == sorted(told)
    assert {total for _, total in told} == {report.bytes} and told[-1][0] == report.bytes
    assert processes


def test_one_core_and_small_archives_have_no_second_process(
    processes: list[int], large: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert alone(large.memory(), True).ok and not processes
    with monkeypatch.context() as patch:
        patch.setattr(twofold, "WORTH", 1000)
        assert verify(large.memory(), True).ok and not processes
    before = signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for processes
    try:
        assert verify(large.memory(), True).ok and not processes
    finally:
        signal.signal(signal.SIGCHLD, before)
    with monkeypatch.context() as patch:
        patch.setattr(os, "pipe", lambda: (_ for _ in ()).throw(OSError("too many open files")))
        assert verify(large.memory(), True).ok and not processes
    assert verify(large.memory(), True).ok and processes


def test_a_place_that_is_not_known_is_read_by_one_process(
    large: World, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Its open files might be the caller's."""
    apart = twofold.apart
    processes = in_two(monkeypatch)
    monkeypatch.setattr(twofold, "apart", apart)

    class Other(LocalStorage):
        pass

    root = local(str(tmp_path / "archive"), large).root
    assert verify(Other(root), True).ok and not processes
    assert verify(LocalStorage(root), True).ok and processes


def test_the_second_process_ends_with_its_caller(
    large: World, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Else it would read on, and a card could not be taken out; nor does it hold the archive's lock."""
    root = local(str(tmp_path / "archive"), large).root
    apart = twofold.apart
    in_two(monkeypatch)
    monkeypatch.setattr(twofold, "apart", apart)
    reading, writing = os.pipe()
    caller = os.fork()
    if not caller:
        try:
            read, own = LocalStorage.read, os.getpid()

            def slowly(self: LocalStorage, name: str, offset: int, length: int) -> bytes:
                if os.getpid() != own:
                    time.sleep(0.1)
                return read(self, name, offset, length)

            def noted(work: Any) -> int | None:
                process = beside.started(work)
                os.write(writing, str(process).encode())
                return process

            monkeypatch.setattr(LocalStorage, "read", slowly)
            monkeypatch.setattr(MappedStorage, "at_hand", lambda *given: None)
            monkeypatch.setattr(sharing, "started", noted)
            leave(monkeypatch)
            archive = Archive.open(LocalStorage(root))
            with archive.locked("test"):
                verify(archive.storage, True)
        finally:
            os._exit(1)
    second = int(os.read(reading, 100))
    os.close(reading)
    os.close(writing)
    time.sleep(0.3)
    assert not ended(second)
    os.kill(caller, signal.SIGKILL)
    os.waitpid(caller, 0)
    with open(os.path.join(root, ".lock")) as lock:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    until = time.monotonic() + 5
    while not ended(second):
        assert time.monotonic() < until
        time.sleep(0.02)


@pytest.mark.parametrize("deep", [False, True])
def test_a_file_that_is_cut_off_while_it_is_looked_at_in_memory(
    large: World, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, deep: bool
) -> None:
    """The system ends who looks at what is not there any more; the caller reads it, and tells."""
    root = local(str(tmp_path / "archive"), large).root
    apart, at_hand = twofold.apart, MappedStorage.at_hand
    processes = in_two(monkeypatch)
    monkeypatch.setattr(twofold, "apart", apart)
    assert verify(LocalStorage(root), deep).ok and len(processes) == 2

    def cut(self: MappedStorage, name: str, offset: int, length: int) -> memoryview | None:
        view = at_hand(self, name, offset, length)
        assert view is not None
        os.truncate(os.path.join(root, name), 0)
        return view

    monkeypatch.setattr(MappedStorage, "at_hand", cut)
    monkeypatch.setattr(mapped, "_in_memory", lambda *given: True)  # not every file system tells
    report = verify(LocalStorage(root), deep)
    assert not report.ok and len(processes) == 4
    now = alone(LocalStorage(root), deep)
    assert {one.file for one in report.damage} == {one.file for one in now.damage}
    assert not [name for name in os.listdir() if name.startswith("core")]


def test_two_others_do_all_while_the_first_follows(
    processes: list[int], large: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Sharing, "numbers", lambda self: iter([1 // 0]))
    for deep in (False, True):
        assert verify(large.memory(), deep).ok
    assert len(processes) == 4


@pytest.mark.parametrize("deep", [False, True])
def test_who_reads_lets_who_follows_go_first(
    processes: list[int], large: World, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, deep: bool
) -> None:
    own = os.getpriority(os.PRIO_PROCESS, 0)
    if own > 14:
        pytest.skip("these tests are as nice as can be already")

    class Telling(Judging):
        def results(self, *given: Any) -> Iterator[Any]:
            (tmp_path / str(os.getpid())).write_text(str(os.getpriority(os.PRIO_PROCESS, 0)))
            yield from super().results(*given)

    monkeypatch.setattr(twofold, "Judging", Telling)
    assert verify(large.memory(), deep).ok
    told = {int(file.name): int(file.read_text()) for file in tmp_path.iterdir()}
    assert told == dict.fromkeys(processes, own + 5)
    assert os.getpriority(os.PRIO_PROCESS, 0) == own


def ended(process: int) -> bool:
    """Whether a process has ended, if somebody has yet to wait for it. Source: proc(5), stat"""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except FileNotFoundError:
        return True


# -- the shares ----------------------------------------------------------------------------------------------


def tables(sizes: Sequence[Sequence[int]]) -> list[tuple[str, bytes]]:
    """Tables of bundles with records of these stored sizes. Source: FORMAT.md, Bundles."""
    made = []
    for number, stored in enumerate(sizes):
        offset, table = 8, b""
        for size in stored:
            table += ROW.pack(bytes(32), offset, size, size, 0, 0)
            offset += 64 + size
        made.append((f"bundle {number}", table))
    return made


def numbers(cut: Iterable[Share], starts: dict[str, int]) -> list[int]:
    """The records of shares, counted through."""
    found = []
    for share in cut:
        own = [starts[piece.file] + row for piece in share.pieces for row in piece.rows]
        assert own == list(range(share.begin, share.end))
        assert [starts[piece.file] + piece.rows.start for piece in share.pieces] == [
            piece.begin for piece in share.pieces
        ]
        found += own
    return found


def test_every_record_is_in_one_share(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("handhold.archive.shares.LEAST", 1000)
    chance = random.Random(3)
    for _ in range(200):
        sizes = [
            [chance.choice((0, 10, 100, 5000)) for _ in range(chance.randrange(1, 40))]
            for _ in range(chance.randrange(9))
        ]
        count = sum(map(len, sizes))
        spans = []
        for _ in range(chance.randrange(12) if count > 2 else 0):
            begin, end = sorted(chance.sample(range(count + 1), 2))
            spans.append(Span(begin, end, chance.randrange(1, 9000)))
        starts, number = {}, 0
        for bundle, each in enumerate(sizes):
            starts[f"bundle {bundle}"] = number
            number += len(each)
        cut = shares(tables(sizes), spans)
        assert numbers(cut, starts) == list(range(count))
        assert len(cut) <= 64
        total = sum(map(sum, sizes)) + 64 * count
        lost = [span.size for span in spans if any(span.begin < share.end < span.end for share in cut)]
        assert sum(lost) <= total // 16


def test_files_stay_together_and_shares_are_even(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("handhold.archive.shares.LEAST", 10_000)
    sizes = [[936] * 100, [936] * 100]  # 1,000 bytes each with their headers
    cut = shares(tables(sizes), [])
    assert len(cut) in (19, 20) and {share.end - share.begin for share in cut} <= {10, 11, 12}
    files = [Span(begin, begin + 13, 13_000) for begin in range(0, 195, 13)]
    borders = [share.end for share in shares(tables(sizes), files)]
    assert {border % 13 for border in borders[:-1]} == {0}
    assert max(after - before for before, after in pairwise([0, *borders])) <= 26
    # One file that begins in the first record and ends in the last one is read once more.
    assert len(shares(tables(sizes), [Span(0, 200, 9_000)])) > 15
    assert len(shares(tables(sizes), [Span(0, 200, 200_000)])) == 1
