"""Files that are written to while they are read, and what is no file."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from handhold.device import reading
from handhold.device.reading import Moving, announce, is_at_hand, read_whole, still_file
from handhold.device.trouble import why_unreadable
from tests.device.trees import as_nobody, open_to_all

OLD = b"o" * 3000
NEW = b"n" * 3000


def in_place(path: Path) -> None:
    with open(path, "r+b") as stream:
        stream.write(NEW)


def half_in_place(path: Path) -> None:
    with open(path, "r+b") as stream:
        stream.seek(1500)
        stream.write(os.urandom(1500))


def grow(path: Path) -> None:
    with open(path, "ab") as stream:
        stream.write(b"more")


def cut(path: Path) -> None:
    os.truncate(path, max(0, path.stat().st_size - 10))


def replace(path: Path) -> None:
    other = path.with_name("other")
    other.write_bytes(NEW)
    status = path.stat()
    os.utime(other, ns=(status.st_atime_ns, status.st_mtime_ns))  # same size, same time: only the inode tells
    os.replace(other, path)


def with_the_time_put_back(path: Path) -> None:
    status = path.stat()
    in_place(path)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


CHANGES = [in_place, half_in_place, grow, cut, replace, with_the_time_put_back]


def old_file(path: Path) -> Path:
    path.write_bytes(OLD)
    os.utime(path, ns=(0, 1_500_000_000_000_000_000))
    return path


@pytest.fixture
def at_work(monkeypatch: pytest.MonkeyPatch) -> Callable[[Path, Callable[[Path], None], int], list[int]]:
    """Lets somebody change a file each time that bytes are read from it, for the first so many times."""

    def begin(path: Path, change: Callable[[Path], None], times: int) -> list[int]:
        real, seen = os.read, [0]

        def read(descriptor: int, size: int) -> bytes:
            data = real(descriptor, size)
            if seen[0] < times:
                seen[0] += 1
                time.sleep(0.011)  # past the kernel's tick, so that the change can be seen
                change(path)
            return data

        monkeypatch.setattr(os, "read", read)
        return seen

    return begin


@pytest.mark.parametrize("size", [0, 1, 4096, (1 << 20) - 1, 1 << 20, (1 << 20) + 1])
def test_a_quiet_file(tmp_path: Path, size: int) -> None:
    path = tmp_path / "a.sav"
    content = os.urandom(size)
    path.write_bytes(content)
    os.utime(path, ns=(0, 1_500_000_000_123_456_789))
    assert read_whole(str(path)) == (content, 1_500_000_000_123_456_789)
    with still_file(str(path)) as stream:
        assert (stream.size, stream.modified, stream.settled) == (size, 1_500_000_000_123_456_789, True)
        pieces = [stream.read(1000) for _ in range(size // 1000 + 1)]
        assert b"".join(pieces) == content
        assert stream.read(1000) == b""
        stream.check()
    with still_file(str(path)) as stream:
        assert stream.read() == content


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("times", [1, 2, 3])
def test_a_file_that_changes_a_few_times_is_read_again(
    tmp_path: Path, change: Callable[[Path], None], times: int, at_work: Callable[..., list[int]]
) -> None:
    path = old_file(tmp_path / "a.sav")
    seen = at_work(path, change, times)
    waits: list[float] = []
    data, modified = read_whole(str(path), pause=waits.append)
    assert seen == [times]
    assert data == path.read_bytes()  # what stands there now, whole
    assert modified == path.stat().st_mtime_ns
    assert waits


@pytest.mark.parametrize("change", CHANGES)
def test_a_file_that_never_holds_still(
    tmp_path: Path, change: Callable[[Path], None], at_work: Callable[..., list[int]]
) -> None:
    path = old_file(tmp_path / "a.sav")
    at_work(path, change, 10_000)
    waits: list[float] = []
    with pytest.raises(Moving):
        read_whole(str(path), pause=waits.append)
    assert sum(waits) < 3  # seconds: an emulator at work does not hold up the night


@pytest.mark.parametrize("change", CHANGES)
def test_a_large_file_that_changes_is_noticed(
    tmp_path: Path, change: Callable[[Path], None], at_work: Callable[..., list[int]]
) -> None:
    path = old_file(tmp_path / "a.img")
    at_work(path, change, 1)
    with still_file(str(path)) as stream:
        while stream.read(1000):
            pass
        with pytest.raises(Moving):
            stream.check()
    with still_file(str(path)) as stream:
        assert stream.read() == path.read_bytes()
        stream.check()


def test_a_file_that_grows_without_end_does_not_fill_the_memory(
    tmp_path: Path, at_work: Callable[..., list[int]]
) -> None:
    path = old_file(tmp_path / "a.log")
    at_work(path, grow, 10_000)
    with still_file(str(path)) as stream:
        assert len(b"".join(iter(lambda: stream.read(100), b""))) == 3000


@pytest.mark.parametrize("ends", [0, 1000])
def test_a_file_of_which_the_card_does_not_give_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ends: int
) -> None:
    """Nothing writes to it, so it is not told as a file that changes."""
    path = old_file(tmp_path / "Moss.sav")
    plain = os.read
    monkeypatch.setattr(os, "read", lambda handle, _: plain(handle, ends - os.lseek(handle, 0, os.SEEK_CUR)))
    with pytest.raises(OSError) as caught:
        read_whole(str(path), lambda _: None)
    assert caught.value.errno == errno.EIO and "failing" in why_unreadable(caught.value)


def test_a_file_that_is_removed_while_it_is_read(tmp_path: Path, at_work: Callable[..., list[int]]) -> None:
    path = old_file(tmp_path / "a.sav")
    at_work(path, lambda p: p.unlink(missing_ok=True), 1)
    with pytest.raises(FileNotFoundError) as gone:
        read_whole(str(path), pause=lambda _: None)
    assert "gone" in why_unreadable(gone.value)


def _stop_the_clock(monkeypatch: pytest.MonkeyPatch, now: int) -> None:
    """Of all that tells a write, a file's size alone changes."""
    monkeypatch.setattr(reading, "modified_of", lambda _: now)
    monkeypatch.setattr(reading, "_same", lambda one, other: one.st_size == other.st_size)


def test_a_second_write_in_the_same_tick(
    tmp_path: Path, at_work: Callable[..., list[int]], monkeypatch: pytest.MonkeyPatch
) -> None:
    # A volume whose clock stands still for the whole test: neither time nor size show the second write.
    path = tmp_path / "a.sav"
    path.write_bytes(OLD)
    now = time.time_ns() // 2_000_000_000 * 2_000_000_000
    _stop_the_clock(monkeypatch, now)
    at_work(path, in_place, 1)
    assert read_whole(str(path), pause=lambda _: None) == (NEW, now)
    with still_file(str(path)) as stream:
        assert not stream.settled  # the next night has to read it again


def test_a_second_write_in_a_tick_that_ends_while_it_is_read(
    tmp_path: Path, at_work: Callable[..., list[int]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The tick is over when the file has been read, and was not when the second write came."""
    path = tmp_path / "a.sav"
    path.write_bytes(OLD)
    start = time.time_ns() // 2_000_000_000 * 2_000_000_000
    clock = iter([start + 1_990_000_000])
    _stop_the_clock(monkeypatch, start)
    monkeypatch.setattr(time, "time_ns", lambda: next(clock, start + 2_020_000_000))

    def change(place: Path) -> None:
        in_place(place)
        next(clock, None)  # time goes on

    at_work(path, change, 1)
    assert read_whole(str(path), pause=lambda _: None)[0] == NEW


@pytest.mark.volumes
@pytest.mark.parametrize("card", ["exfat", "fat"])
def test_a_second_write_in_the_same_tick_on_a_card(
    card: str, request: pytest.FixtureRequest, at_work: Callable[..., list[int]]
) -> None:
    folder: Path = request.getfixturevalue(card)
    path = folder / "A.SAV"
    path.write_bytes(OLD)
    at_work(path, in_place, 1)
    data, modified = read_whole(str(path))
    assert data == NEW
    assert modified == path.stat().st_mtime_ns
    with still_file(str(path)) as stream:
        assert not stream.settled or time.time_ns() - modified > 2_000_000_000  # the tick is over by now


@pytest.mark.volumes
@pytest.mark.parametrize("card", ["exfat", "fat"])
@pytest.mark.parametrize("change", [grow, cut])
def test_changes_on_a_card_are_seen(
    card: str,
    change: Callable[[Path], None],
    request: pytest.FixtureRequest,
    at_work: Callable[..., list[int]],
) -> None:
    folder: Path = request.getfixturevalue(card)
    path = old_file(folder / "A.SAV")
    assert read_whole(str(path)) == (OLD, 1_500_000_000_000_000_000)
    at_work(path, change, 1)
    data, _ = read_whole(str(path))
    assert data == path.read_bytes() != OLD


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to(old_file(tmp_path / "real"))
    os.mkfifo(tmp_path / "pipe")  # nobody writes to it: opening it must not wait
    expected = {
        "folder": "it is a folder, not a file",
        "link": "it is a link, and links are not followed",
        "pipe": "it is not an ordinary file",
        "nothing": "it was there a moment ago and is gone",
    }
    for name, why in expected.items():
        with pytest.raises(OSError) as whole:
            read_whole(str(tmp_path / name))
        assert why_unreadable(whole.value) == why
        with pytest.raises(OSError) as pieces, still_file(str(tmp_path / name)):
            raise AssertionError("it was opened")
        assert why_unreadable(pieces.value) == why


def test_no_descriptor_stays_open(tmp_path: Path) -> None:
    path = old_file(tmp_path / "a")
    (tmp_path / "folder").mkdir()
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(20):
        read_whole(str(path))
        with still_file(str(path)) as stream:
            stream.read(10)
        for call in (read_whole, lambda p: still_file(p).__enter__()):
            with pytest.raises(OSError):
                call(str(tmp_path / "folder"))
    assert len(os.listdir("/proc/self/fd")) == before


def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("needs root, to become somebody else")
    path = old_file(tmp_path / "a.sav")
    path.chmod(0o600)

    def check() -> None:
        with pytest.raises(PermissionError) as refused:
            read_whole(str(path))
        assert why_unreadable(refused.value) == "it may not be read (permission denied)"

    with open_to_all(tmp_path):
        as_nobody(check)


MEBI = 1 << 20


def _sparse(place: Path, monkeypatch: pytest.MonkeyPatch, *, at_rest: bool = True) -> None:
    """A card with data at its third and last mebibyte; its file system must have holes."""
    with place.open("wb") as file:
        file.truncate(16 * MEBI)
        for at in (2, 15):
            file.seek(at * MEBI)
            file.write(b"\1" * MEBI)
    os.utime(place, (10**9, 10**9))
    if place.stat().st_blocks * 512 >= 4 * MEBI:
        pytest.skip("this file system has no holes")
    if at_rest:  # its ctime cannot be set
        later = time.time_ns() + 2 * reading.YOUNG_NS
        monkeypatch.setattr(time, "time_ns", lambda: later)


def test_the_holes_of_a_file_at_rest_are_known(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "card.img"
    _sparse(place, monkeypatch)
    with reading.still_file(str(place)) as file:
        first = file.read(100)
        holes = file.holes()
        rest = file.read()
        assert holes == [(0, 2 * MEBI), (3 * MEBI, 12 * MEBI)]
        assert first + rest == place.read_bytes()
        file.seek(2 * MEBI - 1)
        assert file.read(2) == b"\0\1"
        file.check()


def test_holes_of_a_file_that_was_just_written_are_not_believed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its time was set back; when its state last changed tells."""
    place = tmp_path / "card.img"
    _sparse(place, monkeypatch, at_rest=False)
    with reading.still_file(str(place)) as file:
        assert file.holes() == []


def test_holes_are_not_believed_where_the_file_takes_more_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file system that takes data for a hole, here the last mebibyte, has kept room for it."""
    place = tmp_path / "card.img"
    _sparse(place, monkeypatch)
    seek = os.lseek

    def lying(handle: int, offset: int, whence: int) -> int:
        if whence == os.SEEK_DATA and offset >= 3 * MEBI:
            raise OSError(errno.ENXIO, "nothing but a hole")
        return seek(handle, offset, whence)

    with reading.still_file(str(place)) as file:
        monkeypatch.setattr(os, "lseek", lying)
        assert file.holes() == []


@pytest.mark.parametrize("size", [0, 3 * MEBI])
def test_a_file_without_holes_has_none(tmp_path: Path, size: int) -> None:
    place = tmp_path / "dense"
    place.write_bytes(b"\1" * size)
    os.utime(place, (10**9, 10**9))
    with reading.still_file(str(place)) as file:
        assert file.holes() == []


def test_what_is_announced_is_fetched_and_nothing_else_happens(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: POSIX.1-2017, posix_fadvise: data advised with POSIX_FADV_WILLNEED will be accessed soon."""
    told: list[tuple[str, int, int, int]] = []

    def advise(descriptor: int, offset: int, size: int, advice: int) -> None:
        told.append((os.readlink(f"/proc/self/fd/{descriptor}"), offset, size, advice))

    monkeypatch.setattr(os, "posix_fadvise", advise)
    path = old_file(tmp_path / "a.sav")
    os.mkfifo(tmp_path / "pipe")
    before = len(os.listdir("/proc/self/fd"))
    announce(str(path), len(OLD))
    announce(str(path), 1 << 40)
    for other in ("pipe", "missing", "folder"):  # it must not wait for what nobody writes into a pipe
        announce(str(tmp_path / other), 10)
    assert [one for one in told if one[0] == str(path)] == [
        (str(path), 0, len(OLD), os.POSIX_FADV_WILLNEED),
        (str(path), 0, 8 * MEBI, os.POSIX_FADV_WILLNEED),
    ]
    assert len(os.listdir("/proc/self/fd")) == before


@pytest.mark.parametrize("way", ["advised", "refused", "unknown"])
def test_a_large_file_is_fetched_ahead_of_what_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    path, data = tmp_path / "a.state", os.urandom(21 * MEBI + 5)
    path.write_bytes(data)
    os.sync()  # until then some file systems tell of no room
    told: list[tuple[int, int]] = []

    def advise(descriptor: int, offset: int, size: int, advice: int) -> None:
        told.append((offset, size))
        if way == "refused":
            raise OSError(errno.ESPIPE, "no file")

    if way == "unknown":
        monkeypatch.delattr(os, "posix_fadvise")
    else:
        monkeypatch.setattr(os, "posix_fadvise", advise)
    found, room = [], bytearray(MEBI)
    with still_file(str(path)) as stream:
        while got := stream.readinto(memoryview(room)):
            found.append(bytes(room[:got]))
            read = sum(map(len, found))
            reach = max((offset + size for offset, size in told), default=0)
            assert way == "unknown" or min(read + 3 * MEBI, len(data)) <= reach <= read + 12 * MEBI
    assert b"".join(found) == data
    assert [offset for offset, _ in told] == ([] if way == "unknown" else [0, 8 * MEBI, 16 * MEBI])


def test_nothing_is_fetched_of_a_file_with_holes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _sparse(tmp_path / "card", monkeypatch)
    monkeypatch.setattr(os, "posix_fadvise", None)
    with still_file(str(tmp_path / "card")) as stream:
        assert len(stream.read(MEBI)) == MEBI


def test_what_is_in_memory_is_told_from_what_is_not(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.state"
    path.write_bytes(os.urandom(MEBI))
    os.sync()
    try:
        with path.open("rb") as file:
            os.preadv(file.fileno(), [bytearray(1)], 0, os.RWF_NOWAIT)
    except OSError:
        pytest.skip("this file system does not tell")
    assert is_at_hand(str(path))
    with path.open("rb") as file:
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    gone = not is_at_hand(str(path))
    assert path.read_bytes() and is_at_hand(str(path))
    assert not is_at_hand(str(tmp_path / "missing"))
    os.mkfifo(tmp_path / "pipe")
    assert not is_at_hand(str(tmp_path / "pipe"))
    monkeypatch.delattr(os, "RWF_NOWAIT")
    assert not is_at_hand(str(path))
    if not gone:
        pytest.skip("this file system keeps in memory what it was asked to let go of")
