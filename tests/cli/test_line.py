"""The quick way to read a plain command line gives what the library gives, and leaves all others to it."""

from __future__ import annotations

from collections.abc import Iterator
from functools import wraps
from pathlib import Path
from typing import Any, get_args, get_type_hints

import pytest

from handhold.cli import line, main, wholeline
from handhold.cli.line import App, Argument, Command

Heard = list[tuple[str, dict[str, Any]]]
APP = main._app(main._ROOMS)


def _commands(app: App = APP) -> Iterator[tuple[list[str], Command]]:
    for name, function in app.commands.items():
        yield [name], function
    for group in app.groups.values():
        for names, function in _commands(group):
            yield [group.name, *names], function


def _told(function: Command, values: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    """What was called; what was not typed is left out, and so is a list of nothing."""
    code, defaults = function.__code__, function.__defaults__ or ()
    names = code.co_varnames[code.co_argcount - len(defaults) : code.co_argcount]
    untyped = dict(zip(names, defaults, strict=True))
    values = {name: value for name, value in values.items() if name not in ("context", "version")}
    return function.__name__, {n: v for n, v in values.items() if v != untyped.get(n, ...) and v != []}


def _by_library(typed: list[str]) -> Heard:
    heard: Heard = []

    def recorded(function: Command) -> Command:
        @wraps(function)
        def called(*_: object, **values: Any) -> None:
            heard.append(_told(function, values))

        return called

    def copy(app: App) -> App:
        made = App(app.name, app.help)
        made.commands = {name: recorded(one) for name, one in app.commands.items()}
        made.groups = {name: copy(one) for name, one in app.groups.items()}
        return made

    with pytest.raises(line.Ended) as ended:
        wholeline.run(recorded(main._options), copy(APP), typed, None)
    assert ended.value.status == 0
    return heard


def _quickly(typed: list[str]) -> Heard | None:
    calls = line.plain(main._options, APP, typed)
    return None if calls is None else [_told(function, values) for function, values in calls]


def _options(function: Command) -> Iterator[tuple[str, bool, Any]]:
    """The options of a command as typed, whether each has a value, and of which kind; arguments are ""."""
    for name, hint in get_type_hints(function, include_extras=True).items():
        if name in ("context", "return"):
            continue
        kind, declared = get_args(hint)
        if isinstance(declared, Argument):
            yield "", True, kind
        else:
            yield (*declared.names, f"--{name}")[0].replace("_", "-"), kind is not bool, kind


def _lines() -> Iterator[list[str]]:
    """For each command: its words alone, each option with them, and all together, in three orders."""
    front = [
        "--archive",
        "a b",
        "--device=Lamp",
        "--volume",
        "x=y=z",
        "--volume=z",
        "--quiet",
        "--config",
        "c",
    ]
    for names, function in _commands():
        words, options = [], []
        for option, valued, kind in _options(function):
            value = "7" if "int" in str(kind) else "One {}"
            if not option:
                words.append(value)
            elif not valued:
                options.append([option])
            else:
                options.append([option, value])
                options.append([f"{option}={value}"])
        yield [*names, *words]
        for one in options:
            yield [*front, *names, *words, *one]
            yield [*names, *one, *words]
        once = [word for one in options if len(one) == 2 or "=" not in one[0] for word in one]
        yield [*front, *names, *once, *words]
        yield [*names, *words[:1], *once, *words[1:]]


@pytest.mark.parametrize("typed", list(_lines()), ids=" ".join)
def test_a_plain_line_is_read_as_the_library_reads_it(typed: list[str]) -> None:
    assert _quickly(typed) == _by_library(typed)


@pytest.mark.parametrize(
    "typed",
    [
        "",
        "--help",
        "--version list",
        "list --help",
        "list -h",
        "list --json=1",
        "list --al",
        "list --all --",
        "list extra",
        "lsit",
        "layout",
        "layout lsit",
        "snapshot --level 0",
        "snapshot --level 20",
        "snapshot --level x",
        "snapshot --level",
        "snapshot --note -x",
        "snapshot --note a --note b",
        "snapshot --archive x",
        "--archive",
        "--archive a --archive b list",
        "restore",
        "changes a b c",
        "thin --nights 99999999999999999999",
        "export latest -",
        "adopt",
    ],
)
def test_any_other_line_is_left_to_the_library(typed: str) -> None:
    assert _quickly(typed.split()) is None


def test_a_value_of_nothing_is_left_to_the_library() -> None:
    assert _quickly(["snapshot", "--note", ""]) is None
    assert _quickly(["history", ""]) is None


def test_a_file_that_must_be_readable_is_looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The library refuses one that is there and cannot be read, and takes one that is not there."""
    file = tmp_path / "tinplate.yaml"
    assert _quickly(["layout", "check", str(file)]) is not None
    file.write_text("")
    assert _quickly(["layout", "check", str(file)]) is not None
    monkeypatch.setattr("os.access", lambda path, mode: False)
    assert _quickly(["layout", "check", str(file)]) is None


def test_what_is_to_be_called_at_the_end_is_called_once() -> None:
    context = line.Context()
    called: list[int] = []
    context.call_on_close(lambda: called.append(1))
    context.close()
    context.close()
    assert called == [1]
