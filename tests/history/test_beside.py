"""What is asked in a second process: the answers, and what happens where it fails."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from handhold import beside
from handhold.archive.archive import Archive
from handhold.archive.storage import LocalStorage
from handhold.beside import Beside
from handhold.history.reading import Asked, Histories, read_histories
from handhold.restore.select import Selection
from tests.benchmarks.years import Scale, build

MADE: list[int] = []


@pytest.fixture(autouse=True)
def _two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(beside, "_cores", lambda: 2)
    monkeypatch.setattr(beside, "_LEAST", 1)
    fork = os.fork

    def noted() -> int:
        process = fork()
        MADE.append(process)
        return process

    MADE.clear()
    monkeypatch.setattr(os, "fork", noted)


def processes() -> tuple[int, int]:
    """How many were made, and how many of these are still there, be it unburied."""
    return len(MADE), sum(os.path.exists(f"/proc/{process}") for process in MADE)


def raises_at(bad: int) -> Callable[[int], bool]:
    def holds(number: int) -> bool:
        if number == bad:
            raise ValueError
        return number % 3 == 0

    return holds


def does_at(bad: int, what: Callable[[], object]) -> Callable[[int], bool]:
    caller = os.getpid()

    def holds(number: int) -> bool:
        if number == bad and os.getpid() != caller:
            what()
        return True

    return holds


def test_the_answers_are_those_of_the_items() -> None:
    with Beside(lambda number: number % 7 == 0, range(100_000)) as told:  # more than a pipe holds
        assert [number for number in range(100_000) if told(number)] == list(range(0, 100_000, 7))
        assert not told(100_000)
    assert processes() == (1, 0)


def test_what_raises_is_left_to_the_caller_and_the_others_are_not() -> None:
    with Beside(raises_at(6), range(12)) as told:
        assert [number for number in range(12) if told(number)] == [0, 3, 9]


def test_a_process_that_is_killed_leaves_the_rest_to_the_caller() -> None:
    with Beside(does_at(600, lambda: os.kill(os.getpid(), signal.SIGKILL)), range(2000)) as told:
        assert [told(number) for number in range(2000)] == [True] * 512 + [False] * 1488  # by 256
    assert processes() == (1, 0)


def test_a_process_that_says_nothing_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(beside, "_PATIENCE", 0.1)
    begun = time.monotonic()
    with Beside(does_at(0, lambda: time.sleep(60)), range(10)) as told:
        assert not any(told(number) for number in range(10))
    assert time.monotonic() - begun < 30
    assert processes() == (1, 0)


@pytest.mark.parametrize("error", [KeyboardInterrupt, ValueError])
def test_no_process_outlives_a_caller_that_is_interrupted(error: type[BaseException]) -> None:
    with pytest.raises(error), Beside(does_at(0, lambda: time.sleep(60)), range(10)):
        raise error
    assert processes() == (1, 0)


def test_an_interrupted_process_says_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    """Whoever presses Ctrl-C stops both; one of them tells it."""
    with Beside(does_at(3, lambda: os.kill(os.getpid(), signal.SIGINT)), range(10)) as told:
        assert not told(0)
    assert capfd.readouterr() == ("", "")


def test_on_one_core_there_is_no_second_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(beside, "_cores", lambda: 1)
    with Beside(lambda _: True, range(10)) as told:
        assert not told(0) and processes() == (0, 0)


def test_where_none_can_be_made_the_caller_does_it_all(monkeypatch: pytest.MonkeyPatch) -> None:
    def none() -> int:
        raise BlockingIOError

    before = len(os.listdir("/proc/self/fd"))
    monkeypatch.setattr(os, "fork", none)
    with Beside(lambda _: True, range(10)) as told:
        assert not told(0)
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

    alone, both = found(1), found(2)
    assert processes() == (1, 0)
    assert [repr(one) for one in both.saves] == [repr(one) for one in alone.saves] != []
    assert both.unreadable == alone.unreadable and bool(alone.unreadable) == bool(hurt)
