"""The log of runs that nobody watched: what each said, in a few files that never grow beyond a bound."""

from __future__ import annotations

import logging
from datetime import datetime
from logging.handlers import RotatingFileHandler
from pathlib import Path

from handhold.statefolder import state_folder

#: The size of one file in bytes, and how many older ones are kept beside it.
LARGEST, OLDER = 256 << 10, 3


def log_path() -> Path:
    """Where the log is: in the user's state folder.

    Source: XDG Base Directory Specification, XDG_STATE_HOME (logs and history that outlive a restart)
    """
    return state_folder() / "nightly.log"


def write_log(moment: datetime, text: str) -> str | None:
    """Adds what one run said; why it could not be written, if so. The log is no reason for a run to fail."""
    path = log_path()
    lines = "".join(f"  {line}\n" for line in text.splitlines() if line.strip())
    record = logging.LogRecord(
        "handhold",
        logging.INFO,
        "",
        0,
        f"{moment.isoformat(timespec='seconds')}\n{lines}".rstrip(),
        None,
        None,
    )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handler = RotatingFileHandler(
            path, maxBytes=LARGEST, backupCount=OLDER, encoding="utf-8", errors="backslashreplace", delay=True
        )
    except OSError as error:
        return error.strerror or str(error)
    trouble: list[str] = []
    handler.handleError = lambda record: trouble.append("it could not be written")  # type: ignore[method-assign]
    handler.handle(record)
    handler.close()
    return trouble[0] if trouble else None
