"""The command ``handhold``: the options in front of everything, the commands, and how errors are told."""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import Annotated

import typer

from handhold import __version__
from handhold.cli.console import Console
from handhold.cli.session import Given, Session
from handhold.errors import Exit, OwnerError
from handhold.model import Clock

app = typer.Typer(
    name="handhold",
    help="Keeps the saves, states and settings of handheld game devices, and brings them back.",
    rich_markup_mode=None,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(asked: bool) -> None:
    if asked:
        print(f"handhold {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    context: typer.Context,
    config: Annotated[Path | None, typer.Option(metavar="FILE", help="The config file.")] = None,
    archive: Annotated[str | None, typer.Option(metavar="PATH", help="Where the archive is.")] = None,
    device: Annotated[str | None, typer.Option(metavar="NAME", help="The device at hand.")] = None,
    volume: Annotated[
        list[str] | None, typer.Option(metavar="NAME=PATH", help="A storage root of the device; repeat.")
    ] = None,
    layouts: Annotated[
        list[str] | None, typer.Option(metavar="DIR", help="A folder with your layouts; repeat.")
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Only results and trouble.")] = False,
    version: Annotated[
        bool,
        typer.Option("--version", help="The version, and nothing else.", callback=_version, is_eager=True),
    ] = False,
) -> None:
    given = Given(config, archive, device, tuple(volume or ()), tuple(layouts or ()))
    clock: Clock | None = context.obj
    context.obj = Session(given, Console(quiet=quiet or os.environ.get("HANDHOLD_QUIET", "") == "1"), clock)


# In the order in which an owner meets them.
for _room in ("setup", "survey", "layout", "snapshot", "look", "restore", "undo", "verify", "demo"):
    import_module(f"handhold.cli.{_room}").join(app)


def run(arguments: Sequence[str] | None = None, clock: Clock | None = None) -> int:
    """Runs one command and returns its exit status; ``clock`` is for the demo and the tests."""
    console = Console()
    try:
        command = typer.main.get_command(app)
        status = command.main(
            args=list(arguments) if arguments is not None else None,
            prog_name="handhold",
            standalone_mode=False,
            obj=clock,
        )
        sys.stdout.flush()
        return _stopped(console) if status == _INTERRUPTED else int(status or Exit.DONE)
    except typer.Exit as ended:
        return ended.exit_code
    except OwnerError as error:
        console.warn(str(error))
        return error.status
    except (KeyboardInterrupt, typer.Abort):
        return _stopped(console)
    except BrokenPipeError:
        # Whoever read the output has seen enough; Python must not complain again when it closes it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return Exit.DONE
    except MemoryError:
        console.warn("There is not enough memory for this.\nClose other programs and run it again.")
        return Exit.FAILED
    except OSError as error:
        console.warn(_os_error(error))
        return Exit.FAILED
    except Exception as error:
        if hasattr(error, "format_message") and hasattr(error, "exit_code"):  # the command line was wrong
            console.warn(f"{error.format_message()}\nhandhold --help shows what there is.")
            return Exit.WRONG_INPUT
        console.warn(_defect(error))
        return Exit.FAILED


#: What the command-line library makes of Ctrl-C: 128 and the number of SIGINT, as shells have it.
_INTERRUPTED = 130


def _stopped(console: Console) -> Exit:
    console.warn("\nStopped. What was already in the archive is as it was; run it again when you like.")
    return Exit.FAILED


def main() -> None:
    """The console script."""
    sys.exit(run())


def _os_error(error: OSError) -> str:
    where = f" ({error.filename})" if error.filename else ""
    what = f"The system refused: {error.strerror or error}{where}."
    return f"{what}\nNothing in the archive was lost; mend the cause and run it again."


def _defect(error: Exception) -> str:
    """Keeps the details of a defect out of the owner's sight, but where they can be sent from."""
    import platformdirs

    folder = Path(platformdirs.user_state_dir("handhold", appauthor=False))
    note = "It could not be written down."
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "defect.txt").write_text(
            "".join(traceback.format_exception(error)), "utf-8", errors="backslashreplace"
        )
        note = f"The details are in {folder / 'defect.txt'}."
    except OSError:
        pass
    return (
        f"handhold itself made a mistake: {type(error).__name__}. What was kept before is as it was.\n{note}"
    )
