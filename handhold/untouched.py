"""What the last night kept and need not be read again, if a file still has the size and time that it had."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping

from handhold.archive.blocks import block_id
from handhold.archive.writer import TOOL
from handhold.changes import may_be_quiet
from handhold.layouts.layout import Layout
from handhold.layouts.stored import stored_form
from handhold.model import Entry, HomeKind, Part, Site
from handhold.nights import Night


def named_as_now(night: Night, layouts: Iterable[Layout]) -> frozenset[str]:
    """The emulators all of whose entries of that night were named by the very rules that there are now.

    What such a rule says depends on the path alone, so it says the same again. Pure.
    """
    if night.tool != TOOL or night.recognised is None:
        return frozenset()
    return frozenset(
        layout.id
        for layout in layouts
        if layout.id in night.rules
        and layout.id not in night.recognised
        and night.rules[layout.id] == block_id(stored_form(layout)).hex()
    )


class Untouched:
    """The entries of the last night that a file of the same size and time stands for, by folder.

    ``named`` are the emulators of which it needs no rule to tell what such a file is (see ``named_as_now``).
    ``steps`` has the smallest step of time of each volume, in nanoseconds. ``holds`` tells whether the
    archive still has all of an entry: what it has not is read anew.
    """

    def __init__(
        self,
        night: Night,
        parts: Collection[Part],
        steps: Mapping[str, int],
        holds: Callable[[Entry], bool],
        named: Collection[str] = (),
    ) -> None:
        self.named = named
        self._night = night
        # In the order of their number: most are saves. Games are listed one by one.
        self._parts = tuple(part for part in Part if part in parts and part is not Part.GAMES)
        self._steps = steps
        self._holds = holds

    def __call__(self, site: Site, folder: str) -> dict[str, Entry]:
        """Those right in a folder (relative to the home, "" for the home itself), by name.

        None in an export home: which of its files are kept is decided among all of them.
        """
        if site.kind is HomeKind.EXPORT:
            return {}
        taken, step = self._night.taken_ns, self._steps[site.volume]
        name = len(folder) + 1 if folder else 0  # where it begins in a path
        return {
            entry.path[name:]: entry
            for entry in self._night.by_key.folder(site.emulator, site.home, folder)
            if entry.part in self._parts and may_be_quiet(entry, taken, step) and self._holds(entry)
        }
