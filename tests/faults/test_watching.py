"""Watching a run: what it does to its folders is recorded as it was, and it can be ended or refused."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.faults.disk import Flush, Link, Make, Recording, Remove, Rename, Resize, Stamp, Write, states
from tests.faults.watching import inject, record, watched


def work(card: Path) -> int:
    """Some of everything."""
    folder = card / "né\nw"
    folder.mkdir()
    with open(folder / "a", "wb") as file:
        file.write(b"one\0")
        file.flush()
        file.seek(2)
        file.write(b"\xff\xfe\xfd")
        file.flush()
        os.fsync(file.fileno())
        file.truncate(4)
    inside = os.open(folder, os.O_RDONLY)
    os.rename("a", "b", src_dir_fd=inside, dst_dir_fd=inside)
    os.utime("b", ns=(7, 8), dir_fd=inside)
    os.fsync(inside)
    os.close(inside)
    os.link(folder / "b", card / "c")
    with open(card / "old", "ab") as file:
        file.write(b"+")
    (card / "c").unlink()
    (card.parent / "elsewhere").write_bytes(b"not ours")
    return 0


@pytest.fixture
def card(tmp_path: Path) -> Path:
    card = tmp_path / "card"
    card.mkdir()
    (card / "old").write_bytes(b"old")
    os.utime(card / "old", (5, 5))
    return card


def test_what_a_run_does_is_recorded(card: Path) -> None:
    assert record(lambda: work(card), {"card": card}) == Recording(
        {"card": None, "card/old": b"old"},
        {"card/old": 5 * 10**9},
        (
            Make("card/né\nw", folder=True),
            Make("card/né\nw/a"),
            Write("card/né\nw/a", 0, b"one\0"),
            Write("card/né\nw/a", 2, b"\xff\xfe\xfd"),
            Flush("card/né\nw/a"),
            Resize("card/né\nw/a", 4),
            Rename("card/né\nw/a", "card/né\nw/b"),
            Stamp("card/né\nw/b", 8),
            Flush("card/né\nw"),
            Link("card/né\nw/b", "card/c"),
            Write("card/old", 3, b"+"),
            Remove("card/c"),
        ),
    )


def test_what_the_run_left_is_one_of_the_states(card: Path) -> None:
    recording = record(lambda: work(card), {"card": card})
    left = {
        f"card/{path.relative_to(card)}": path.read_bytes() if path.is_file() else None
        for path in card.rglob("*")
    }
    trees = [state.tree for state in states(recording, ordered=[True], most=1 << 10)]
    assert {"card": None, **left} in trees


def test_a_run_is_killed_at_its_nth_call(card: Path) -> None:
    ran = watched(lambda: work(card), *inject(["rename", "renameat", "renameat2"], "signal=KILL", "1"))
    assert ran.killed
    assert (card / "né\nw" / "a").read_bytes() == b"on\xff\xfe"
    assert not (card / "né\nw" / "b").exists()


def test_a_call_can_be_refused(card: Path) -> None:
    ran = watched(lambda: work(card), *inject(["fsync"], "error=EIO", "1"))
    assert ran.status == 70 and "Input/output error" in ran.err


def test_a_run_that_cannot_be_modelled_is_refused(card: Path) -> None:
    def copying() -> int:
        with open(card / "old", "rb") as old, open(card / "new", "wb") as new:
            os.sendfile(new.fileno(), old.fileno(), 0, 3)
        return 0

    with pytest.raises(NotImplementedError, match="sendfile"):
        record(copying, {"card": card})
