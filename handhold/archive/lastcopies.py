"""Which nights hold a save of which nothing else would be left.

A rule lets nights go, and never the last copy of a save: where a save (or state) stands in no night of its
device that stays, the newest night that has it stays as well. What counts as having it:

- any version of it, in a night of that device that stays; a version that holds nothing (it was emptied, or
  never written) is none;
- where the last night could not look (the card was out), only the version that stood there last: it stands
  there still, and is what other devices are compared with.

The same content on another device, or in another home, does not count: a later run may let that go.

Exports of everything are versions of each other, whatever the date in their names.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence

from handhold.archive.adopted import in_place
from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot
from handhold.archive.manifest import Manifest
from handhold.archive.timeline import covers
from handhold.blank import blank
from handhold.model import Entry, HomeKind, Part, Site

#: What an owner played for.
PROGRESS = frozenset({Part.SAVES, Part.STATES})

#: What is one save on one device.
_Save = tuple[str, ...]

#: The homes of a snapshot that hold exports: emulator and home.
_Exports = frozenset[tuple[str, str]]

#: A page, as a device and its exports make saves of it.
_Judged = tuple[str, str, _Exports]


class Copies:
    """The saves that stand in snapshots that stay."""

    def __init__(self, archive: Archive, progress: Callable[[], None] | None = None) -> None:
        self._archive = archive
        self._progress = progress
        self._saves: set[_Save] = set()
        self._versions: set[tuple[_Save, str]] = set()
        self._taken: set[_Judged] = set()
        self._held: set[_Judged] = set()  # what stays has a version of all that is on these, and always will

    def take(self, snapshot: Snapshot) -> None:
        """This one stays. Raises ``Damaged``."""
        manifest = self._archive.read(snapshot)
        exports = _exports(manifest)
        for page in manifest.pages:
            judged = (snapshot.device, page.id, exports)
            if judged not in self._taken:
                self._taken.add(judged)
                for entry in self._progress_in(page.id):
                    version = _save(snapshot.device, entry, exports), entry.sha256
                    if version not in self._versions and not blank(entry):
                        self._saves.add(version[0])
                        self._versions.add(version)
        if self._progress:
            self._progress()

    def sole(self, snapshot: Snapshot, hidden: Hidden | None = None) -> list[Entry]:
        """What would be lost with this one, by key. Raises ``Damaged``."""
        manifest = self._archive.read(snapshot)
        exports = _exports(manifest)
        lie = {(site.emulator, site.home): site for site in manifest.sites}
        found: list[Entry] = []
        for page in manifest.pages:
            judged = (snapshot.device, page.id, exports)
            if (judged in self._taken or judged in self._held) and (hidden is None or hidden.told(page.id)):
                continue
            before = len(found)
            for entry in self._progress_in(page.id):
                save = _save(snapshot.device, entry, exports)
                if hidden is None and save in self._saves:
                    continue  # the most are so: what follows takes longer
                if blank(entry):
                    continue
                last = hidden is not None and hidden.is_last(entry, lie.get((entry.emulator, entry.home)))
                if save not in self._saves or (last and (save, entry.sha256) not in self._versions):
                    found.append(entry)
            if len(found) == before:
                self._held.add(judged)
            if hidden is not None:
                hidden.tell(page.id)
        if self._progress:
            self._progress()
        return found

    def _progress_in(self, page: str) -> Iterator[Entry]:
        for entry in self._archive.page(page):
            if entry.part in PROGRESS:
                yield entry


class Hidden:
    """What the last night of a device could not see, as its earlier nights are gone through backwards."""

    def __init__(self, last: Manifest, entries: Collection[Entry]) -> None:
        self._known = {entry.key for entry in entries}
        self._lying = set(_places(last))
        self._gaps = last.gaps
        self._pages = {page.id for page in last.pages}

    def told(self, page: str) -> bool:
        """Whether a later night had this page, so that it says nothing new."""
        return page in self._pages

    def tell(self, page: str) -> None:
        """A page has been looked at."""
        self._pages.add(page)

    def is_last(self, entry: Entry, site: Site | None) -> bool:
        """Whether it is the last that was seen of a file which the last night could not see."""
        if entry.key in self._known:
            return False
        self._known.add(entry.key)
        if site is None:
            return False
        seen = (site.emulator, site.volume, site.path) in self._lying
        return not seen or any(covers(gap, site, entry.path) for gap in self._gaps)


def _places(manifest: Manifest) -> Iterator[tuple[str, str, str]]:
    return ((site.emulator, site.volume, site.path) for site in manifest.sites)


def _exports(manifest: Manifest) -> _Exports:
    return frozenset((site.emulator, site.home) for site in manifest.sites if site.kind is HomeKind.EXPORT)


def _save(device: str, entry: Entry, exports: _Exports) -> _Save:
    if exports and (entry.emulator, entry.home) in exports:
        return device, entry.emulator, entry.home, entry.part, entry.game or "", "export"
    return device, entry.emulator, entry.home, entry.part, entry.path


def last_copies(
    archive: Archive,
    stay: Sequence[Snapshot],
    go: Sequence[Snapshot],
    progress: Callable[[], None] | None = None,
) -> tuple[dict[str, list[Entry]], Copies]:
    """Those of the nights ``go`` that must stay after all, by file, each with the saves that it alone has.

    ``stay`` and ``go`` are all the nights of the archive. The newest ones are asked first, so that what stays
    is the newest version. Also gives what stands in all that stays. Raises ``Damaged``.
    """
    copies = Copies(archive, progress)
    for night in stay:
        copies.take(night)
    found: dict[str, list[Entry]] = {}
    going = {one.file for one in go}
    devices: dict[str, list[Snapshot]] = {}
    for night in reversed(in_place(sorted([*stay, *go], key=lambda one: one.sequence))):
        devices.setdefault(night.device, []).append(night)
    for nights in devices.values():
        if going.isdisjoint(night.file for night in nights):
            continue
        last = archive.read(nights[0])
        unseen = bool(last.gaps) or any(
            set(_places(archive.read(night))) - set(_places(last)) for night in nights[1:]
        )
        # Without anything that it could not see, what stays need not be looked into once more.
        hidden = Hidden(last, list(archive.entries(last))) if unseen else None
        for night in nights:
            sole = copies.sole(night, hidden)
            if night.file in going and sole:
                found[night.file] = sole
                copies.take(night)
    return found, copies
