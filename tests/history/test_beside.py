"""What is asked in a second process: the answers, and what happens where it fails."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterator, Set
from pathlib import Path

import pytest

from handhold import beside
from handhold.archive import sightings
from handhold.archive.archive import Archive
from handhold.archive.storage import LocalStorage
from handhold.beside import Beside
from handhold.history.reading import Asked, Histories, read_histories
from handhold.restore.select import Selection
from tests.benchmarks.years import Scale, build
from tests.processes import note_forks

MADE: list[int] = []


@pytest.fixture(autouse=True)
def _two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sightings, "_MANY", 1)
    note_forks(monkeypatch, MADE)


def processes() -> tuple[int, int]:
    """How many were made, and how many of these are still there, be it unburied."""
    return len(MADE), sum(os.path.exists(f"/proc/{process}") for process in MADE)


def numbers(count: int, at: int = -1, what: Callable[[], object] = lambda: None) -> Iterator[bytes]:
    """Numbers as marks of four bytes; before one of them something happens."""
    for number in range(count):
        if number == at:
            what()
        yield number.to_bytes(4, "big")


def all_found(told: Beside, enough: Callable[[Set[bytes]], bool]) -> set[int]:
    """What is found until it is enough, or half a minute is over."""
    end = time.monotonic() + 30
    while not enough(told.found()) and time.monotonic() < end:
        time.sleep(0.001)
    return {int.from_bytes(mark, "big") for mark in told.found()}


def test_what_is_found_is_handed_over_whole() -> None:
    with Beside(lambda: numbers(100_000), 4) as told:  # more than a pipe holds
        assert all_found(told, lambda found: len(found) == 100_000) == set(range(100_000))
    assert processes() == (1, 0)


@pytest.mark.parametrize("ends", [lambda: os.kill(os.getpid(), signal.SIGKILL), lambda: 1 // 0])
def test_where_it_ends_early_the_rest_is_not_found(ends: Callable[[], object]) -> None:
    with Beside(lambda: numbers(2000, 1500, ends), 4) as told:
        assert all_found(told, lambda found: len(found) >= 1024) == set(range(1024))  # by 512
    assert processes() == (1, 0)


def test_nobody_waits_for_it() -> None:
    begun = time.monotonic()
    with Beside(lambda: numbers(10, 0, lambda: time.sleep(60)), 4) as told:
        assert not told.found()
    assert time.monotonic() - begun < 30
    assert processes() == (1, 0)


@pytest.mark.parametrize("error", [KeyboardInterrupt, ValueError])
def test_no_process_outlives_a_caller_that_is_interrupted(error: type[BaseException]) -> None:
    with pytest.raises(error), Beside(lambda: numbers(10, 0, lambda: time.sleep(60)), 4):
        raise error
    assert processes() == (1, 0)


def test_an_interrupted_process_says_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    """Whoever presses Ctrl-C stops both; one of them tells it."""

    def interrupted() -> None:
        signal.signal(signal.SIGINT, signal.default_int_handler)  # in the background it is ignored
        os.kill(os.getpid(), signal.SIGINT)

    with Beside(lambda: numbers(2000, 512, interrupted), 4) as told:
        assert all_found(told, lambda found: len(found) >= 512) == set(range(512))
    assert capfd.readouterr() == ("", "")


def test_on_one_core_there_is_no_second_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(beside, "_cores", lambda: 1)
    with Beside(lambda: numbers(10), 4) as told:
        assert not told.found() and processes() == (0, 0)


def test_where_none_can_be_made_the_caller_does_it_all(monkeypatch: pytest.MonkeyPatch) -> None:
    def none() -> int:
        raise BlockingIOError

    before = len(os.listdir("/proc/self/fd"))
    monkeypatch.setattr(os, "fork", none)
    with Beside(lambda: numbers(10), 4) as told:
        assert not told.found()
    assert len(os.listdir("/proc/self/fd")) == before


@pytest.mark.parametrize("hurt", [0, 3, 40])
def test_a_history_is_the_same_with_one_process_and_with_two(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hurt: int
) -> None:
    """Versions, and the nights that cannot be read in full, whichever lists are damaged."""
    folder = tmp_path / "archive"
    archive = build(folder, Scale(nights=30, files=400, devices=3, changes=2))
    pages = list(dict.fromkeys(page.id for one in archive.snapshots() for page in archive.read(one).pages))
    step = len(pages) // hurt if hurt else 0
    for page in pages[::step][:hurt] if hurt else []:
        place = archive.index.first(bytes.fromhex(page))
        assert place is not None
        with (folder / place.file).open("r+b") as file:
            file.seek(place.row.offset + 64 + place.row.stored // 2)
            byte = file.read(1)
            file.seek(-1, os.SEEK_CUR)
            file.write(bytes([byte[0] ^ 255]))

    def found(cores: int) -> Histories:
        monkeypatch.setattr(beside, "_cores", lambda: cores)
        fresh = Archive.open(LocalStorage(str(folder)))
        return read_histories(fresh, Asked(Selection(games=("Game 17",))), {})

    silent: set[bytes] = set()
    at_once = Beside.found

    def patient(told: Beside) -> Set[bytes]:
        """As if the other process had been the quicker one."""
        while told._pipe >= 0:
            at_once(told)
            time.sleep(0.001)
        silent.update(at_once(told))
        return at_once(told)

    alone = found(1)
    monkeypatch.setattr(Beside, "found", patient)
    both = found(2)
    assert processes() == (1, 0) and 0 < len(silent) < len(pages) - hurt
    assert [repr(one) for one in both.saves] == [repr(one) for one in alone.saves] != []
    assert both.unreadable == alone.unreadable and bool(alone.unreadable) == bool(hurt)


def test_a_process_that_is_interrupted_when_it_is_made_does_not_go_the_way_of_its_caller(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Ctrl-C reaches both; it would write the caller's records once more, and unlock what that one holds."""
    fork, caller = os.fork, os.getpid()
    before = signal.signal(signal.SIGINT, signal.default_int_handler)

    def interrupted() -> int:
        process = fork()
        if not process:
            os.kill(os.getpid(), signal.SIGINT)
        return process

    reading, writing = os.pipe()
    monkeypatch.setattr(os, "fork", interrupted)
    try:
        process = beside.started(lambda: time.sleep(60))
    except BaseException:
        if os.getpid() == caller:
            raise
        os.write(writing, b"went on")
        os._exit(1)
    finally:
        signal.signal(signal.SIGINT, before)
        os.close(writing)
    assert process is not None
    os.waitpid(process, 0)  # it ended by what interrupted it
    assert os.read(reading, 100) == b""
    os.close(reading)


def test_one_whose_caller_was_ended_ends_as_well(tmp_path: Path) -> None:
    """Else it would wait for ever with what it holds: the card, and whatever reads the caller's output."""
    note = tmp_path / "second"
    caller = os.fork()
    if not caller:
        try:
            with Beside(lambda: numbers(1_000_000), 4) as told:
                note.write_text(str(told._process))
                time.sleep(0.1)
                os.kill(os.getpid(), signal.SIGKILL)
        finally:
            os._exit(1)
    assert os.waitpid(caller, 0)[1] == signal.SIGKILL
    second, end = int(note.read_text()), time.monotonic() + 10
    while (still := _runs(second)) and time.monotonic() < end:
        time.sleep(0.01)
    if still:
        os.kill(second, signal.SIGKILL)
    assert not still


def _runs(process: int) -> bool:
    """Source: Linux man-pages, proc(5): the state behind the name, Z where it has ended"""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False
