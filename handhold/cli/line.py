"""The command line as the commands declare it, and the quick way to read a line that is plain.

The library that knows command lines takes longer to load than most commands take for their work. So options
are declared in words of this file, and a line that holds nothing but whole names of options, their values and
as many words as its command takes is read here. Any other, with a mistake in it or a question for help, is
left to that library (``wholeline``), which reads it all and says what there is to say.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from types import NoneType, UnionType
from typing import Annotated, Any, get_args, get_origin, get_type_hints

Command = Callable[..., None]
#: A function, and the values for its parameters but the context.
Call = tuple[Command, dict[str, Any]]


class Ended(Exception):
    """Raised by a command that is done, or cannot go on, with its exit status."""

    def __init__(self, status: int = 0) -> None:
        super().__init__(status)
        self.status = int(status)


class Context:
    """What goes from the options in front of everything to the command."""

    def __init__(self, obj: Any = None) -> None:
        self.obj = obj
        self._closing: list[Callable[[], None]] = []

    def call_on_close(self, close: Callable[[], None]) -> None:
        """Has this called when the command has ended, however it ended."""
        self._closing.append(close)

    def close(self) -> None:
        """Calls what is to be called then."""
        while self._closing:
            self._closing.pop()()


class Argument:
    """A word of the line that is no option; ``more`` are words of the library for ``wholeline``."""

    def __init__(self, *, metavar: str | None = None, help: str, **more: Any) -> None:
        self.names: tuple[str, ...] = ()
        self.more: Mapping[str, Any] = {"metavar": metavar, "help": help, **more}


class Option:
    """An option with a value, or without one where it is a truth.

    Without ``names`` it is called as its parameter. ``min`` and ``max`` are the bounds of a number.
    """

    def __init__(self, *names: str, metavar: str | None = None, help: str, **more: Any) -> None:
        self.names = names
        self.more: Mapping[str, Any] = {"metavar": metavar, "help": help, **more}


class App:
    """Commands by name, and groups of them."""

    def __init__(self, name: str = "", help: str = "") -> None:
        self.name = name
        self.help = help
        self.commands: dict[str, Command] = {}
        self.groups: dict[str, App] = {}

    def command(self, name: str | None = None) -> Callable[[Command], Command]:
        """Adds a function as a command, under its own name or the given one."""

        def add(function: Command) -> Command:
            self.commands[name or function.__name__.replace("_", "-")] = function
            return function

        return add

    def add(self, group: App) -> None:
        """Adds a group of commands."""
        self.groups[group.name] = group


class _NotPlain(Exception):
    """The line has something that only the library can judge."""


def plain(front: Command, app: App, typed: Sequence[str]) -> list[Call] | None:
    """What a plain line calls: ``front`` and the command, each with its values. None for any other line."""
    try:
        words = iter(typed)
        options, name = _read(front, words, in_front=True)
        group = app.groups.get(name)
        if group is not None:
            app, name = group, next(words, "")
        command = app.commands.get(name)
        if command is None:
            return None
        values, _ = _read(command, words, in_front=False)
    except _NotPlain:
        return None
    return [(front, options), (command, values)]


def _read(function: Command, words: Iterator[str], *, in_front: bool) -> tuple[dict[str, Any], str]:
    """The values for a function's parameters, and the word at which reading stopped, for options in front."""
    parameters = [
        _Parameter(name, kind) for name, kind in get_type_hints(function, include_extras=True).items()
    ]
    options = {name: one for one in parameters for name in one.names}
    values: dict[str, Any] = {}
    loose: list[str] = []
    for word in words:
        if not word.startswith("-"):
            if in_front:
                return values, word
            loose.append(word)
            continue
        name, equals, value = word.partition("=")
        option = options.get(name)
        if option is None:
            raise _NotPlain
        if option.kind is bool:
            if equals or "callback" in option.more:
                raise _NotPlain
            values[option.name] = True
            continue
        if not equals:
            value = next(words, "")
        option.put(values, value)
    if in_front:
        raise _NotPlain  # nothing but options
    _place(loose, [one for one in parameters if one.is_argument], values)
    defaults = function.__defaults__ or ()
    count = function.__code__.co_argcount
    needed = function.__code__.co_varnames[1 : count - len(defaults)]  # behind the context
    if any(name not in values for name in needed):
        raise _NotPlain
    return values, ""


def _place(words: Sequence[str], arguments: Sequence[_Parameter], values: dict[str, Any]) -> None:
    """Puts the words to the parameters that stand for them, in order; one alone can take many."""
    if len(arguments) == 1 and arguments[0].many:
        for word in words:
            arguments[0].put(values, word)
        return
    if len(words) > len(arguments) or any(one.many for one in arguments):
        raise _NotPlain
    for word, argument in zip(words, arguments, strict=False):
        argument.put(values, word)


class _Parameter:
    """A parameter of a command, with what its annotation declares."""

    def __init__(self, name: str, hint: Any) -> None:
        self.name = name
        self.kind: Any = None
        self.many = self.is_argument = False
        self.names: tuple[str, ...] = ()
        if get_origin(hint) is not Annotated:
            return  # the context, or what is returned
        hint, declared = get_args(hint)
        if get_origin(hint) is UnionType:
            (hint,) = (one for one in get_args(hint) if one is not NoneType)
        if get_origin(hint) is list:
            self.many = True
            (hint,) = get_args(hint)
        self.kind = hint
        self.more = declared.more
        self.is_argument = isinstance(declared, Argument)
        if not self.is_argument:
            self.names = declared.names or ("--" + name.replace("_", "-"),)

    def put(self, values: dict[str, Any], text: str) -> None:
        """Adds a value; raises ``_NotPlain`` unless it is sure to be taken as it is."""
        value: Any = text
        if (
            not text
            or text.startswith("-")
            or (self.name in values and not self.many)
            or "callback" in self.more
        ):
            raise _NotPlain
        if self.kind is int:
            value = self._number(text)
        elif issubclass(self.kind, os.PathLike):
            value = self.kind(text)
            if self.more.get("readable", True) and os.path.exists(text) and not os.access(text, os.R_OK):
                raise _NotPlain
        elif self.kind is not str:
            raise _NotPlain
        if self.many:
            values.setdefault(self.name, []).append(value)
        else:
            values[self.name] = value

    def _number(self, text: str) -> int:
        if not (text.isascii() and text.isdecimal()) or len(text) > 9:
            raise _NotPlain
        number = int(text)
        if not self.more.get("min", number) <= number <= self.more.get("max", number):
            raise _NotPlain
        return number
