"""Second processes, as tests look at them."""

from __future__ import annotations

import fcntl
import os
import time
from pathlib import Path

import pytest

from handhold import beside


def note_forks(monkeypatch: pytest.MonkeyPatch, made: list[int]) -> None:
    """There are two cores, and what is forked is noted."""
    monkeypatch.setattr(beside, "_cores", lambda: 2)
    fork = os.fork

    def noted() -> int:
        process = fork()
        made.append(process)
        return process

    made.clear()
    monkeypatch.setattr(os, "fork", noted)


def wait_until_free(archive: Path) -> None:
    """Waits until nobody holds the lock of an archive, half a minute at most."""
    end = time.monotonic() + 30
    with open(archive / ".lock") as lock:
        while True:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                assert time.monotonic() < end
                time.sleep(0.01)
