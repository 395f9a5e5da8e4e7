"""Has a check done by two processes, however small the archive is."""

from __future__ import annotations

import os

import pytest

from handhold import beside
from handhold.archive import shares, twofold


def in_two(monkeypatch: pytest.MonkeyPatch, least: int = 500) -> list[int]:
    """Cuts archives into shares of about so many bytes; the second processes that are started from now on."""
    monkeypatch.setattr(beside, "_cores", lambda: 2)
    monkeypatch.setattr(shares, "LEAST", least)
    monkeypatch.setattr(twofold, "WORTH", 2)
    # What lies in memory is there for both of them.
    monkeypatch.setattr(twofold, "apart", lambda storage: storage)
    processes: list[int] = []
    fork = os.fork

    def noted() -> int:
        process = fork()
        processes.append(process)
        return process

    monkeypatch.setattr(os, "fork", noted)
    return processes
