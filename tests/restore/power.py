"""A run ends at any moment, for campaigns of many steps: a forked child is ended at its n-th change.

It is quick. What a card does with its own caches, and real kills of the real program: ``tests/faults``.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

from handhold.restore import naming, renaming

_CHANGING = ("mkdir", "write", "utime", "fsync", "rename", "link", "unlink", "replace", "fchmod", "open")


def _die_at(moment: int, after: bool) -> None:
    """From now on this process ends at its n-th call that changes a disk."""
    left = [moment]

    def dying(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*given: Any, **named: Any) -> Any:
            if real is os_open and not (given[1] & os.O_CREAT):
                return real(*given, **named)
            left[0] -= 1
            if left[0] == 0 and not after:
                os._exit(77)
            try:
                return real(*given, **named)
            finally:
                if left[0] == 0:
                    os._exit(77)

        return call

    os_open = os.open
    for name in _CHANGING:
        setattr(os, name, dying(getattr(os, name)))
    setattr(naming, "name_new", dying(renaming.name_new))  # noqa: B010 - it is imported there


def cut_off(work: Callable[[], object], moment: int, after: bool) -> bool:
    """Whether a child that does the work was ended at that moment; False if it came to its end before."""
    child = os.fork()
    if child == 0:
        status = 1
        try:
            _die_at(moment, after)
            work()
            status = 0
        finally:
            os._exit(status)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert status in (0, 77)
    return status == 77
