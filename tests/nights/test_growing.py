"""Files that are longer or shorter when they are read than they were when the walk saw them."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.blocks import LARGEST
from handhold.archive.cutting import SMALL
from handhold.archive.storage import LocalStorage
from handhold.intake.intake import Intake
from handhold.intake.jobs import Content, Job, Unread


def clock() -> datetime:
    return datetime(2031, 4, 5, 21, 30, tzinfo=UTC)


@pytest.mark.parametrize("size", [SMALL, SMALL + 1, LARGEST + 1])
def test_a_file_that_grew_beyond_a_small_one_is_cut_as_a_large_one(tmp_path: Path, size: int) -> None:
    """A recording that had just begun when it was seen, and an export that was being written."""
    data = os.urandom(size)
    grown, small = tmp_path / "grown", tmp_path / "small"
    grown.write_bytes(data)
    small.write_bytes(b"a save")
    for path in (grown, small):
        os.utime(path, (10**9, 10**9))
    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), clock)
    told: list[int] = []
    with archive.locked("test"), archive.writer() as writer, Intake(writer) as intake:
        jobs = [Job(str(grown), 10, "grown"), Job(str(small), 6, "small")]
        read = list(intake.read(jobs, lambda files, _: told.append(files)))
    assert [about for about, _ in read] == ["grown", "small"]
    content = read[0][1]
    assert isinstance(content, Content)
    assert (content.size, content.sha256) == (size, hashlib.sha256(data).hexdigest())
    assert (content.recipe is not None) == (size > SMALL)
    assert sum(told) == 2


def test_a_large_file_of_which_the_card_does_not_give_the_end_is_no_shorter_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its size and time stay what they are: what comes is not all of it."""
    large = tmp_path / "card.bin"
    large.write_bytes(os.urandom(3 * SMALL))
    os.utime(large, (10**9, 10**9))
    plain = os.readv

    def read(handle: int, rooms: Sequence[memoryview]) -> int:
        return plain(handle, [room[: max(0, 2 * SMALL - os.lseek(handle, 0, os.SEEK_CUR))] for room in rooms])

    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), clock)
    with archive.locked("test"), archive.writer() as writer, Intake(writer) as intake:
        monkeypatch.setattr(os, "readv", read)
        ((_, content),) = intake.read([Job(str(large), 3 * SMALL, None)])
    assert isinstance(content, Unread) and "failing" in content.why
