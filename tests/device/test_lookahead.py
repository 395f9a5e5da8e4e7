"""A look ahead at a device, in a second process: it tells what the system tells, or nothing."""

from __future__ import annotations

import os
import random
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from handhold import beside
from handhold.device import lookahead
from handhold.device.lookahead import LookAhead
from handhold.device.times import FARTHEST
from handhold.device.volumes import open_device
from handhold.device.walk import walk
from tests.device.trees import as_nobody, fill, layout, open_to_all
from tests.processes import note_forks

TINPLATE = layout("tinplate", {"main": "*:Tinplate"}, "saves: saves/**", "games: games/**")
MADE: list[int] = []


@pytest.fixture(autouse=True)
def _two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    note_forks(monkeypatch, MADE)


@pytest.fixture(autouse=True)
def _no_process_is_left() -> Iterator[None]:
    files = len(os.listdir("/proc/self/fd"))
    yield
    assert not [process for process in MADE if os.path.exists(f"/proc/{process}")]
    assert len(os.listdir("/proc/self/fd")) == files


@pytest.fixture
def _the_other_one_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is looked at in the first process."""
    monkeypatch.setattr(LookAhead, "_look_behind", lambda _: False)


def told(root: Path, *paths: str, left_out: Sequence[str] = ()) -> dict[str, object]:
    """What is told of folders: name, size and time of each file, and the folders; None if nothing is."""
    with LookAhead([str(root)], left_out) as ahead:
        looks = {path: ahead.folder(str(root / path) if path else str(root)) for path in paths}
    return {
        path: None if look is None else (list(look.files), [name for name, _ in look.folders])
        for path, look in looks.items()
    }


def there(folder: Path) -> tuple[list[tuple[str, int, int]], list[str]]:
    """The same by the system's own words."""
    paths = sorted(folder.iterdir(), key=lambda path: path.name)
    files = [(p.name, os.lstat(p).st_size, os.lstat(p).st_mtime_ns) for p in paths if p.is_file()]
    return files, [p.name for p in paths if p.is_dir()]


def test_what_is_told_of_a_folder_is_what_the_system_tells(tmp_path: Path) -> None:
    source = random.Random(1)
    folders = ["", "a", "a/b", "c", "c/empty", "c/d"]
    for number in range(200):
        folder = source.choice([name for name in folders if name != "c/empty"])
        fill(tmp_path / folder, f"Game {number}.sav", content=bytes(source.randrange(2000)))
        os.utime(tmp_path / folder / f"Game {number}.sav", ns=(0, source.randrange(-(1 << 60), 1 << 60)))
    fill(tmp_path, "c/empty/")
    assert told(tmp_path, *folders) == {name: there(tmp_path / name) for name in folders}


def test_more_is_told_than_is_taken_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lookahead, "_RUN", 100)
    fill(tmp_path, *(f"{folder}/{number}" for folder in range(20) for number in range(30)))
    folders = ["", *map(str, range(20))]
    assert told(tmp_path, *folders) == {name: there(tmp_path / name) for name in folders}
    assert told(tmp_path, *folders[::-1]) == {name: there(tmp_path / name) for name in folders}


@pytest.mark.usefixtures("_the_other_one_alone")
def test_no_more_memory_is_taken_than_there_should_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a device with 5,000 saves and millions of other files, all were told, and lay in memory."""
    fill(tmp_path, *(f"{folder:02}/{number}" for folder in range(50) for number in range(30)))
    monkeypatch.setattr(lookahead, "_MOST", 20_000)
    with LookAhead([str(tmp_path)]) as ahead:
        looks = {f"{folder:02}": ahead.folder(str(tmp_path / f"{folder:02}")) for folder in range(49, -1, -1)}
        assert sum(map(len, ahead._told.values())) < 20_000
    first = [name for name, look in sorted(looks.items()) if look is not None]
    assert first == [f"{folder:02}" for folder in range(len(first))] and 5 < len(first) < 45


def odd_link(folder: Path) -> None:
    (folder / "odd").symlink_to("a")


def odd_pipe(folder: Path) -> None:
    os.mkfifo(folder / "odd")


def odd_twin(folder: Path) -> None:
    (folder / "odd").hardlink_to(folder / "a")


def odd_name(folder: Path) -> None:
    (folder / "caf\udce9").write_bytes(b"")


def odd_folder(folder: Path) -> None:
    (folder / "back\\slash").mkdir()


def left_by_a_restore(folder: Path) -> None:
    (folder / ".handhold-0123456789ab.part").write_bytes(b"")


@pytest.mark.parametrize(
    "odd",
    [odd_link, odd_pipe, odd_twin, odd_name, odd_folder, left_by_a_restore],
    ids=lambda odd: odd.__name__,
)
def test_nothing_is_told_of_a_folder_with_anything_odd_in_it(
    tmp_path: Path, odd: Callable[[Path], None]
) -> None:
    fill(tmp_path, "odd/a", "odd/below/a", "plain/a")
    odd(tmp_path / "odd")
    found = told(tmp_path, "", "odd", "odd/below", "plain")
    assert found["odd"] is None
    assert found["odd/below"] == there(tmp_path / "odd/below")
    assert found["plain"] == there(tmp_path / "plain")


def test_nothing_is_told_of_a_folder_with_a_time_that_no_entry_holds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not every file system holds such a time, so the bound is what comes nearer."""
    fill(tmp_path, "a", "b/c")
    os.utime(tmp_path / "a", ns=(0, 1 << 60))
    os.utime(tmp_path / "b/c", ns=(0, 1 << 50))
    assert FARTHEST > 1 << 60
    monkeypatch.setattr(lookahead, "FARTHEST", (1 << 60) - 1)
    assert told(tmp_path, "", "b") == {"": None, "b": there(tmp_path / "b")}


def test_nothing_is_told_of_what_cannot_be_listed_is_not_there_or_is_left_out(tmp_path: Path) -> None:
    fill(tmp_path, "closed/a", "open/a", "out/a", "out/in/a", "file")
    (tmp_path / "closed").chmod(0)

    def check() -> None:
        left_out = [str(tmp_path / "out")]
        found = told(tmp_path, "closed", "open", "out", "out/in", "nowhere", "file", left_out=left_out)
        assert [name for name, look in found.items() if look is not None] == ["open"]

    with open_to_all(tmp_path):
        as_nobody(check)


def test_a_link_to_a_folder_is_not_followed(tmp_path: Path) -> None:
    fill(tmp_path, "elsewhere/a", "device/b/c")
    (tmp_path / "device/b/link").symlink_to(tmp_path / "elsewhere")
    assert told(tmp_path / "device", "b", "b/link") == {"b": None, "b/link": None}


def test_without_a_second_core_nothing_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(beside, "_cores", lambda: 1)
    fill(tmp_path, "a")
    assert told(tmp_path, "") == {"": None}
    assert not MADE


def test_where_calls_of_the_system_can_be_forbidden_nothing_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "getandroidapilevel", lambda: 29, raising=False)
    fill(tmp_path, "a")
    assert told(tmp_path, "") == {"": None}
    assert not MADE


def test_where_no_process_and_no_memory_can_be_had_nothing_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object) -> int:
        raise OSError

    fill(tmp_path, "a")
    for name in ("fork", "memfd_create", "pipe"):
        with monkeypatch.context() as patch:
            patch.setattr(os, name, refused)
            assert told(tmp_path, "") == {"": None}


@pytest.mark.usefixtures("_the_other_one_alone")
def test_one_that_breaks_off_is_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(tmp_path, "a/x", "b/x", "c/x")
    glimpse = lookahead._glimpse

    def dies(path: str) -> object:
        if path.endswith("/b"):
            os._exit(1)
        return glimpse(path)

    monkeypatch.setattr(lookahead, "_glimpse", dies)
    assert told(tmp_path, "c", "b", "a") == {"c": None, "b": None, "a": there(tmp_path / "a")}


def test_one_that_hangs_is_ended_with_the_caller(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a card that does not answer any more."""
    monkeypatch.setattr(lookahead, "_glimpse", lambda path: time.sleep(60))
    with pytest.raises(KeyboardInterrupt), LookAhead([str(tmp_path)]):
        raise KeyboardInterrupt
    assert len(MADE) == 1


def test_the_second_process_holds_no_file_of_the_caller(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Such as the lock of the archive, which would outlive the caller with it."""
    monkeypatch.setattr(lookahead, "_glimpse", lambda path: time.sleep(60))
    with (tmp_path / "lock").open("w"), LookAhead([str(tmp_path)]):
        end = time.monotonic() + 30
        while len(held := os.listdir(f"/proc/{MADE[0]}/fd")) > 6 and time.monotonic() < end:
            time.sleep(0.001)
        links = [os.readlink(f"/proc/{MADE[0]}/fd/{number}") for number in held if int(number) > 2]
    assert sorted(link.partition(":")[0] for link in links) == ["/memfd", "/memfd", "pipe"]


def walked(folder: Path, root: Path) -> Iterator[str]:
    """The folders below one, in the order of a walk, relative to ``root``."""
    yield "" if folder == root else folder.relative_to(root).as_posix()
    for each in sorted(folder.iterdir()):
        if each.is_dir():
            yield from walked(each, root)


class Held:
    """Has the second process wait in one folder; notes what the first one looks into."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, flag: Path, folder: Path) -> None:
        self.own: list[str] = []
        self._flag, self._folder = flag, str(folder)
        self._first, self._glimpse = os.getpid(), lookahead._glimpse
        monkeypatch.setattr(lookahead, "_glimpse", self._look)

    def go_on(self) -> None:
        self._flag.touch()

    def _look(self, path: str) -> object:
        if os.getpid() == self._first:
            self.own.append(path)
        elif path == self._folder:
            for _ in range(6000):
                if self._flag.exists():
                    break
                time.sleep(0.005)
        return self._glimpse(path)


@pytest.mark.parametrize("seed", range(12))
def test_both_processes_look_until_they_meet(
    tmp_path: Path, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    source, device = random.Random(seed), tmp_path / "device"
    places = [""]
    for number in range(60):
        places.append(f"{source.choice(places)}/{source.randrange(10)}{number}".strip("/"))
        (device / places[-1]).mkdir(parents=True)
        fill(device / places[-1], *map(str, range(source.randrange(4))))
    order = list(walked(device, device))
    at = source.randrange(1, len(order) - 1)
    behind = [str(device / name) for name in order[at + 1 :] if not name.startswith(f"{order[at]}/")]
    held = Held(monkeypatch, tmp_path / "flag", device / order[at])
    say = LookAhead._say

    def said(self: LookAhead, path: str, folders: list[str]) -> bool:
        found = say(self, path, folders)
        if len(held.own) == len(behind):
            held.go_on()
        return found

    monkeypatch.setattr(LookAhead, "_say", said)
    with LookAhead([str(device)]) as ahead:
        while ahead._begun != str(device / order[at]):
            ahead._take()
        if not behind:
            held.go_on()
        looks = [ahead.folder(str(device / name) if name else str(device)) for name in order]
        assert not ahead._from.take() and not ahead._told
    for name, look in zip(order, looks, strict=True):
        assert look is not None
        assert (list(look.files), [name for name, _ in look.folders]) == there(device / name)
    assert sorted(held.own) == sorted(behind)


def test_what_the_other_one_looks_into_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder of many files would take as long again."""
    fill(tmp_path / "device", "a/x", "b/x", "c/x")
    held = Held(monkeypatch, tmp_path / "flag", tmp_path / "device/c")
    with LookAhead([str(tmp_path / "device")]) as ahead:
        while not ahead._begun.endswith("/c"):
            ahead._take()
        later = threading.Timer(0.2, held.go_on)
        later.start()
        assert ahead.folder(str(tmp_path / "device/c")) is not None
        later.join()
    assert not held.own


def test_where_the_other_one_cannot_be_told_it_looks_for_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(tmp_path, *(f"{folder:02}/{number}" for folder in range(30) for number in range(3)))
    glimpse = lookahead._glimpse

    def slowly(path: str) -> object:
        time.sleep(0.002)
        return glimpse(path)

    monkeypatch.setattr(lookahead, "_glimpse", slowly)

    def full(*_: object) -> None:
        raise OSError

    with LookAhead([str(tmp_path)]) as ahead:
        monkeypatch.setattr(ahead._to, "add", full)
        looks = [ahead.folder(str(tmp_path / f"{folder:02}")) for folder in range(30)]
    assert all(look is not None and len(look.files) == 3 for look in looks)


def test_of_many_folders_without_files_no_more_is_kept_than_there_is_room_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As of a shelf with an empty folder for each game: 300,000 of them took 120 MB, for none was counted."""
    names = [f"{folder:03}" for folder in range(300)]
    for name in names:
        (tmp_path / "device" / name).mkdir(parents=True)
    monkeypatch.setattr(lookahead, "_MOST", 100_000)
    held = Held(monkeypatch, tmp_path / "flag", tmp_path / "device/000")
    with LookAhead([str(tmp_path / "device")]) as ahead:
        while not ahead._begun.endswith("/000"):
            ahead._take()
        later = threading.Timer(0.5, held.go_on)
        later.start()
        looks = [ahead.folder(str(tmp_path / "device" / name)) for name in ("", *names)]
        later.join()
        assert not ahead._given
    assert None not in looks
    assert 10 < len(held.own) < 100


def test_a_walk_with_a_look_ahead_finds_what_one_without_finds(tmp_path: Path) -> None:
    fill(
        tmp_path,
        "Tinplate/saves/a/x.sav",
        "Tinplate/saves/a/y.sav",
        "Tinplate/games/z.bin",
        "Kite/saves/k.sav",
    )
    fill(tmp_path, "Tinplate/saves/twins/1", "Tinplate/notes", "other/caf\udce9", "other/x")
    (tmp_path / "Tinplate/saves/twins/2").hardlink_to(tmp_path / "Tinplate/saves/twins/1")
    (tmp_path / "Tinplate/saves/link").symlink_to("a")
    device = open_device("lamp", {"card": str(tmp_path)})
    alone = walk(device, [TINPLATE], recognise=True)
    with LookAhead([str(tmp_path)]) as ahead:
        found = walk(device, [TINPLATE], recognise=True, ahead=ahead)
    assert len(alone.claims) == 6
    assert found == alone


def test_where_nobody_waits_for_processes_there_is_none(tmp_path: Path) -> None:
    """As when a program that ignores SIGCHLD starts handhold: the night was refused at its end.

    Source: POSIX.1-2017, wait(2): with SIGCHLD ignored, waiting for a process fails with ECHILD
    """
    fill(tmp_path, "a")
    before = signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    try:
        assert told(tmp_path, "") == {"": None}
    finally:
        signal.signal(signal.SIGCHLD, before)
    assert not MADE
