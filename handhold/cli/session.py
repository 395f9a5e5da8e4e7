"""What one call of the command line works with: options, environment and config, brought together once."""

from __future__ import annotations

import os
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

import msgspec

from handhold.cli.console import Console
from handhold.errors import NotNow, WrongInput
from handhold.model import Clock, Device, Part

if TYPE_CHECKING:
    from pathlib import Path

    from handhold.archive.archive import Archive
    from handhold.archive.storage import LocalStorage
    from handhold.config import Config
    from handhold.layouts.catalogue import Catalogue, Sound


class Given(msgspec.Struct, frozen=True):
    """The options in front of the command, as they were typed; None or empty where they were not."""

    config: str | None = None
    archive: str | None = None
    device: str | None = None
    volumes: tuple[str, ...] = ()
    layouts: tuple[str, ...] = ()

    @property
    def typed(self) -> list[str]:
        """The same as words of a command line."""
        named = {"--config": self.config, "--archive": self.archive, "--device": self.device}
        words = [word for name, value in named.items() if value is not None for word in (name, value)]
        words += [word for volume in self.volumes for word in ("--volume", volume)]
        return words + [word for folder in self.layouts for word in ("--layouts", folder)]


class Session:
    """Finds the config, the archive, the device and the layouts, each when it is first needed.

    An option wins over its ``HANDHOLD_…`` variable, which wins over the config file.
    """

    def __init__(self, given: Given, console: Console, clock: Clock | None = None) -> None:
        self.given = given
        self.console = console
        console.front = given.typed
        self.clock: Clock = clock or now
        self._config: Config | None = None
        self._archive: Archive | None = None
        self._storages: list[LocalStorage] = []

    @property
    def config_path(self) -> Path:
        """Where the config file is, or will be written."""
        from pathlib import Path  # not every command needs one

        if (named := self.config_named) is not None:
            return Path(named)
        from handhold.statefolder import config_folder

        return config_folder() / "config.yaml"

    @property
    def config_named(self) -> str | None:
        """The config file that an option or a variable names; None where it is the usual one.

        Raises ``WrongInput``.
        """
        typed = self.given.config
        named = typed if typed is not None else os.environ.get("HANDHOLD_CONFIG") or None
        if named is None:
            return None
        if not named:
            raise WrongInput("--config names no file.", "Say which one: handhold --config FILE …")
        from handhold.typed import checked_path

        return os.path.expanduser(checked_path("--config", named))

    @property
    def config(self) -> Config:
        """The config file's content; empty where there is no file, unless one was named."""
        if self._config is None:
            from handhold.config import Config, read_config

            path, there = self.config_path, self.has_config
            if not there and self.config_named is not None:
                raise WrongInput(
                    f"There is no config file {path}.",
                    "Correct --config or HANDHOLD_CONFIG; handhold setup makes one there.",
                )
            self._config = read_config(path) if there else Config()
        return self._config

    @property
    def has_config(self) -> bool:
        """Whether there is a config file. Raises ``WrongInput`` where that cannot be told."""
        path = self.config_path
        try:
            os.stat(path)
        except (FileNotFoundError, NotADirectoryError):
            return False
        except OSError as error:
            from handhold.documents.file import reason, shown

            raise WrongInput(
                f"The config file {shown(path)} cannot be looked at: {reason(error)}.",
                "Look at the folders above it, or name another: --config FILE",
            ) from error
        return True

    @property
    def archive_path(self) -> str:
        """Where the archive is."""
        path = self.given.archive or os.environ.get("HANDHOLD_ARCHIVE") or self.config.archive
        if not path:
            raise WrongInput(
                "No archive is named.",
                "Run handhold setup once, or say where it is: handhold --archive PATH …",
            )
        from handhold.typed import checked_path

        return os.path.abspath(os.path.expanduser(checked_path("--archive", path)))

    def archive(self) -> Archive:
        """The archive, opened; which of its snapshots are hurt is told."""
        archive = self.opened()
        archive.snapshots()
        self.tell_hurt()
        return archive

    def opened(self) -> Archive:
        """The archive, for a command that calls ``tell_hurt`` when it has read the snapshots itself."""
        from handhold.archive.archive import Archive
        from handhold.archive.storage import LocalStorage

        storage = LocalStorage(self.archive_path)
        self._storages.append(storage)
        archive = self._archive = Archive.open(storage)
        if self.has_config and self.device_typed in ("", self.config.device):
            archive.device, archive.origin = self.config.device, self.config.origin
        return archive

    def tell_hurt(self) -> None:
        """Tells which snapshots of the archive are hurt, as far as they were read."""
        for name in self._archive.unreadable if self._archive is not None else ():
            self.console.warn(f"{name} is hurt and was passed over; handhold verify says what it concerns.")

    def close(self) -> None:
        """When the command has ended: a card can be taken out, and a run that was cut off is told of."""
        while self._storages:
            self._storages.pop().close()
        left_by = self._archive.left_by if self._archive is not None else ""
        if not left_by:
            return
        self.console.tell(
            f"\nThe last run did not come to its end: {left_by}. The archive is whole all the same."
        )
        if f" on {os.uname().nodename}, " not in left_by:
            self.console.tell("Should that machine still be at work there, let only one write at a time.")

    @property
    def device_typed(self) -> str:
        """The device that an option or a variable names; "" where the config does."""
        return self.given.device or os.environ.get("HANDHOLD_DEVICE", "")

    @property
    def device_name(self) -> str:
        """The name of the device at hand."""
        name = self.device_typed or self.config.device
        if not name:
            raise WrongInput(
                "No device is named.",
                "Run handhold setup once, or give it a name: handhold --device NAME …",
            )
        from handhold.config import checked_device_name

        return checked_device_name(name)

    @property
    def volume_paths(self) -> dict[str, str]:
        """Name and path of each volume of the device at hand."""
        if typed := self._typed_volumes:
            from handhold.config import named_paths

            return named_paths("--volume", typed)
        other = self.config.device
        if self.given.device and other and self.given.device != other:
            raise WrongInput(
                f"The volumes in {self.config_path} are those of {other}, not of {self.given.device}.",
                "Name this device's own: --volume NAME=PATH",
            )
        if self.config.volumes:
            return dict(self.config.volumes)
        raise WrongInput(
            "No volume is named: handhold does not know where this device's storage is.",
            "Run handhold setup once, or name it: handhold --volume internal=PATH …",
        )

    def device(self, *, partial: bool = False) -> Device:
        """The device at hand, with its volumes looked at.

        A volume of the config that is not there is ``NotNow``; with ``partial`` it is a gap of the device,
        unless all are missing. One that was typed and is not there is ``WrongInput`` all the same.
        """
        from handhold.device.volumes import open_device

        device = open_device(self.device_name, self.volume_paths, partial=not self._typed_volumes)
        if device.missing and not partial:
            names = " and ".join(f'"{gap.volume}"' for gap in device.missing)
            raise NotNow(
                f"The volume {names} of {device.name} is not there.",
                "Put the card in and run this again; if it lies elsewhere now, correct it in the config.",
            )
        return device

    @property
    def _typed_volumes(self) -> Sequence[str]:
        return self.given.volumes or _split(os.environ.get("HANDHOLD_VOLUME", ""))

    @property
    def leave_out(self) -> tuple[str, ...]:
        """Places that are never surveyed or kept: the archive, where it lies on a volume of the device."""
        path = self.given.archive or os.environ.get("HANDHOLD_ARCHIVE") or self.config.archive
        return (self.archive_path,) if path else ()

    @property
    def layout_folders(self) -> tuple[Path, ...]:
        """The folders with the owner's layouts."""
        typed: Sequence[str] = self.given.layouts or _split(os.environ.get("HANDHOLD_LAYOUTS", ""))
        from pathlib import Path

        from handhold.typed import checked_path

        folders = [checked_path("--layouts", folder) for folder in typed or self.config.layouts]
        named = tuple(Path(os.path.expanduser(folder)) for folder in folders)
        for folder in named:
            if not folder.is_dir():
                raise WrongInput(
                    f"There is no layouts folder {folder}.", "Check --layouts or the config file."
                )
        return named or ((self.own_layouts,) if self.own_layouts.is_dir() else ())

    @property
    def own_layouts(self) -> Path:
        """The layouts folder beside the config file, used where no other is named."""
        return self.config_path.parent / "layouts"

    def sound_layouts(self) -> Sound:
        """The same as far as they are sound, and what is wrong with the others."""
        from handhold.layouts.catalogue import read_sound

        return read_sound(self.layout_folders)

    def catalogue(self, *, patterns: bool = False) -> Catalogue:
        """The owner's layouts, and the patterns: those that they build on, or all that there are."""
        from handhold.layouts.catalogue import read_catalogue

        return read_catalogue(self.layout_folders, patterns=patterns)

    def recognises(self, only_layouts: bool) -> bool:
        """Whether saves that no layout names are recognised: unless an option or the config turns it off."""
        return self.config.recognise and not only_layouts

    def last_night(self) -> datetime | None:
        """When the last snapshot of the device at hand was taken; None where the archive cannot tell."""
        from handhold.archive.archive import Archive
        from handhold.archive.storage import LocalStorage
        from handhold.errors import OwnerError

        try:
            nights = Archive.open(LocalStorage(self.archive_path)).nights()
        except OwnerError:
            return None  # no archive yet, or its card is out: nothing that concerns a look at the device
        return next((night.taken for night in reversed(nights) if night.device == self.device_name), None)

    def emulators_named(self, names: Sequence[str] | None) -> list[str]:
        """Emulators by id, of what an owner typed: an id, or the title in one of the layouts."""
        titles = (
            {layout.title.casefold(): layout.id for layout in self.catalogue().layouts.values()}
            if names
            else {}
        )
        return [titles.get(name.casefold(), name) for name in names or ()]

    def kept_parts(self, keep: Sequence[str] = (), leave: Sequence[str] = ()) -> frozenset[Part]:
        """The parts that a snapshot keeps: the defaults, then the config, then the command's options."""
        parts = {part for part in Part if part.kept}
        for part, kept in self.config.parts.items():
            (parts.add if kept else parts.discard)(part)
        for name in keep:
            parts.add(part_named(name))
        for name in leave:
            parts.discard(part_named(name))
        if Part.CACHE in parts:
            raise WrongInput("The part cache is never kept.", "An emulator rebuilds it by itself.")
        return frozenset(parts)


def part_named(name: str) -> Part:
    """The part of that name; ``UnknownName`` offers the nearest."""
    from handhold.errors import UnknownName

    try:
        return Part(name.casefold())
    except ValueError:
        raise UnknownName("part", name, [p.value for p in Part]) from None


def now() -> datetime:
    """The time of day with this machine's offset."""
    return datetime.now().astimezone()


def _split(variable: str) -> tuple[str, ...]:
    return tuple(piece for piece in variable.split(os.pathsep) if piece)
