"""Virtual cards that are a hole nearly everywhere."""

from __future__ import annotations

import hashlib
import os
import random
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.storage import LocalStorage
from handhold.device.reading import YOUNG_NS
from handhold.intake.intake import Intake
from handhold.intake.jobs import Content, Job

MEBI = 1 << 20


def clock() -> datetime:
    return datetime(2031, 4, 5, 21, 30, tzinfo=UTC)


def test_a_card_with_holes_is_kept_as_one_without(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same bytes, where holes are not read, are the same blocks; the digest is that of the whole file."""
    size = 60 * MEBI
    dense, sparse = tmp_path / "dense", tmp_path / "sparse"
    source = random.Random(1)
    data = bytearray(size)
    for at in (0, 17 * MEBI + 5, 40 * MEBI):
        data[at : at + MEBI] = source.randbytes(MEBI)
    dense.write_bytes(data)
    with sparse.open("wb") as file:
        file.truncate(size)
        for at in (0, 17 * MEBI + 5, 40 * MEBI):
            file.seek(at)
            file.write(data[at : at + MEBI])
    for path in (dense, sparse):
        os.utime(path, (10**9, 10**9))
    if sparse.stat().st_blocks * 512 >= 4 * MEBI:
        pytest.skip("this file system has no holes")
    later = time.time_ns() + 2 * YOUNG_NS
    monkeypatch.setattr(time, "time_ns", lambda: later)
    read: list[int] = []
    told: list[int] = []
    plain = os.readv

    def counted(handle: int, rooms: Sequence[memoryview]) -> int:
        got = plain(handle, rooms)
        read.append(got)
        return got

    archive = Archive.create(LocalStorage(str(tmp_path / "archive")), clock)
    kept, blocks = [], []
    with archive.locked("test"), archive.writer() as writer, Intake(writer) as intake:
        for path in (dense, sparse):
            read.clear()
            told.clear()
            with monkeypatch.context() as patch:
                patch.setattr(os, "readv", counted)
                jobs = [Job(str(path), size, None)]
                ((_, content),) = intake.read(jobs, lambda _, count: told.append(count))
            assert isinstance(content, Content)
            assert sum(told) == size
            kept.append(content)
            blocks.append((writer.new_blocks, sum(read)))
    assert kept[0] == kept[1]._replace(modified=kept[0].modified)
    assert kept[1].sha256 == hashlib.sha256(data).hexdigest()
    assert blocks[0][0] == blocks[1][0]
    assert blocks[0][1] >= size > 5 * blocks[1][1]
