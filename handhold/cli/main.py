"""The command ``handhold``: the options in front of everything, the commands, and how errors are told."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Annotated

from handhold import __version__
from handhold.cli import endings, line
from handhold.cli.console import Console
from handhold.cli.line import App, Call, Context, Ended, Option
from handhold.cli.session import Given, Session
from handhold.errors import Exit
from handhold.model import Clock


def _version(asked: bool) -> None:
    if asked:
        print(f"handhold {__version__}")
        raise Ended


def _options(
    context: Context,
    config: Annotated[str | None, Option(metavar="FILE", help="The config file.")] = None,
    archive: Annotated[str | None, Option(metavar="PATH", help="Where the archive is.")] = None,
    device: Annotated[str | None, Option(metavar="NAME", help="The device at hand.")] = None,
    volume: Annotated[
        list[str] | None, Option(metavar="NAME=PATH", help="A storage root of the device; repeat.")
    ] = None,
    layouts: Annotated[
        list[str] | None, Option(metavar="DIR", help="A folder with your layouts; repeat.")
    ] = None,
    quiet: Annotated[bool, Option("--quiet", help="Only results and trouble.")] = False,
    version: Annotated[
        bool,
        Option("--version", help="The version, and nothing else.", callback=_version, is_eager=True),
    ] = False,
) -> None:
    given = Given(config, archive, device, tuple(volume or ()), tuple(layouts or ()))
    clock: Clock | None = context.obj
    context.obj = Session(given, Console(quiet=quiet or os.environ.get("HANDHOLD_QUIET", "") == "1"), clock)
    context.call_on_close(context.obj.close)


#: The files of the commands, in the order in which an owner meets them.
_ROOMS = (
    "setup",
    "survey",
    "layout",
    "snapshot",
    "look",
    "history",
    "changes",
    "restore",
    "undo",
    "carry",
    "verify",
    "mend",
    "thin",
    "mirror",
    "export",
    "adopt",
    "demo",
)
#: The file of each command that is not the only one in it; the others bear their command's name.
_ROOM_OF = {"list": "look", "show": "look"}
#: The options in front of everything that are followed by a value.
_WITH_VALUE = ("--config", "--archive", "--device", "--volume", "--layouts")


def _rooms(typed: Sequence[str]) -> Sequence[str]:
    """The files that are needed for a command: its own where that is sure, otherwise all.

    To read in the options of every command takes as long as to list a hundred nights.
    """
    words = iter(typed)
    for word in words:
        if word in _WITH_VALUE:
            next(words, None)
        elif not word.startswith("-"):
            room = _ROOM_OF.get(word, word)
            return (room,) if room in _ROOMS else _ROOMS
    return _ROOMS


def _app(rooms: Sequence[str]) -> App:
    app = App(
        "handhold", "Keeps the saves, states and settings of handheld game devices, and brings them back."
    )
    for room in rooms:
        import_module(f"handhold.cli.{room}").join(app)
    return app


def run(arguments: Sequence[str] | None = None, clock: Clock | None = None) -> int:
    """Runs one command and returns its exit status; ``clock`` is for the demo and the tests."""
    typed = list(sys.argv[1:] if arguments is None else arguments)
    console = Console()
    try:
        endings.check_locale()
        status = _status(typed, clock)
        sys.stdout.flush()
        return status
    except BrokenPipeError:
        _hush()  # whoever read the output has seen enough
        return Exit.DONE
    except (Exception, KeyboardInterrupt) as error:
        return endings.tell(console, error, typed)


def _status(typed: Sequence[str], clock: Clock | None) -> int:
    """Runs it, and gives its exit status."""
    app = _app(_rooms(typed))
    calls = line.plain(_options, app, typed)
    try:
        if calls is None:
            from handhold.cli import wholeline

            wholeline.run(_options, app, typed, clock)
        else:
            _call(calls, Context(clock))
    except Ended as ended:
        return ended.status
    return Exit.DONE


def _call(calls: Sequence[Call], context: Context) -> None:
    try:
        for function, values in calls:
            function(context, **values)
    except EOFError as error:  # this and the next as the library has it
        raise KeyboardInterrupt from error
    except BrokenPipeError:
        _hush()
        raise Ended(Exit.FAILED) from None
    finally:
        context.close()


def _hush() -> None:
    """Nobody reads the output any more: Python must not complain again when it closes it."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
