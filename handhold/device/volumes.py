"""The storage roots of a device: which there are, what they can hold, how well they tell time."""

from __future__ import annotations

import os
import re
import stat
import sys
from collections.abc import Mapping
from typing import NamedTuple

from msgspec.structs import replace

from handhold.device.listing import below, canonical
from handhold.device.trouble import why_unreadable
from handhold.errors import NotNow, WrongInput
from handhold.model import Device, Gap, Traits, Volume
from handhold.names import written

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_CONTROLS = "".join(map(chr, range(1, 32)))
# The same set in both specifications; "/" and NUL no file system allows.
# Source: Microsoft, FAT: General Overview of On-Disk Format, version 1.03, long directory entries
# Source: Microsoft, exFAT file system specification, section 7.7.3 (invalid FileName characters)
_REFUSED = '"*:<>?\\|' + _CONTROLS

# The kernel stamps files by its clock tick; there are at least 100 in a second (common practice, no source).
_TICK_NS = 10_000_000
_SECOND_NS = 1_000_000_000

_PLAIN = Traits("", step_ns=_TICK_NS)
# Steps of 2 seconds, local time, sizes of 32 bits.
# Source: Microsoft, FAT: General Overview of On-Disk Format, version 1.03
_FAT = Traits(
    "",
    step_ns=2 * _SECOND_NS,
    local_time=True,
    folds_case=True,
    refused=_REFUSED,
    largest_file=(1 << 32) - 1,
    cluster=32768,
)
# Times in 10 ms with an offset from UTC; sizes of 64 bits.
# Source: Microsoft, exFAT file system specification, sections 7.4.9 and 7.4.10 (numbers from memory)
_EXFAT = Traits("", step_ns=10_000_000, folds_case=True, refused=_REFUSED, cluster=131072)
# The FUSE driver cuts times to whole seconds (seen on a real volume, in the tests).
_EXFAT_FUSE = replace(_EXFAT, step_ns=_SECOND_NS)
_NTFS = Traits("", step_ns=_TICK_NS, folds_case=True, refused=_REFUSED)
#: For a file system that is not known: the least that any card can do, but no limit to the size of a file,
#: because a write that fails is told and harms nothing.
_CAREFUL = replace(_FAT, largest_file=None, cluster=4096)
# The platform's emulated storage: a layer over a file system with precise times (from memory, no source).
_EMULATED = replace(_CAREFUL, step_ns=_TICK_NS, local_time=False)

_PLAIN_TYPES = frozenset(
    {"ext4", "btrfs", "xfs", "f2fs", "zfs", "jfs", "nilfs2", "bcachefs", "ubifs", "tmpfs", "ramfs"}
    | {"overlay", "fuse.overlayfs", "nfs", "nfs4", "9p", "virtiofs"}
)
_WHOLE_SECOND_TYPES = frozenset({"ext2", "ext3", "hfsplus"})
_FAT_TYPES = frozenset({"vfat", "fat", "msdos", "fuse.fusefat", "fuse.vfat", "fuse.msdos"})
#: What an owner would keep data on; besides these every kind of FAT and NTFS.
_REAL_TYPES = (_PLAIN_TYPES | _WHOLE_SECOND_TYPES | {"fuse", "fuseblk", "cifs", "smb3"}) - {
    "tmpfs",
    "ramfs",
    "overlay",
    "fuse.overlayfs",
}
_PLACES_OF_THE_SYSTEM = ("/boot", "/proc", "/sys", "/dev", "/run/user", "/run/lock", "/etc")


#: The kernel's table of what this process sees mounted.
_MOUNT_TABLE = "/proc/self/mounts"
_OCTAL = re.compile(rb"\\([0-3][0-7][0-7])")


class Mounted(NamedTuple):
    """A volume that ``setup`` can propose; total and free in bytes, 0 where the file system does not say."""

    path: str
    filesystem: str
    total: int
    free: int


class _Mount(NamedTuple):
    source: str
    path: str
    kind: str
    options: frozenset[str]


#: What to do about a volume that is not there.
PUT_IN = "Put the card in, then run this again. If it is gone for good, take it out of the config."


def open_device(name: str, volumes: Mapping[str, str], *, partial: bool = False) -> Device:
    """The device of that name with these volumes, each given by its name and its folder.

    Raises ``WrongInput`` that names every volume whose folder is not there or cannot be a volume, and
    ``NotNow`` where the folder is there and its storage does not answer. With ``partial`` volumes that are
    not there, or do not answer, become gaps in ``missing``, and only if all are it is ``NotNow``.
    """
    if not _NAME.fullmatch(name):
        raise WrongInput(
            f'"{written(name)}" cannot be the name of a device.',
            'Use up to 40 letters, digits, "-" and "_", beginning with a letter or digit.',
        )
    if not volumes:
        raise WrongInput(
            f'The device "{name}" has no volume.', "Name one with --volume NAME=PATH, such as card=/mnt/card."
        )
    wrong: list[str] = []
    gone: list[str] = []
    missing: list[Gap] = []
    opened: dict[str, Volume] = {}
    for label, given in volumes.items():
        if not _NAME.fullmatch(label):
            wrong.append(f'"{written(label)}" cannot be the name of a volume.')
            continue
        path = os.path.abspath(given) if given else ""
        shown = f'The volume "{label}"'
        try:
            if not path:
                wrong.append(f"{shown} has no folder.")
                continue
            if not stat.S_ISDIR(os.stat(path).st_mode):
                wrong.append(f"{shown} is no folder: {written(path)}.")
                continue
            with os.scandir(path):
                pass
        except (FileNotFoundError, NotADirectoryError, ValueError):
            if partial:
                missing.append(Gap(label, "", f"its folder {written(path)} is not there", None, PUT_IN))
                continue
            wrong.append(f"{shown} is not there: {written(path)} does not exist.")
            continue
        except OSError as error:
            if partial:
                missing.append(Gap(label, "", f"it cannot be read: {why_unreadable(error)}", None, PUT_IN))
                continue
            gone.append(f"{shown} cannot be read: {written(path)}: {why_unreadable(error)}.")
            continue
        real = canonical(path)
        if real in opened:
            wrong.append(
                f'The volumes "{opened[real].name}" and "{label}" are the same folder: {written(path)}.'
            )
            continue
        opened[real] = Volume(label, path, traits_of(path))
    if wrong:
        raise WrongInput(
            " ".join(wrong + gone),
            "Is the card in? If so, correct the volume: --volume NAME=PATH, or in the config.",
        )
    if gone:
        raise NotNow(" ".join(gone), "Put the card in or allow reading it, then run this again.")
    if not opened:
        what = "; ".join(f"{gap.volume}: {gap.why}" for gap in missing)
        raise NotNow(f"None of the volumes of {name} is there ({what}).", PUT_IN)
    return Device(name, tuple(opened.values()), tuple(missing))


def traits_of(path: str) -> Traits:
    """What the file system at ``path`` can hold, by the longest mount point above it.

    A file system that is not known gets the careful answer: that of FAT.
    """
    real = os.path.realpath(path)
    best: _Mount | None = None
    for mount in _mounts():
        if below(mount.path, real) is not None and (best is None or len(mount.path) >= len(best.path)):
            best = mount  # of two at one place the later lies on top
    kind = best.kind.lower() if best else "unknown"
    if kind == "fuseblk" and best:
        kind = f"fuse.{_inside(best.source)}"
    traits = _traits(kind, real)
    cluster = _cluster(real)
    return replace(traits, cluster=cluster) if cluster else traits


def _traits(family: str, path: str) -> Traits:
    """The traits of a file system type as the kernel names it, in lower case."""
    if family in _PLAIN_TYPES:
        found = _PLAIN
    elif family in _WHOLE_SECOND_TYPES:
        found = replace(_PLAIN, step_ns=_SECOND_NS)
    elif "exfat" in family:
        found = _EXFAT_FUSE if family.startswith("fuse") else _EXFAT
    elif "ntfs" in family:
        found = _NTFS
    elif family in _FAT_TYPES:
        found = _FAT
    elif family == "fuse" and below("/storage/emulated", path) is not None:
        found = _EMULATED
    else:
        found = _CAREFUL
    return replace(found, filesystem=family)


def free_room(path: str) -> int:
    """Bytes that can still be written at ``path``; ``sys.maxsize`` where the file system does not say."""
    told = os.statvfs(path)
    return told.f_bavail * told.f_frsize if told.f_blocks else sys.maxsize


def same_medium(place: str, volumes: Mapping[str, str]) -> list[str]:
    """The volumes, of these by name and path, on the file system that holds ``place``; by device number.

    What is not there lies nowhere.
    """
    try:
        there = os.stat(place).st_dev
    except OSError:
        return []
    found = []
    for name, path in volumes.items():
        try:
            if os.stat(path).st_dev == there:
                found.append(name)
        except OSError:
            continue
    return found


def mounted() -> list[Mounted]:
    """The real, writable volumes that are mounted now, by path."""
    found: dict[str, Mounted] = {}
    for mount in _mounts():
        kind = mount.kind.lower()
        real = kind in _REAL_TYPES or "fat" in kind or "ntfs" in kind
        system = any(below(place, mount.path) is not None for place in _PLACES_OF_THE_SYSTEM)
        if not real or system or "rw" not in mount.options:
            found.pop(mount.path, None)  # what is mounted on top hides what was there
            continue
        try:
            told = os.statvfs(mount.path)
            if not os.path.isdir(mount.path):
                continue
        except OSError:
            continue  # mounted, but not for us
        if kind == "fuseblk":
            kind = f"fuse.{_inside(mount.source)}"
        found[mount.path] = Mounted(
            mount.path,
            kind,
            told.f_blocks * told.f_frsize,
            told.f_bavail * told.f_frsize if told.f_blocks else 0,
        )
    return sorted(found.values())


def _mounts() -> list[_Mount]:
    """What is mounted, in the order in which it was; nothing where the system does not tell."""
    try:
        with open(_MOUNT_TABLE, "rb") as file:
            return [_mount(line) for line in file.read().splitlines()]
    except (OSError, ValueError):
        pass  # no such table, or one in other words
    import psutil  # reads it on every system; loading it takes as long as a look at a thousand files

    try:
        parts = psutil.disk_partitions(all=True)
    except OSError:  # some devices keep the list of mounts to themselves
        return []
    return [_Mount(p.device, p.mountpoint, p.fstype, frozenset(p.opts.split(","))) for p in parts]


def _mount(line: bytes) -> _Mount:
    """A line of the kernel's table. Raises ``ValueError``.

    A space, tab, line feed or backslash in a field stands as a backslash and three octal digits.
    Source: proc_pid_mounts(5) and getmntent(3) of the Linux manual pages
    """
    fields = [
        os.fsdecode(_OCTAL.sub(lambda code: bytes((int(code[1], 8),)), field)) for field in line.split(b" ")
    ]
    source, path, kind, options, *_ = fields
    return _Mount(source, path, kind, frozenset(options.split(",")))


def _inside(source: str) -> str:
    """Which file system a block device holds, for mounts that only say that there is one."""
    # Source: Microsoft, exFAT file system specification, section 3.1.2 (FileSystemName field)
    names = {b"EXFAT   ": "exfat", b"NTFS    ": "ntfs"}
    try:
        with open(source, "rb", buffering=0) as stream:
            start = stream.read(512)
        return names.get(start[3:11], "unknown")
    except (OSError, ValueError):
        pass  # only root may look at the device itself
    try:
        number = os.stat(source).st_rdev
        with open(f"/run/udev/data/b{os.major(number)}:{os.minor(number)}", encoding="utf-8") as notes:
            for line in notes:
                if line.startswith("E:ID_FS_TYPE="):
                    return line.partition("=")[2].strip().lower()
    except (OSError, ValueError):
        pass  # not every system keeps such notes
    return "unknown"


def _cluster(path: str) -> int | None:
    try:
        size = os.statvfs(path).f_frsize
    except OSError:
        return None
    return size if 512 <= size <= 32 << 20 else None
