"""Batches of files are begun in a second process; whatever becomes of that one, the files come back."""

from __future__ import annotations

import os
import random
import signal
from collections.abc import Callable, Generator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from handhold import beside
from handhold.archive.head import Snapshot
from handhold.cli.endings import words_of
from handhold.model import Kind
from handhold.restore import beginning, writing
from handhold.restore.apply import _Run, apply
from handhold.restore.beginning import Hooks, InProcess, Troubles
from handhold.restore.steps import Decision, OnNewer
from tests.processes import wait_until_free
from tests.restore.world import World, tree

_MANY = 60


@pytest.fixture(autouse=True)
def _two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(beside, "_cores", lambda: 2)
    monkeypatch.setattr(writing, "BATCH_FILES", 7)


@pytest.fixture
def processes(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The second processes that were started."""
    begun: list[int] = []
    started = beside.started

    def noted(work: object) -> int | None:
        process = started(work)  # type: ignore[arg-type]
        begun.extend([process] if process else [])
        return process

    monkeypatch.setattr(beginning, "started", noted)
    return begun


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


def night(world: World) -> tuple[Snapshot, dict[str, bytes]]:
    """A night of many files in some folders, one of several blocks among them."""
    source = random.Random(5)
    contents = {f"saves/a shelf {n // 9}/{n:03}.sav": source.randbytes(900 + n) for n in range(_MANY)}
    contents["saves/a shelf 2/022 large.sav"] = source.randbytes(3 << 20)
    contents["saves/a shelf 4/empty.sav"] = b""
    for path, data in contents.items():
        world.put("plover", path, data)
    return world.night("plover"), {f"Tinplate/{path}": data for path, data in contents.items()}


def gone(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    return False


def test_all_come_back_and_are_taken_back(world: World, processes: list[int]) -> None:
    snapshot, contents = night(world)
    applied = world.restore("lantern", snapshot)
    assert len(processes) == 1 and gone(processes[0])
    assert not applied.failed and tree(world.card("lantern")) == contents
    world.undo("lantern")
    assert [*world.card("lantern").rglob("*")] == [world.card("lantern") / "Tinplate"]


def test_one_core_alone_does_it_as_well(
    world: World, processes: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(beside, "_cores", lambda: 1)
    snapshot, contents = night(world)
    assert not world.restore("lantern", snapshot).failed
    assert not processes and tree(world.card("lantern")) == contents
    world.undo("lantern")
    assert [*world.card("lantern").rglob("*")] == [world.card("lantern") / "Tinplate"]


def test_where_files_make_way_there_is_no_second_process(world: World, processes: list[int]) -> None:
    """Two batches of what replaces something may find no room beside each other."""
    snapshot, contents = night(world)
    world.put("lantern", "saves/a shelf 0/000.sav", b"old")
    assert not world.restore("lantern", snapshot, on_newer=OnNewer.REPLACE).failed
    assert not processes and tree(world.card("lantern")) == contents


@pytest.mark.parametrize("when", range(1, 8))
def test_a_process_that_is_ended_is_stood_in_for(
    world: World, monkeypatch: pytest.MonkeyPatch, when: int
) -> None:
    left = [when]
    answer = InProcess.answer

    def ended(self: InProcess) -> Troubles:
        left[0] -= 1
        if not left[0]:
            assert self._process is not None
            os.kill(self._process, signal.SIGKILL)
        return answer(self)

    monkeypatch.setattr(InProcess, "answer", ended)
    snapshot, contents = night(world)
    applied = world.restore("lantern", snapshot)
    assert left[0] <= 0
    assert not applied.failed and tree(world.card("lantern")) == contents
    assert len([step for step in applied.plan.steps if step.decision is Decision.WRITE]) == len(contents)
    world.undo("lantern")
    assert [*world.card("lantern").rglob("*")] == [world.card("lantern") / "Tinplate"]


def test_what_cannot_be_begun_is_told_at_its_place(world: World, processes: list[int]) -> None:
    snapshot, contents = night(world)
    prepared = world.prepare("lantern", snapshot)
    (bundle,) = (world.root / "archive/bundles").rglob("*.bundle")
    data = bytearray(bundle.read_bytes())
    hurt = {"saves/a shelf 1/013.sav", "saves/a shelf 2/022 large.sav"}
    for path in hurt:
        data[data.index(contents[f"Tinplate/{path}"][500:600])] ^= 1
    bundle.write_bytes(data)
    world.reopened()
    in_the_way = world.card("lantern") / "Tinplate/saves/a shelf 5"
    in_the_way.parent.mkdir()
    in_the_way.write_text("a file where a folder is needed")
    applied = apply(world.archive, world.device("lantern"), prepared.plan, clock=world.clock)
    assert processes
    blocked = {f"saves/a shelf 5/{n:03}.sav" for n in range(45, 54)}
    assert {step.entry.path for step in applied.failed} == hurt | blocked
    assert {step.entry.path for step in applied.plan.damaged} == hurt
    assert all("is a file, not a folder" in s.why for s in applied.failed if s.entry.path in blocked)
    wanted = {path: data for path, data in contents.items() if path[9:] not in hurt | blocked}
    wanted["Tinplate/saves/a shelf 5"] = b"a file where a folder is needed"
    assert tree(world.card("lantern")) == wanted


@pytest.mark.parametrize("after", [0, 1, 20, 40])
def test_an_owner_who_stops_it_finds_on_record_what_was_done(
    world: World, processes: list[int], after: int
) -> None:
    snapshot, contents = night(world)
    prepared = world.prepare("lantern", snapshot)

    def stop(done: int, total: int) -> None:
        if done >= after:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt) as stopped:
        apply(world.archive, world.device("lantern"), prepared.plan, clock=world.clock, progress=stop)
    assert len(processes) == 1 and gone(processes[0])
    standing = tree(world.card("lantern"))
    assert standing.items() < contents.items()  # and nothing that was only begun
    what, advice, status = words_of(stopped.value, ["restore", "latest"])
    assert what.startswith("\nStopped.") and status == 1
    assert (f" {len(standing)} file" in what) == ("undo takes that back" in advice) == bool(standing)
    last = world.archive.snapshots()[-1]
    assert last.kind is Kind.RESTORED
    assert {f"Tinplate/{entry.path}" for entry in world.entries(last)} == set(standing)
    world.undo("lantern")
    assert [*world.card("lantern").rglob("*")] == [world.card("lantern") / "Tinplate"]


@pytest.mark.parametrize(("of", "again"), [(writing.Writing, "_abandon"), (_Run, "_end")])
def test_an_owner_who_stops_it_twice_finds_it_tidied_up_and_on_record(
    world: World, processes: list[int], monkeypatch: pytest.MonkeyPatch, of: type, again: str
) -> None:
    """Until the card has written what it was given nothing seems to happen, and Ctrl-C is pressed again."""
    snapshot, contents = night(world)
    prepared = world.prepare("lantern", snapshot)
    stops: list[int] = []

    def stop(done: int, total: int) -> None:
        if done >= 10 and not stops:
            stops.append(done)
            os.kill(os.getpid(), signal.SIGINT)

    def impatient(real: Callable[..., object]) -> Callable[..., object]:
        def called(*given: object) -> object:
            if len(stops) == 1:
                stops.append(0)
                os.kill(os.getpid(), signal.SIGINT)
            return real(*given)

        return called

    monkeypatch.setattr(of, again, impatient(getattr(of, again)))
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt):
            apply(world.archive, world.device("lantern"), prepared.plan, clock=world.clock, progress=stop)
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    finally:
        signal.signal(signal.SIGINT, before)
    assert len(stops) == 2 and len(processes) == 1 and gone(processes[0])
    standing = tree(world.card("lantern"))
    assert standing.items() < contents.items()
    last = world.archive.snapshots()[-1]
    assert {f"Tinplate/{entry.path}" for entry in world.entries(last)} == set(standing)
    world.undo("lantern")
    assert [*world.card("lantern").rglob("*")] == [world.card("lantern") / "Tinplate"]


def test_the_process_ends_with_its_caller(world: World) -> None:
    """Else it would write on, and hold the archive's lock."""
    snapshot, contents = night(world)
    caller = os.fork()
    if not caller:
        try:
            real = beginning.InProcess.answer

            def die(self: InProcess) -> Troubles:
                if len(tree(world.card("lantern"))) > 20:
                    os.kill(os.getpid(), signal.SIGKILL)
                return real(self)

            InProcess.answer = die  # type: ignore[method-assign]
            world.restore("lantern", snapshot)
        finally:
            os._exit(1)
    assert os.waitpid(caller, 0)[1] == signal.SIGKILL
    wait_until_free(world.root / "archive")
    world.reopened()
    assert not world.restore("lantern", snapshot).failed
    assert tree(world.card("lantern")) == contents


def test_a_mistake_in_the_second_process_is_not_hidden() -> None:
    """It is made again here, where it is told."""

    def work(hooks: Hooks) -> Generator[Troubles, None, None]:
        hooks.go_on()
        yield {0: (str(1 // 0), False)}

    def making(base: str, way: str) -> None:
        pass

    process = InProcess(work, making)
    process.ask()
    with pytest.raises(beginning.Gone):
        process.answer()
    process.close()
    thread = beginning.InThread(work, making)
    thread.ask()
    with pytest.raises(ZeroDivisionError):
        thread.answer()
    thread.close()


def test_where_nobody_waits_for_processes_all_come_back(world: World, processes: list[int]) -> None:
    """As when a program that ignores SIGCHLD starts handhold."""
    snapshot, contents = night(world)
    before = signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    try:
        assert not world.restore("lantern", snapshot).failed
    finally:
        signal.signal(signal.SIGCHLD, before)
    assert not processes and tree(world.card("lantern")) == contents


def test_where_no_thread_can_be_had_nothing_that_was_begun_is_left(
    world: World, processes: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A batch was left on the card under its temporary names, for good if nobody restored there again."""

    def refused(*_: object) -> None:
        raise RuntimeError("can't start new thread")

    snapshot, _ = night(world)
    prepared = world.prepare("lantern", snapshot)
    monkeypatch.setattr(ThreadPoolExecutor, "submit", refused)
    with pytest.raises(RuntimeError), writing.Writing(world.archive) as writes:
        writes.write([step for step in prepared.plan.steps if step.decision is Decision.WRITE])
    assert len(processes) == 1 and gone(processes[0])
    assert not tree(world.card("lantern"))


def test_an_owner_who_stops_it_in_the_middle_of_an_answer_finds_it_tidied_up(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A long answer comes piece by piece, as where a card is full; the rest of it was taken for another."""
    made: list[tuple[str, str]] = []

    def work(hooks: Hooks) -> Generator[Troubles, None, None]:
        yield dict.fromkeys(range(9000), ("no room on the card", False))
        hooks.making("base", "folder")
        yield {}

    real, left = os.read, [2]

    def stopped(file: int, length: int) -> bytes:
        left[0] -= 1
        if left[0] == -1:
            raise KeyboardInterrupt
        return real(file, min(length, 1000))

    process = InProcess(work, lambda base, way: made.append((base, way)))
    process.ask()
    process.ask()
    monkeypatch.setattr(os, "read", stopped)
    with pytest.raises(KeyboardInterrupt):
        process.answer()
    assert len(process.answer()) == 9000
    assert process.answer() == {} and made == [("base", "folder")]
    process.close()
