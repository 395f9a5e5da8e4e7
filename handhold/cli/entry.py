"""The console script: what is done before the command line itself is read in."""

from __future__ import annotations

import gc
import os
import sys

from handhold import __version__

#: So many new objects make the collector look for rings among the young ones. A command makes a few objects
#: for each of 100,000 files, hardly any of them in rings; the usual 700 costs a tenth of its time.
_YOUNG = 100_000
#: What is said of a Ctrl-C that left nothing half done.
STOPPED = "\nStopped. What was already in the archive is as it was."


def _load_without_inspection() -> None:
    """Loads msgspec without a library that it can do without.

    That one loads all that looks into source code, which takes longer than msgspec itself.
    """
    missed = "typing_extensions"
    if missed not in sys.modules:
        sys.modules[missed] = None  # type: ignore[assignment]  # as if it were not installed
        try:
            import msgspec  # noqa: F401
        finally:
            del sys.modules[missed]


def _open_what_is_closed() -> None:
    """Opens what whoever started this one has closed of its input, its output and its messages: into nothing.

    Else the next files get their numbers, those of the archive too, and what a library writes goes into them.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode))  # noqa: SIM115 - until the end


def is_stop(error: BaseException | None) -> bool:
    """Whether an error is a Ctrl-C, or what the interpreter has made of one while a class was being made.

    Source: Python 3.12, What's New, Other Language Changes (before that, what ``__set_name__`` raises comes
    out as a ``RuntimeError``)
    """
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__cause__
    return error is not None


def main() -> None:
    """Runs the command that was typed, and exits with its status."""
    _open_what_is_closed()
    if sys.argv[1:] == ["--version"]:  # answered without the libraries of the command line
        try:
            print(f"handhold {__version__}", flush=True)
            return
        except OSError:
            pass  # met again below, where it is told
    gc.set_threshold(_YOUNG, 20, 100)
    try:
        _load_without_inspection()
        from handhold.cli.main import run

        gc.freeze()  # what was imported stays
        status = run()
    except BaseException as error:
        if not is_stop(error):
            raise
        # Before ``run`` could catch it, or a second one while it told of the first.
        print(STOPPED, file=sys.stderr)
        status = 1
    _leave(status)


def _leave(status: int) -> None:
    """Exits, and lets the system take back the memory: to take it apart takes long.

    By now a command has tidied up, and its threads have ended.
    """
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    except (OSError, ValueError):
        sys.exit(status)  # which tells of it
    os._exit(status)
