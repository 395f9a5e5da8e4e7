"""What a walk asks of the last night: which files stand for what was kept then."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple, Protocol

from handhold.columns import Files
from handhold.model import Entry, Part, Site


class Before(NamedTuple):
    """What a file was kept as."""

    part: Part
    game: str | None
    #: Size and time of the file that it was said of; None if another version's recognition said so.
    told_of: tuple[int, int] | None = None


class Untouched(Protocol):
    """The entries of the last night that a file of the same size and time stands for."""

    @property
    def named(self) -> Collection[str]:
        """The emulators whose rules need not be asked what such a file is: they say the same as then."""

    def then(self, site: Site, path: str) -> Entry | None:
        """What is kept now and was kept that night at a path of a home, be it as it was or not."""

    @property
    def recognised(self) -> Mapping[tuple[str, str], Site]:
        """The homes of recognised emulators, by volume and path, if recognition is what it was then."""

    def __call__(self, site: Site, path: str, files: Files) -> AsThen | None:
        """Which files right in a folder of a home ("" for the home itself) stand for entries, if any can."""


class AsThen(Protocol):
    """Which of a folder's files stand for entries of the last night, by their numbers in the folder."""

    @property
    def rest(self) -> Sequence[int]:
        """The files that stand for none."""

    def entry(self, at: int) -> Entry | None:
        """The entry that a file stands for, if there is one."""

    def stand(self) -> None:
        """All that can stand do, and are not claimed."""

    def stand_one(self, at: int) -> None:
        """The same of one file."""

    def parts(self) -> Mapping[Part, int]:
        """Which parts those that can stand are of, and how many of each."""

    def knows(self, name: str) -> bool:
        """Whether a file of this name can stand for an entry, were it as it was."""
