"""What a mending did, or in a dry run would do."""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from handhold.archive.report import Report


class Deed(NamedTuple):
    """Something that was mended, or would be: the file (or what), and from where."""

    file: str
    what: str
    source: str


class Mending(msgspec.Struct):
    """What a run did, or with ``dry`` would do.

    ``before`` and ``after`` are checks of the whole archive, one and the same where nothing was written.
    """

    dry: bool
    before: Report
    after: Report
    done: list[Deed] = []
    removed: list[str] = []
    parity: int = 0  # parity files that were written
    told: list[str] = []
    lost_blocks: int = 0

    @property
    def nothing(self) -> bool:
        """Whether there was nothing to do, or nothing that could be done."""
        return not (self.done or self.removed or self.parity)
