"""However it is said that there is no memory, an owner reads the same."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from handhold.cli import endings
from handhold.cli.console import Console


# What the interpreter, the system, the loader of libraries and the start of a thread say; each was seen.
@pytest.mark.parametrize(
    "error",
    [
        MemoryError(),
        OSError(errno.ENOMEM, "Cannot allocate memory"),
        ImportError("libx.so: failed to map segment from shared object"),
        RuntimeError("can't start new thread"),
        SystemError("error return without exception set"),
        SystemError("<function _find_and_load at 0x7f> returned NULL without setting an exception"),
    ],
    ids=lambda error: type(error).__name__,
)
def test_it_is_told_as_one_error(
    error: BaseException, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert endings.tell(Console(), error, ["snapshot"]) == 1
    told = capsys.readouterr()
    assert told.out == "" and "There is not enough memory for this." in told.err
    assert not any(tmp_path.iterdir())  # it is no mistake of handhold's that is written down


def test_a_mistake_is_none_for_want_of_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    endings.tell(Console(), SystemError("unknown opcode"), ["snapshot"])
    assert "not enough memory" not in capsys.readouterr().err
