"""Any command line, read by the library that knows all of them: help, mistakes, and all forms of options."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Sequence
from functools import wraps
from typing import Annotated, Any, get_args, get_origin, get_type_hints

import typer

from handhold.cli.line import App, Argument, Command, Context, Ended

#: What the library makes of Ctrl-C: 128 and the number of SIGINT, as shells have it.
_INTERRUPTED = 130


def run(front: Command, app: App, typed: Sequence[str], obj: object) -> None:
    """Reads the line and calls ``front`` and the command.

    ``obj`` is what the context has at first. Raises the library's own errors for a line that is wrong, and
    ``Ended`` where a command ended otherwise than at its end.
    """
    made = _made(app, context_settings={"help_option_names": ["-h", "--help"]})
    made.callback()(_translated(front))
    try:
        status = typer.main.get_group(made).main(
            args=list(typed), prog_name=app.name, standalone_mode=False, obj=obj
        )
    except typer.Abort as error:
        raise KeyboardInterrupt from error
    if status == _INTERRUPTED:
        raise KeyboardInterrupt
    raise Ended(status or 0)


def _made(app: App, **settings: Any) -> typer.Typer:
    made = typer.Typer(
        name=app.name,
        help=app.help,
        rich_markup_mode=None,
        add_completion=False,
        pretty_exceptions_enable=False,
        **settings,
    )
    for name, function in app.commands.items():
        made.command(name)(_translated(function))
    for group in app.groups.values():
        made.add_typer(_made(group, no_args_is_help=True))
    return made


def _translated(function: Command) -> Callable[..., None]:
    """The function with its parameters declared in the library's words."""

    @wraps(function)
    def called(*given: Any, **values: Any) -> None:
        function(*given, **values)

    hints = {name: _hint(kind) for name, kind in get_type_hints(function, include_extras=True).items()}
    signature = inspect.signature(function)
    parameters = [one.replace(annotation=hints[one.name]) for one in signature.parameters.values()]
    del called.__wrapped__
    called.__annotations__ = hints
    called.__signature__ = signature.replace(parameters=parameters)  # type: ignore[attr-defined]
    return called


def _hint(kind: Any) -> Any:
    if kind is Context:
        return typer.Context
    if get_origin(kind) is not Annotated:
        return kind
    plain, declared = get_args(kind)
    make = typer.Argument if isinstance(declared, Argument) else typer.Option
    return Annotated[plain, make(*declared.names, **declared.more)]
