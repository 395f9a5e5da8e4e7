"""What a device still has of files that an archive has lost: read and cut just as a snapshot would."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence

from handhold.archive.writer import Writer
from handhold.intake.intake import Intake
from handhold.intake.jobs import Job
from handhold.model import Device, Entry
from handhold.names import native, written

#: More candidates are not read: something is wrong then that no device can mend.
_MOST = 100_000


def regain(
    device: Device,
    writer: Writer,
    entries: Sequence[Entry],
    leave_out: Sequence[str] = (),
    progress: Callable[[int, int], None] | None = None,
) -> None:
    """Reads every file of the device that can be one of ``entries``, wherever it lies, into the writer.

    Those are files of the same size, for they may have been moved; and, for a file of several blocks, those
    of the same name, for most of it may be unchanged. The writer decides what it takes. A file that cannot be
    read is passed over: nothing is lost by it.
    """
    sizes: dict[int, bool] = {}
    names: dict[str, bool] = {}
    for entry in entries:
        opened = entry.members is not None
        sizes[entry.size] = sizes.get(entry.size, False) or opened
        if entry.recipe is not None:
            name = entry.path.rpartition("/")[2]
            names[name] = names.get(name, False) or opened
    with Intake(writer) as intake:
        jobs = (
            Job(place, size, None, opened)
            for place, size, opened in _candidates(device, sizes, names, leave_out)
        )
        for _ in intake.read(jobs, progress):
            pass


def _candidates(
    device: Device, sizes: dict[int, bool], names: dict[str, bool], leave_out: Sequence[str]
) -> Iterator[tuple[str, int, bool]]:
    """The files that are worth reading: place, size in bytes, whether to look into it as a zip."""
    found = 0
    for place, name, size in _files(device, leave_out):
        if size and (size in sizes or name in names):
            yield place, size, sizes.get(size, False) or names.get(name, False)
            found += 1
            if found >= _MOST:
                return


def _files(device: Device, leave_out: Sequence[str]) -> Iterator[tuple[str, str, int]]:
    """Every ordinary file of the device, once: place, name in written form, size. No link is followed."""
    avoided = {os.path.realpath(native(path) if "\\" in path else path) for path in leave_out}
    seen: set[str] = set()
    for volume in device.volumes:
        waiting = [os.path.abspath(volume.path)]
        while waiting:
            folder = waiting.pop()
            real = os.path.realpath(folder)
            if real in avoided or real in seen:
                continue
            seen.add(real)
            try:
                with os.scandir(folder) as items:
                    for item in items:
                        if item.is_dir(follow_symlinks=False):
                            waiting.append(item.path)
                        elif item.is_file(follow_symlinks=False):
                            yield item.path, written(item.name), item.stat(follow_symlinks=False).st_size
            except OSError:
                continue
