"""What the last night kept and need not be read again, if a file still has the size and time that it had."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping

from handhold.changes import may_be_quiet
from handhold.model import Entry, HomeKind, Part, Site
from handhold.nights import Night


class Untouched:
    """The entries of the last night that a file of the same size and time stands for, by folder.

    ``steps`` has the smallest step of time of each volume, in nanoseconds. ``holds`` tells whether the
    archive still has all of an entry: what it has not is read anew.
    """

    def __init__(
        self,
        night: Night,
        parts: Collection[Part],
        steps: Mapping[str, int],
        holds: Callable[[Entry], bool],
    ) -> None:
        self._night = night
        self._parts = frozenset(parts) - {Part.GAMES}  # which are listed one by one
        self._steps = steps
        self._holds = holds

    def __call__(self, site: Site, folder: str) -> dict[str, Entry]:
        """Those right in a folder (relative to the home, "" for the home itself), by name.

        None in an export home: which of its files are kept is decided among all of them.
        """
        if site.kind is HomeKind.EXPORT:
            return {}
        taken, step = self._night.taken_ns, self._steps[site.volume]
        return {
            name: entry
            for name, entry in self._night.by_key.folder(site.emulator, site.home, folder).items()
            if entry.part in self._parts and may_be_quiet(entry, taken, step) and self._holds(entry)
        }
