"""The config file: which device this is, where its storage and its archive are.

Written by ``handhold setup``, read by every command. YAML, so that an owner can change it by hand.
"""

from __future__ import annotations

import os
import re
import shlex
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

import msgspec

from handhold.documents.document import Node, Scalar, Table, read_document
from handhold.documents.file import read_file, shown
from handhold.documents.mistakes import Mistake, Mistakes, Wrong
from handhold.documents.reader import Reader, described
from handhold.errors import WrongInput
from handhold.model import Part
from handhold.typed import checked_path

_DEVICE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_ORIGIN = re.compile(r"[0-9a-f]{16}")
_VOLUME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,19}")


class Config(msgspec.Struct, frozen=True):
    """What the config file says; empty values where it says nothing."""

    device: str = ""
    archive: str = ""
    volumes: Mapping[str, str] = {}
    layouts: tuple[str, ...] = ()
    parts: Mapping[Part, bool] = {}
    recognise: bool = True  # whether saves that no layout names are recognised and kept
    newest: int = 0  # exports of everything that are kept of each emulator; 0: all
    origin: str = ""  # what tells this handheld from another one of its name (``archive.origins``)
    on_trouble: str = ""  # the owner's command for a night that had trouble


def checked_device_name(name: str) -> str:
    """The name, if a device can have it; it becomes part of file names on every kind of card."""
    if not _DEVICE.fullmatch(name):
        raise WrongInput(
            f'A device cannot be called "{name}".',
            "Use up to 40 letters A-Z, digits, - and _, beginning with a letter or digit.",
        )
    return name


def new_origin() -> str:
    """Drawn at random; it begins with a letter, so that no YAML takes it for a number."""
    import secrets

    return secrets.choice("abcdef") + secrets.token_hex(8)[1:]


def named_paths(option: str, typed: Sequence[str]) -> dict[str, str]:
    """The ``NAME=PATH`` values of an option: absolute paths by name. Raises ``WrongInput``."""
    found: dict[str, str] = {}
    for text in typed:
        name, equals, path = checked_path(option, text).partition("=")
        if not equals or not path:
            raise WrongInput(
                f'{option} "{text}" is not NAME=PATH.', f"For example: {option} card=/media/card"
            )
        if not _VOLUME.fullmatch(name):
            raise WrongInput(
                f'{option} "{text}": a volume cannot be called "{name}".',
                "Use up to 20 letters A-Z, digits, - and _.",
            )
        if name in found:
            raise WrongInput(f"{option} names {name} twice.", "Give each volume a name of its own.")
        found[name] = os.path.abspath(os.path.expanduser(path))
    return found


def config_text(config: Config) -> str:
    """The config file's text. Raises ``WrongInput`` for a config that would not be read back as it is."""
    import yaml

    body: dict[str, object] = {"config": 1, "device": config.device, "archive": config.archive}
    body["volumes"] = dict(config.volumes)
    if config.layouts:
        body["layouts"] = list(config.layouts)
    if config.parts:
        body["parts"] = {part.value: kept for part, kept in config.parts.items()}
    if not config.recognise:
        body["recognise"] = False
    if config.newest:
        body["newest"] = config.newest
    if config.origin:
        body["origin"] = config.origin
    if config.on_trouble:
        body["on_trouble"] = config.on_trouble
    text = "# What handhold works with on this device. handhold setup writes it; it may be changed by hand.\n"
    text += yaml.safe_dump(body, sort_keys=False, allow_unicode=True, width=1000)
    mistakes: list[Mistake] = []
    try:
        node = read_document(text.encode("utf-8"), "config", mistakes, "config")
        if node is not None and _Reader("config", mistakes).config(node) == config and not mistakes:
            return text
    except UnicodeEncodeError:
        pass
    raise WrongInput(
        "A config with these names and paths could not be read again, so it is not written"
        + (f" ({mistakes[0].what})." if mistakes else "."),
        "Give the folders other names, or mount the volumes elsewhere.",
    )


def write_config(path: Path, config: Config) -> None:
    """Writes the config file under a temporary name and renames it, so that it is never half a file.

    Where the path is a link, what it leads to is written, and the link stays. Raises ``WrongInput`` if it
    cannot be written, or would not be read back as it is.
    """
    text = config_text(config)
    real = os.path.realpath(path)
    temporary = f"{real}.part"
    try:
        os.makedirs(os.path.dirname(real), exist_ok=True)
        with open(temporary, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, real)
    except OSError as error:
        with suppress(OSError):
            os.unlink(temporary)
        raise WrongInput(
            f"The config file {path} cannot be written: {error.strerror}.", "Name another: --config FILE"
        ) from error


def read_config(path: Path) -> Config:
    """The config file. Raises ``Mistakes`` with every mistake in it, each with its line and column."""
    mistakes: list[Mistake] = []
    data = read_file(path, mistakes, "config")
    config = Config()
    if data is not None:
        name = shown(path)
        node = read_document(data, name, mistakes, "config")
        if node is not None:
            config = _Reader(name, mistakes).config(node)
        elif not mistakes:
            mistakes.append(Mistake(name, 1, 1, "an empty file", 'a config, beginning with "config: 1"'))
    if mistakes:
        raise Mistakes(mistakes, "config")
    return config


_KEYS = (
    "config",
    "device",
    "archive",
    "volumes",
    "layouts",
    "parts",
    "recognise",
    "newest",
    "origin",
    "on_trouble",
)
_MOST = 64
MOST_NEWEST = 1000


class _Reader(Reader):
    """Takes the config out of a document."""

    def config(self, node: Node) -> Config:
        rows = self.table(node, _KEYS, ("config",), "a config") or {}
        form = rows.get("config")
        if form is not None and not (isinstance(form, Scalar) and (form.kind, form.text) == ("number", "1")):
            self.wrong(
                form, f'{described(form)} for "config"', "the number 1, the only form that is known here"
            )
        return Config(
            device=(self.value(rows["device"], _device) or "") if "device" in rows else "",
            archive=(self.value(rows["archive"], _path) or "") if "archive" in rows else "",
            volumes=self.volumes(rows["volumes"]) if "volumes" in rows else {},
            layouts=tuple(
                folder
                for item in self.items(rows.get("layouts"), _MOST, "folders")
                if (folder := self.value(item, _path))
            ),
            parts=self.parts(rows["parts"]) if "parts" in rows else {},
            recognise=self.truth(rows["recognise"]) is not False if "recognise" in rows else True,
            newest=self.newest(rows["newest"]) if "newest" in rows else 0,
            origin=(self.value(rows["origin"], _origin) or "") if "origin" in rows else "",
            on_trouble=(self.value(rows["on_trouble"], _command) or "") if "on_trouble" in rows else "",
        )

    def newest(self, node: Node) -> int:
        if isinstance(node, Scalar) and node.kind == "number" and node.text.isdecimal():
            number = int(node.text[:9])
            if 0 < number <= MOST_NEWEST:
                return number
        self.wrong(node, f'{described(node)} for "newest"', f"a number of exports from 1 to {MOST_NEWEST}")
        return 0

    def volumes(self, node: Node) -> dict[str, str]:
        if not isinstance(node, Table):
            self.wrong(
                node, f"{described(node)} for volumes", 'a table of names and folders, "card: /media/card"'
            )
            return {}
        found = {}
        for key, value in node.rows:
            if not _VOLUME.fullmatch(key.text):
                self.wrong(
                    key, f"{described(key)} as a volume's name", "up to 20 letters A-Z, digits, - and _"
                )
            if path := self.value(value, _path):
                found[key.text] = path
        return found

    def parts(self, node: Node) -> dict[Part, bool]:
        rows = self.table(node, tuple(Part), (), "parts") or {}
        truths = {Part(name): self.truth(value) for name, value in rows.items()}
        if truths.get(Part.CACHE):
            self.wrong(rows["cache"], "cache: true", "false; what an emulator rebuilds is never kept")
        return {part: kept for part, kept in truths.items() if kept is not None}


def _device(text: str) -> str:
    if not _DEVICE.fullmatch(text):
        raise Wrong(f'a device called "{text[:60]}"', "up to 40 letters A-Z, digits, - and _")
    return text


def _origin(text: str) -> str:
    if not _ORIGIN.fullmatch(text):
        raise Wrong(f'the origin "{text[:60]}"', "16 hexadecimal digits, as setup writes them")
    return text


def _command(text: str) -> str:
    try:
        words = shlex.split(text)
    except ValueError:
        words = []
    if not words or not text.isprintable():
        raise Wrong(f'the command "{text[:60]}"', "a command on one line, with its quotes closed")
    return text


def _path(text: str) -> str:
    path = os.path.expanduser(text)
    if not os.path.isabs(path) or "\0" in path or not _is_text(path):
        raise Wrong(f'the path "{text[:60]}"', "a whole path, beginning with /")
    return os.path.normpath(path)


def _is_text(path: str) -> bool:
    try:
        path.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True
