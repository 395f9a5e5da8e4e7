"""The owner's own command that is run when a night had trouble: a notification, a mail, a light."""

from __future__ import annotations

import os
import shlex
import subprocess

from handhold.errors import WrongInput

#: Seconds after which it is stopped.
PATIENCE = 60


def hook_words(command: str) -> list[str]:
    """The command's words, as a shell would part them; no shell runs. Raises ``WrongInput``."""
    try:
        words = shlex.split(command)
    except ValueError as error:
        raise WrongInput(f"--on-trouble {command}: {error}.", "Close the quotes.") from None
    if not words:
        raise WrongInput("--on-trouble names no command.", "As --on-trouble 'notify-me handhold'")
    return words


def run_hook(command: str, line: str, status: int) -> str | None:
    """Runs the command with the line as its last word; why that did not work, if so.

    ``HANDHOLD_TROUBLE`` and ``HANDHOLD_STATUS`` are in its environment. What it prints is dropped.
    """
    try:
        done = subprocess.run(
            [*hook_words(command), line],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "HANDHOLD_TROUBLE": line, "HANDHOLD_STATUS": str(status)},
            timeout=PATIENCE,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return f"it took longer than {PATIENCE} seconds"
    except OSError as error:
        return (error.strerror or str(error)).lower()
    return f"it ended with status {done.returncode}" if done.returncode else None
