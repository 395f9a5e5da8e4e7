"""A device as an archive's last night has it, for the commands that look at one."""

from __future__ import annotations

import os
from pathlib import Path
from typing import NamedTuple

from handhold.archive.archive import Archive
from handhold.model import NS

_LAYOUT = """\
layout: 1
id: {name}
title: {title}
homes:
  - {{name: main, kind: folder, at: ["card:{title}"]}}
keep:
  - {{part: saves, path: "saves/{{game}}.sav"}}
  - {{part: states, path: "states/{{game}}.st{{slot}}"}}
  - {{part: textures, path: "textures/**"}}
"""


class Handheld(NamedTuple):
    """Where it lies, and where its config does."""

    card: Path
    config: Path


def furnish(archive: Archive, device: str, folder: Path) -> Handheld:
    """Writes the files of the device's last night below ``folder``, with a config and layouts for them."""
    made = Handheld(folder / "card", folder / "config.yaml")
    layouts = folder / "layouts"
    if not made.config.exists():
        manifest = archive.read(archive.find(device))
        homes = {(site.emulator, site.home): site.path for site in manifest.sites}
        layouts.mkdir(parents=True)
        for site in manifest.sites:
            text = _LAYOUT.format(name=site.emulator, title=site.path)
            (layouts / f"{site.emulator}.yaml").write_text(text)
        for entry in archive.entries(manifest):
            file = made.card / homes[entry.emulator, entry.home] / entry.path
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(b"".join(archive.content(entry)))
            os.utime(file, ns=(entry.modified, entry.modified))
        made.config.write_text(
            f"config: 1\ndevice: {device}\narchive: {archive.storage.where}\nvolumes: {{card: {made.card}}}\n"
            f"layouts: [{layouts}]\n"
        )
    return made


def play(device: Handheld, evening: int, saves: int = 3) -> None:
    """An evening: some saves get new content."""
    for number, file in enumerate(sorted(device.card.glob("*/saves/*.sav"))[evening::97][:saves]):
        file.write_bytes(b"evening %d of save %d" % (evening, number) * 20)
        os.utime(file, ns=(1_772_000_000 * NS, 1_772_000_000 * NS))
