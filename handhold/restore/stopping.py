"""Ctrl-C while something is written that has to be tidied up, and put on record, before the end."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def stopped_once() -> Iterator[None]:
    """The first Ctrl-C ends the block, and none stops what the block does on its way out.

    Whoever presses it again while the card still writes would else be left with temporary files on it, and
    with files that no record speaks of. Where Ctrl-C does something else already, or nothing, that stays so.
    """
    before = signal.getsignal(signal.SIGINT)
    if before is not signal.default_int_handler or threading.current_thread() is not threading.main_thread():
        yield
        return

    stopped = False

    def first_only(*_: object) -> None:
        nonlocal stopped
        if not stopped:
            stopped = True
            raise KeyboardInterrupt

    signal.signal(signal.SIGINT, first_only)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
