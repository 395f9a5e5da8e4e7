"""The time of a file as the operating system tells it, in the bounds of what an archive can hold."""

from __future__ import annotations

import os

#: The farthest times that an entry can hold: the years 1677 and 2262 (64 bits of nanoseconds).
FARTHEST = (1 << 63) - 1
#: For so long after its stamp a file can be written to without another one (nanoseconds).
#: A program that has it mapped into memory stamps it with its first store; those that follow show only when
#: the system has written the page out, after 30 seconds and the 5 of its rounds. The rest is for slow cards.
# Source: Linux kernel, Documentation/admin-guide/sysctl/vm.rst (dirty_expire_centisecs and
# dirty_writeback_centisecs); the defaults 3000 and 500, and that only the first store stamps, as seen on ext4
UNSHOWN_NS = 120_000_000_000


def modified_of(status: os.stat_result) -> int:
    """When a file was last written, in nanoseconds since 1970-01-01T00:00:00Z.

    Some file systems hold times of the year 2400; what lies beyond the bounds is told as the bound itself.
    """
    modified = status.st_mtime_ns
    if -FARTHEST <= modified <= FARTHEST:
        return modified
    return FARTHEST if modified > 0 else -FARTHEST
