"""Whether the card of a volume seems to be out: then nothing is written into the folder where it would be.

A card that is out leaves the bare folder onto which it is mounted: empty, and of the file system around it. A
folder onto which something is mounted now is no such folder, however empty: that is a new card.
"""

from __future__ import annotations

import os
from collections.abc import Collection

from handhold.archive.archive import Archive
from handhold.archive.manifest import Manifest
from handhold.errors import OwnerError
from handhold.model import Device, Volume
from handhold.names import written


def cards_out(archive: Archive, device: Device, wanted: Collection[str]) -> dict[str, str]:
    """Those of the wanted volumes whose card seems to be out, each with why.

    What a volume should be is known from the device's last night on which a home lay on it.
    """
    out: dict[str, str] = {}
    doubtful = {v.name: v for v in device.volumes if v.name in wanted and not os.path.ismount(v.path)}
    for night in reversed(archive.nights()):
        if not doubtful:
            break
        if night.device != device.name:
            continue
        try:
            manifest = archive.read(night)
            held = held_volumes(archive, manifest)
        except OwnerError:
            continue  # a hurt night tells nothing; verify names it
        for name in held & doubtful.keys():
            volume = doubtful.pop(name)
            if why := why_out(volume, filesystem_of(manifest, name)):
                out[name] = (
                    f"{why} If it is another card on purpose, say so: --to {name}={written(volume.path)}"
                )
    return out


def why_out(volume: Volume, filesystem: str) -> str | None:
    """Why the card of a volume on which files are known seems to be out, None if it does not.

    ``filesystem`` is what the volume had when the files were there, "" where nobody knows.
    """
    if os.path.ismount(volume.path):
        return None
    if is_empty(volume.path):
        return f'the volume "{volume.name}" is empty ({written(volume.path)}); is the card in?'
    was, now = _family(filesystem), _family(volume.traits.filesystem)
    if was and now and was != now:
        return (
            f'the volume "{volume.name}" ({written(volume.path)}) was {filesystem} and is '
            f"{volume.traits.filesystem} now; is the card in?"
        )
    return None


def held_volumes(archive: Archive, manifest: Manifest) -> set[str]:
    """The volumes on which something lay. A home that is its volume's root is there even if nothing is."""
    held = {site.volume for site in manifest.sites if site.path}
    roots = {(s.emulator, s.home): s.volume for s in manifest.sites if not s.path and s.volume not in held}
    if roots:
        held |= {roots.get((e.emulator, e.home), "") for e in archive.entries(manifest)} - {""}
    return held


def filesystem_of(manifest: Manifest, volume: str) -> str:
    """The file system that a volume had then; "" if the manifest does not say."""
    return next((note.filesystem for note in manifest.volumes if note.name == volume), "")


def is_empty(path: str) -> bool:
    """Whether a folder holds nothing but what a file system puts there itself."""
    try:
        with os.scandir(path) as found:
            return all(item.name == "lost+found" for item in found)
    except OSError:
        return False  # it is told where it is read


def _family(filesystem: str) -> str:
    """One name for the drivers of one kind of file system; "" where it says nothing."""
    kind = filesystem.casefold()
    if "unknown" in kind or kind in ("fuse", "fuseblk"):
        return ""
    return next((family for family in ("exfat", "ntfs", "fat") if family in kind), kind)
