"""What is in memory is looked at there; what is not, or is no file of ours, is not."""

from __future__ import annotations

import mmap
import os
import random
from pathlib import Path

import pytest

from handhold.archive import mapped
from handhold.archive.mapped import MappedStorage

_SIZE = 3 << 20


@pytest.fixture
def place(tmp_path: Path) -> MappedStorage:
    (tmp_path / "one").write_bytes(random.Random(5).randbytes(_SIZE))
    return MappedStorage(str(tmp_path))


def test_what_is_in_memory_is_what_is_read(place: MappedStorage) -> None:
    chance = random.Random(6)
    ranges = [(0, _SIZE), (0, 1), (_SIZE - 1, 1), (4095, 2), (4096, 4096)]
    ranges += [(at, chance.randrange(1, _SIZE - at)) for at in chance.sample(range(_SIZE - 1), 50)]
    found = [place.at_hand("one", *each) for each in ranges]
    if found[0] is None:
        pytest.skip("this file system does not tell what is in memory")
    for each, view in zip(ranges, found, strict=True):
        assert view is not None
        assert view.readonly and bytes(view) == place.read("one", *each)


def test_a_view_outlives_its_file(place: MappedStorage) -> None:
    there = place.read("one", 100, 50)
    view = place.at_hand("one", 100, 50)
    os.unlink(os.path.join(place.root, "one"))
    place.close()
    assert view is None or bytes(view) == there


def test_what_is_not_in_memory_is_not_looked_at(
    place: MappedStorage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not even where only its end is missing.

    Source: preadv2(2), EAGAIN
    """
    missing = 0

    def preadv(file: int, room: list[bytearray], offset: int, flags: int) -> int:
        assert flags == os.RWF_NOWAIT
        if offset >= missing:
            raise BlockingIOError
        room[0][0] = 1
        return 1

    monkeypatch.setattr(os, "preadv", preadv)
    for begin, there in ((0, False), (_SIZE - 1, False), (1 << 20, False), (_SIZE, True)):
        missing = begin
        assert (place.at_hand("one", 0, _SIZE) is not None) == there


def test_where_the_system_cannot_tell_nothing_is_looked_at(
    place: MappedStorage, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mapped, "_CAN_TELL", False)
    assert place.at_hand("one", 0, 10) is None

    def refuses(*given: object, **named: object) -> int:
        raise OSError(95, "Operation not supported")

    with monkeypatch.context() as patch:
        patch.setattr(mapped, "_CAN_TELL", True)
        patch.setattr(os, "preadv", refuses)
        assert place.at_hand("one", 0, 10) is None
    with monkeypatch.context() as patch:
        patch.setattr(mapped, "_CAN_TELL", True)
        patch.setattr(mmap, "mmap", refuses)  # a file system of a program that passes all on
        assert place.at_hand("one", 0, 10) is None


@pytest.mark.parametrize(
    ("name", "offset", "length"),
    [
        ("one", 0, _SIZE + 1),
        ("one", _SIZE, 1),
        ("one", 0, 0),
        ("none", 0, 1),
        ("folder", 0, 1),
        ("link", 0, 1),
    ],
)
def test_what_cannot_be_looked_at_raises_nothing(
    place: MappedStorage, name: str, offset: int, length: int
) -> None:
    os.mkdir(os.path.join(place.root, "folder"))
    os.symlink("one", os.path.join(place.root, "link"))
    assert place.at_hand(name, offset, length) is None
