"""The config file: which device this is, where its storage and its archive are.

Written by ``handhold setup``, read by every command. YAML, so that an owner can change it by hand.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from handhold.errors import WrongInput
from handhold.model import Part

_DEVICE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_VOLUME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,19}")


@dataclass(frozen=True, slots=True)
class Config:
    """What the config file says; empty values where it says nothing."""

    device: str = ""
    archive: str = ""
    volumes: Mapping[str, str] = field(default_factory=dict)
    layouts: tuple[str, ...] = ()
    parts: Mapping[Part, bool] = field(default_factory=dict)


def checked_device_name(name: str) -> str:
    """The name, if a device can have it; it becomes part of file names on every kind of card."""
    if not _DEVICE.fullmatch(name):
        raise WrongInput(
            f'A device cannot be called "{name}".',
            "Use up to 40 letters A-Z, digits, - and _, beginning with a letter or digit.",
        )
    return name


def named_paths(option: str, typed: Sequence[str]) -> dict[str, str]:
    """The ``NAME=PATH`` values of an option: absolute paths by name. Raises ``WrongInput``."""
    found: dict[str, str] = {}
    for text in typed:
        name, equals, path = text.partition("=")
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


def write_config(path: Path, config: Config) -> None:
    """Writes the config file under a temporary name and renames it, so that it is never half a file."""
    import yaml

    body: dict[str, object] = {"config": 1, "device": config.device, "archive": config.archive}
    body["volumes"] = dict(config.volumes)
    if config.layouts:
        body["layouts"] = list(config.layouts)
    if config.parts:
        body["parts"] = {part.value: kept for part, kept in config.parts.items()}
    text = "# What handhold works with on this device. handhold setup writes it; it may be changed by hand.\n"
    text += yaml.safe_dump(body, sort_keys=False, allow_unicode=True, width=1000)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary = path.with_name(path.name + ".part")
        temporary.write_text(text, "utf-8")
        os.replace(temporary, path)
    except OSError as error:
        raise WrongInput(
            f"The config file {path} cannot be written: {error.strerror}.", "Name another: --config FILE"
        ) from error


def read_config(path: Path) -> Config:
    import yaml

    d = yaml.safe_load(path.read_text())
    return Config(d["device"], d["archive"], d["volumes"])
