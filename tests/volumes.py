"""Real exFAT and FAT32 volumes for the tests: made in a file, mounted through FUSE, always taken away again.

Needs root, loop devices, FUSE and Debian's ``exfat-fuse``, ``exfatprogs``, ``fusefat`` and ``dosfstools``.
Where they are missing a test is skipped with the reason; in CI, where they are installed, it fails.

>>> with exfat_card("64M") as card:                                # doctest: +SKIP
...     pathlib.Path(card, "saves").mkdir()

Known about these drivers: exFAT refuses links and ``:``; both know no case and no names that are not UTF-8;
FAT here takes ASCII names only and does not say how much room it has.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

_EXFAT_TOOLS = ("losetup", "mkfs.exfat", "mount.exfat-fuse", "umount")
_FAT_TOOLS = ("mkfs.vfat", "fusefat", "fusermount")
# The tools of the administrator are not on everybody's path.
_PATH = os.pathsep.join([os.environ.get("PATH", os.defpath), "/usr/sbin", "/sbin"])


def need(tools: Sequence[str]) -> None:
    """Skips the test where these tools, root or FUSE are missing; in CI it fails instead."""
    missing = [tool for tool in tools if shutil.which(tool, path=_PATH) is None]
    missing += [path for path in ("/dev/fuse",) if not os.path.exists(path)]
    if "losetup" in tools and not os.path.exists("/dev/loop-control"):
        missing.append("/dev/loop-control")
    if os.geteuid() != 0:
        missing.append("root")
    if not missing:
        return
    reason = f"real volumes need {', '.join(missing)}"
    if os.environ.get("CI") == "true":
        pytest.fail(reason)
    pytest.skip(reason)


@contextmanager
def exfat_card(size: str = "64M") -> Iterator[str]:
    """A new exFAT volume; gives the folder where it is mounted. ``size`` as ``truncate`` writes it."""
    need(_EXFAT_TOOLS)
    with tempfile.TemporaryDirectory(prefix="exfat-") as work:
        image = os.path.join(work, "card.img")
        _run("truncate", "-s", size, image)
        _run("mkfs.exfat", image)
        with mounted_exfat(image) as folder:
            yield folder


@contextmanager
def fat_card(size: str = "64M") -> Iterator[str]:
    """A new FAT32 volume; gives the folder where it is mounted. ``size`` as ``truncate`` writes it."""
    need(_FAT_TOOLS)
    with tempfile.TemporaryDirectory(prefix="fat-") as work:
        image = os.path.join(work, "card.img")
        _run("truncate", "-s", size, image)
        _run("mkfs.vfat", "-F", "32", image)
        with mounted_fat(image) as folder:
            yield folder


@contextmanager
def mounted_exfat(image: str, zone: str = "UTC") -> Iterator[str]:
    """An exFAT image, mounted while the driver lives in this time zone."""
    need(_EXFAT_TOOLS)
    folder = f"{image}.mounted"
    os.makedirs(folder, exist_ok=True)
    device = _run("losetup", "-f", "--show", image).strip()
    try:
        _run("mount.exfat-fuse", device, folder, zone=zone)
        try:
            yield folder
        finally:
            _unmount(folder, "umount")
    finally:
        _run("losetup", "-d", device)


@contextmanager
def mounted_fat(image: str, zone: str = "UTC") -> Iterator[str]:
    """A FAT image, mounted while the driver lives in this time zone."""
    need(_FAT_TOOLS)
    folder = f"{image}.mounted"
    os.makedirs(folder, exist_ok=True)
    # In the foreground, so that the end of the driver can be awaited: only then is everything in the image.
    driver = subprocess.Popen(
        [_tool("fusefat"), "-f", "-o", "rw+", image, folder],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "TZ": zone},
    )
    try:
        for _ in range(200):
            if os.path.ismount(folder):
                break
            if driver.poll() is not None:
                raise RuntimeError(f"fusefat ended with {driver.returncode} before anything was mounted")
            time.sleep(0.02)
        yield folder
    finally:
        if os.path.ismount(folder):
            _unmount(folder, "fusermount", "-u")
        try:
            driver.wait(timeout=20)
        except subprocess.TimeoutExpired:
            driver.kill()
            driver.wait()


def pull_out(folder: str) -> None:
    """The card is pulled out: its driver dies, and every call fails from then on."""
    device = _device_of(folder)
    for process in filter(str.isdigit, os.listdir("/proc")):
        try:
            command = Path("/proc", process, "cmdline").read_bytes().split(b"\0")
        except OSError:
            continue
        if b"exfat" in command[0] and device.encode() in command and os.fsencode(folder) in command:
            os.kill(int(process), signal.SIGKILL)
            return
    raise RuntimeError(f"no driver of {folder} was found")


def put_in(folder: str) -> None:
    """The card that was pulled out is put in again."""
    device = _device_of(folder)
    _unmount(folder, "umount")
    _run("mount.exfat-fuse", device, folder)


def _device_of(folder: str) -> str:
    for line in Path("/proc/self/mountinfo").read_text().splitlines():
        mount, _, source = line.partition(" - ")
        if mount.split()[4] == folder:
            return source.split()[1]
    raise RuntimeError(f"nothing is mounted at {folder}")


def _unmount(folder: str, *command: str) -> None:
    for _ in range(25):
        done = subprocess.run([_tool(command[0]), *command[1:], folder], capture_output=True, check=False)
        if done.returncode == 0:
            return
        time.sleep(0.2)  # somebody still looks into it
    subprocess.run([_tool("umount"), "-l", folder], capture_output=True, check=False)
    raise RuntimeError(f"{folder} would not be unmounted: {done.stderr.decode(errors='replace')}")


def _run(*command: str, zone: str = "UTC") -> str:
    # A driver that stays behind keeps what it was started with: files, not pipes that would be waited for.
    with tempfile.TemporaryFile() as told:
        done = subprocess.run(
            [_tool(command[0]), *command[1:]],
            stdin=subprocess.DEVNULL,
            stdout=told,
            stderr=subprocess.STDOUT,
            env={**os.environ, "TZ": zone},
            check=False,
        )
        told.seek(0)
        text = told.read().decode(errors="replace")
    if done.returncode != 0:
        raise RuntimeError(f"{' '.join(command)} ended with {done.returncode}: {text}")
    return text


def _tool(name: str) -> str:
    found = shutil.which(name, path=_PATH)
    assert found is not None, name  # asked for by need()
    return found


@pytest.fixture
def exfat() -> Iterator[Path]:
    """The folder of a new exFAT volume of 64 MiB."""
    with exfat_card() as folder:
        yield Path(folder)


@pytest.fixture
def fat() -> Iterator[Path]:
    """The folder of a new FAT32 volume of 64 MiB."""
    with fat_card() as folder:
        yield Path(folder)
