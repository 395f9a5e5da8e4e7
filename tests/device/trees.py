"""Small handhelds and layouts for the tests of this room. All names are invented."""

from __future__ import annotations

import os
import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from importlib import import_module
from pathlib import Path
from pkgutil import walk_packages

import handhold
from handhold.device.claims import Walk
from handhold.device.volumes import open_device
from handhold.device.walk import walk
from handhold.layouts.layout import Home, Layout, Place, Rule, place
from handhold.layouts.pattern import compile_pattern
from handhold.model import Gap, HomeKind, Part

NOBODY = 65534


def layout(
    name: str,
    homes: Mapping[str, str | tuple[str, ...]],
    *rules: str,
    kind: HomeKind = HomeKind.FOLDER,
    kinds: Mapping[str, HomeKind] | None = None,
) -> Layout:
    """A layout in a few words: homes with their places, rules as ``part: pattern`` or ``skip: pattern``."""
    made = tuple(
        Home(home, (kinds or {}).get(home, kind), _places((at,) if isinstance(at, str) else at))
        for home, at in homes.items()
    )
    return Layout(name, name.title(), (), made, tuple(map(_rule, rules)), (), (), {})


def _places(texts: tuple[str, ...]) -> tuple[Place, ...]:
    return tuple(map(place, texts))


def _rule(text: str) -> Rule:
    head, _, pattern = text.partition(": ")
    word, _, home = head.partition("@")
    return Rule(None if word == "skip" else Part(word), compile_pattern(pattern), home or None)


def fill(root: Path | str, *paths: str, content: bytes = b"data") -> None:
    """Makes files, with the folders above them; a path that ends in ``/`` is an empty folder."""
    for path in paths:
        full = os.path.join(root, path)
        os.makedirs(full if path.endswith("/") else os.path.dirname(full), exist_ok=True)
        if not path.endswith("/"):
            with open(full, "wb") as stream:
                stream.write(content)


def walked(volumes: Mapping[str, Path | str], *layouts: Layout, leave_out: tuple[str, ...] = ()) -> Walk:
    """A walk over these volumes of a device."""
    device = open_device("lamp", {name: str(path) for name, path in volumes.items()})
    return walk(device, layouts, leave_out)


def kept(found: Walk) -> dict[str, tuple[str, str]]:
    """Where each claimed file lies: ``emulator/home: path in the home`` and its part."""
    shown = {
        f"{c.site.volume}:{c.volume_path}": (f"{c.site.emulator}/{c.site.home}", str(c.part))
        for c in found.claims
    }
    assert len(shown) == len(found.claims)  # no file twice
    return shown


def told(found: Walk) -> list[tuple[str, str | None]]:
    """Where the gaps are, and of which emulator."""
    return [(f"{gap.volume}:{gap.path}", gap.emulator) for gap in found.gaps]


def gap_at(found: Walk, path: str) -> Gap:
    """The one gap at this path of its volume."""
    (gap,) = [gap for gap in found.gaps if gap.path == path]
    return gap


def as_nobody(check: Callable[[], None]) -> None:
    """Runs a check in a child without any rights; its failure is the test's."""
    _import_all()
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.close(reading)
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
            check()
            status = 0
        except BaseException:
            os.write(writing, traceback.format_exc().encode()[-60000:])
        finally:
            os._exit(status)
    os.close(writing)
    with open(reading, "rb") as stream:
        report = stream.read().decode(errors="replace")
    _, status = os.waitpid(child, 0)
    assert status == 0, report


@cache
def _import_all() -> None:
    """What would be imported later may lie where nobody else may read: a Python in root's own folder."""
    for module in walk_packages(handhold.__path__, "handhold."):
        import_module(module.name)
    for name in ("psutil", "rich.console", "rich.table", "rich.progress"):
        import_module(name)


@contextmanager
def open_to_all(root: Path) -> Iterator[Path]:
    """Lets every user pass down to a test's folder, which belongs to root alone.

    The folders above stay open until the tests begin anew: others beside this one need them as well.
    """
    for folder in root.parents:
        mode = folder.stat().st_mode & 0o7777
        if mode & 0o005 != 0o005:
            folder.chmod(mode | 0o005)
    mode = root.stat().st_mode & 0o7777
    root.chmod(mode | 0o005)
    try:
        yield root
    finally:
        root.chmod(mode)
