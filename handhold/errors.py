"""The errors that an owner can meet: what went wrong, where, what to do, and the exit status.

Anything that an owner can cause (a wrong path, a card that is out, a broken file) is raised as an
``OwnerError``; the command line prints it in at most three lines and ends with its status. Any other
exception that reaches the command line is a defect of handhold.
"""

from __future__ import annotations

from enum import IntEnum


class Exit(IntEnum):
    """The exit statuses that scripts may rely on."""

    DONE = 0
    FAILED = 1
    WRONG_INPUT = 2
    NOT_EVERYTHING = 3
    DAMAGE = 4
    NOT_NOW = 5


class OwnerError(Exception):
    """Something that the owner should know.

    ``what`` is one sentence that names the thing concerned; ``advice`` is what to do about it.
    """

    status: Exit = Exit.FAILED

    def __init__(self, what: str, advice: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.advice = advice

    def __str__(self) -> str:
        return f"{self.what}\n{self.advice}" if self.advice else self.what


class StoppedHalfway(KeyboardInterrupt):
    """Ctrl-C after some ``files`` were written onto a device already; ``recorded``: undo knows them."""

    def __init__(self, files: int, recorded: bool) -> None:
        super().__init__()
        self.files = files
        self.recorded = recorded


class WrongInput(OwnerError):
    """The command line, or a file that the owner wrote, is wrong."""

    status = Exit.WRONG_INPUT


class UnknownName(WrongInput):
    """A snapshot, emulator, part or game that is not there; the nearest ones are offered.

    >>> str(UnknownName("emulator", "tinplat", ["tinplate", "lantern"]))
    'There is no emulator named "tinplat".\\nDid you mean tinplate?'
    """

    def __init__(self, kind: str, name: str, known: list[str], advice: str = "") -> None:
        from difflib import get_close_matches

        folded = {k.casefold(): k for k in known}
        near = [folded[n] for n in get_close_matches(name.casefold(), list(folded), n=3, cutoff=0.5)]
        if near:
            offer = f"Did you mean {' or '.join(near)}?"
        elif known:
            shown = sorted(known)
            more = f", and {len(shown) - 8} more" if len(shown) > 8 else ""
            offer = f"There is: {', '.join(shown[:8])}{more}."
        else:
            offer = ""
        super().__init__(
            f'There is no {kind} named "{name}".', " ".join(part for part in (offer, advice) if part)
        )


class Damaged(OwnerError):
    """Stored bytes are not what was stored."""

    status = Exit.DAMAGE


class NotNow(OwnerError):
    """The archive is not there (card out?), or another run holds it."""

    status = Exit.NOT_NOW
