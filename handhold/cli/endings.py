"""How a command ends when it does not end well: what, where, what to do, and the exit status."""

from __future__ import annotations

import errno
import sys
from collections.abc import Sequence

from handhold.cli.console import Console
from handhold.cli.entry import STOPPED, is_stop
from handhold.cli.words import amount
from handhold.errors import Exit, OwnerError, StoppedHalfway

#: Options that stand in front of the command.
_IN_FRONT = ("--config", "--archive", "--device", "--volume", "--layouts", "--quiet", "--version")


def check_locale() -> None:
    """Refuses to run where file names cannot be told from their bytes."""
    if sys.getfilesystemencoding().replace("-", "").lower() != "utf8":
        raise OwnerError(
            "This terminal's locale does not use UTF-8, so file names cannot be read rightly.",
            "Set one that does and run it again: LC_ALL=C.UTF-8 handhold …",
        )


def tell(console: Console, error: BaseException, typed: Sequence[str]) -> int:
    """Tells an owner what went wrong, as text and, where ``--json`` was asked for, as the one document."""
    what, advice, status = words_of(error, typed)
    console.warn(f"{what}\n{advice}" if advice else what)
    if "--json" in typed:
        console.document({"error": {"what": what.strip(), "advice": advice, "status": int(status)}})
    return status


def words_of(error: BaseException, typed: Sequence[str]) -> tuple[str, str, Exit]:
    """What went wrong, what to do about it, and the exit status."""
    if isinstance(error, OwnerError):
        return error.what, error.advice, error.status
    if isinstance(error, StoppedHalfway) and error.files:
        back = "handhold undo takes that back." if error.recorded else ""
        what = f"\nStopped. What was written onto the device until then stays: {amount(error.files, 'file')}."
        return what, f"Run it again for the rest. {back}".strip(), Exit.FAILED
    if is_stop(error):
        return STOPPED, "Run it again when you like.", Exit.FAILED
    if _for_want_of_memory(error):
        return _NO_ROOM_TO_WORK
    if isinstance(error, OSError):
        where = f" ({error.filename})" if error.filename else ""
        what = f"The system refused: {error.strerror or error}{where}."
        if error.errno in (errno.ENODEV, errno.ENXIO, errno.ENOTCONN, errno.ESTALE):
            return what, "Look whether the card is in, then run it again.", Exit.NOT_NOW
        if error.errno == errno.EIO:
            return what, "The card may be failing: copy what is on it, then run this again.", Exit.FAILED
        return what, "Nothing in the archive was lost; mend the cause and run it again.", Exit.FAILED
    if hasattr(error, "format_message") and hasattr(error, "exit_code"):  # the command line was wrong
        return str(error.format_message()), _help(str(error.format_message()), typed), Exit.WRONG_INPUT
    what = f"handhold itself made a mistake: {type(error).__name__}. What was kept before is as it was."
    try:
        return what, _write_down(error), Exit.FAILED
    except MemoryError:  # then that was the mistake
        return _NO_ROOM_TO_WORK


_NO_ROOM_TO_WORK = (
    "There is not enough memory for this.",
    "Close other programs and run it again.",
    Exit.FAILED,
)
#: How libraries say that they got no memory, where they raise something else than ``MemoryError``. The last
#: two are the interpreter's, where there is no room for one more call or module (seen in CPython 3.11).
_NO_MEMORY = (
    "failed to map segment",
    "cannot allocate memory",
    "can't start new thread",
    "not enough memory",
    "error return without exception set",
    "returned null without setting an exception",
)


def _for_want_of_memory(error: BaseException) -> bool:
    if isinstance(error, MemoryError) or (isinstance(error, OSError) and error.errno == errno.ENOMEM):
        return True
    return any(words in str(error).lower() for words in _NO_MEMORY)


def _help(message: str, typed: Sequence[str]) -> str:
    command = next((word for word in typed if word.isalpha() and word.islower()), "")
    misplaced = next((option for option in _IN_FRONT if f"option: {option}" in message), None)
    if misplaced and command:
        return f"{misplaced} stands before the command: handhold {misplaced} … {command}"
    if command and "No such command" not in message:
        return f"handhold {command} --help shows what there is."
    return "handhold --help shows what there is."


def _write_down(error: BaseException) -> str:
    """Keeps the details of a defect out of the owner's sight, but where they can be sent from."""
    import traceback

    from handhold.statefolder import state_folder

    folder = state_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        text = "".join(traceback.format_exception(error))
        (folder / "defect.txt").write_text(text, "utf-8", errors="backslashreplace")
    except OSError:
        return "Its details could not be written down."
    return f"The details are in {folder / 'defect.txt'}."
