"""The command ``handhold``: the options in front of everything, the commands, and how errors are told."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import Annotated

import typer

from handhold import __version__
from handhold.cli import endings
from handhold.cli.console import Console
from handhold.cli.session import Given, Session
from handhold.errors import Exit
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
for _room in (
    "setup",
    "survey",
    "layout",
    "snapshot",
    "look",
    "restore",
    "undo",
    "carry",
    "verify",
    "export",
    "adopt",
    "demo",
):
    import_module(f"handhold.cli.{_room}").join(app)


def run(arguments: Sequence[str] | None = None, clock: Clock | None = None) -> int:
    """Runs one command and returns its exit status; ``clock`` is for the demo and the tests."""
    typed = list(sys.argv[1:] if arguments is None else arguments)
    console = Console()
    try:
        endings.check_locale()
        command = typer.main.get_command(app)
        status = command.main(args=typed, prog_name="handhold", standalone_mode=False, obj=clock)
        sys.stdout.flush()
    except typer.Exit as ended:
        return ended.exit_code
    except BrokenPipeError:
        # Whoever read the output has seen enough; Python must not complain again when it closes it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return Exit.DONE
    except (Exception, KeyboardInterrupt) as error:
        return endings.tell(console, error, typed)
    if status == endings.INTERRUPTED:
        return endings.tell(console, KeyboardInterrupt(), typed)
    return int(status or Exit.DONE)


def main() -> None:
    """The console script."""
    sys.exit(run())
