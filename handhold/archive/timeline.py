"""What stood at each place of a device from one snapshot to the next: every change of a save, in its order.

Where ``standing`` knows when a content first and last stood somewhere, a timeline knows each time that it
came and went, and when nothing stood there any more. A night speaks for every home that it found; what it
could not read, or was told to leave out, it says nothing about. What a restore kept first, what it wrote,
and what was adopted speak for their own files only.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from handhold.archive.sameness import Forms, same_save
from handhold.archive.standing import BEGUN, ELSEWHERE, Line, line_of
from handhold.errors import OwnerError
from handhold.model import Entry, Gap, Identity, Kind, Part, Site

if TYPE_CHECKING:
    from handhold.archive.archive import Archive
    from handhold.archive.manifest import Manifest, Snapshot


class Moment(NamedTuple):
    """A change: from this snapshot on the file stands there, or, if it is None, nothing does."""

    snapshot: Snapshot
    entry: Entry | None
    site: Site | None  # where the home lay; None if the snapshot does not say


@dataclass(slots=True)
class Timelines:
    """The changes by identity and line, oldest first. ``unreadable`` names what could not be read."""

    lines: dict[Identity, dict[Line, list[Moment]]] = field(default_factory=dict)
    unreadable: list[str] = field(default_factory=list)


def timelines(
    archive: Archive,
    parts: Collection[Part],
    progress: Callable[[int, int], None] | None = None,
    *,
    forms: Forms | None = None,
) -> Timelines:
    """The timelines of every file of these parts, over every manifest of the archive.

    ``forms`` are the homes that hold the same saves in two forms; identities are those of ``same_save``. A
    page that a device's next night has as well is not looked into again. What cannot be read is passed over
    and named. ``progress`` is told the manifests done and their number.
    """
    result = Timelines()
    readers: dict[str, _Reader] = {}
    snapshots = archive.records()
    for done, snapshot in enumerate(snapshots, start=1):
        if not (snapshot.kind is Kind.RESTORED and snapshot.note == BEGUN):  # an intention is no fact
            reader = readers.setdefault(
                snapshot.device, _Reader(archive, frozenset(parts), forms or {}, result)
            )
            reader.take(snapshot)
        if progress:
            progress(done, len(snapshots))
    return result


#: (line, identity): one file at one place
_Key = tuple[Line, Identity]


class _Standing(NamedTuple):
    """What stands at a place, as far as was seen."""

    entry: Entry
    site: Site | None


class _Reader:
    """Reads the manifests of one device, in their order."""

    def __init__(self, archive: Archive, parts: frozenset[Part], forms: Forms, result: Timelines) -> None:
        self._archive = archive
        self._parts = parts
        self._forms = forms
        self._result = result
        self._stands: dict[_Key, _Standing] = {}
        self._pages: frozenset[str] = frozenset()  # those of the last night
        self._sites: frozenset[Site] = frozenset()
        self._kept: dict[
            str, set[_Key]
        ] = {}  # what each restore was about to replace, by its safety manifest
        self._afresh = True  # since the last night something was changed that its pages do not know

    def take(self, snapshot: Snapshot) -> None:
        """Notes what one manifest says."""
        try:
            manifest = self._archive.read(snapshot)
        except OwnerError:
            self._hurt(snapshot)
            return
        if snapshot.kind is Kind.NIGHT:
            self._night(manifest)
            return
        pages = [page.id for page in manifest.pages]
        if snapshot.kind is Kind.SAFETY:
            self._kept[snapshot.file] = self._observe(manifest, pages)
        elif snapshot.kind is Kind.ADOPTED:
            self._observe(manifest, pages)
        else:
            replaced = set() if manifest.safety is None else self._kept.get(manifest.safety)
            self._observe(manifest, pages, replaced)
        self._afresh = True

    def _night(self, manifest: Manifest) -> None:
        pages, sites = frozenset(page.id for page in manifest.pages), frozenset(manifest.sites)
        whole = self._afresh or sites != self._sites
        self._afresh = False  # unless a page proves unreadable
        new = [page.id for page in manifest.pages if whole or page.id not in self._pages]
        seen = self._observe(manifest, new)
        if not self._afresh:
            before = set(self._stands) if whole else self._keys_of(self._pages - pages)
            self._gone(manifest, before - seen)
        self._pages, self._sites = pages, sites
        if manifest.left_out & self._parts:
            self._afresh = True  # the next night is held against what stood before this one

    def _observe(
        self, manifest: Manifest, pages: Iterable[str], replaced: set[_Key] | None = None
    ) -> set[_Key]:
        """Notes the files of these pages, and says which they were.

        They are what a restore wrote where it ``replaced`` only these: where it wrote others nothing stood.
        """
        seen: set[_Key] = set()
        lie = {(site.emulator, site.home): site for site in manifest.sites}
        for page in pages:
            for entry in self._entries(page, manifest.snapshot):
                site = lie.get((entry.emulator, entry.home))
                key = self._key(manifest.snapshot.device, entry, site)
                if key[0].volume == ELSEWHERE:
                    continue
                seen.add(key)
                known = self._stands.get(key)
                if known is not None and replaced is not None and key not in replaced:
                    self._note(key, Moment(manifest.snapshot, None, None))
                    known = None
                self._stands[key] = _Standing(entry, site)
                if known is None or known.entry.sha256 != entry.sha256:
                    self._note(key, Moment(manifest.snapshot, entry, site))
        return seen

    def _gone(self, manifest: Manifest, missing: Iterable[_Key]) -> None:
        lying = {(site.emulator, site.volume, site.path) for site in manifest.sites}
        gone = [
            key
            for key in missing
            if (stands := self._stands.get(key)) is not None
            and (site := stands.site) is not None
            and (site.emulator, site.volume, site.path) in lying
            and not any(covers(gap, site, stands.entry.path) for gap in manifest.gaps)
            and key[1][1] not in manifest.left_out
        ]
        for key in gone:
            del self._stands[key]
            self._note(key, Moment(manifest.snapshot, None, None))

    def _keys_of(self, pages: Iterable[str]) -> set[_Key]:
        """The files of pages that the last night had and this one has no more."""
        keys: set[_Key] = set()
        lie = {(site.emulator, site.home): site for site in self._sites}
        device = next((line.device for line, _ in self._stands), "")
        for page in pages:
            for entry in self._entries(page, None):
                site = lie.get((entry.emulator, entry.home))
                keys.add(self._key(device, entry, site))
        return keys

    def _key(self, device: str, entry: Entry, site: Site | None) -> _Key:
        identity, folder = same_save(entry, self._forms)
        return line_of(device, entry.home, site, folder), identity

    def _entries(self, page: str, snapshot: Snapshot | None) -> Sequence[Entry]:
        try:
            return [entry for entry in self._archive.page(page) if entry.part in self._parts]
        except OwnerError:
            if snapshot is not None:
                self._hurt(snapshot)
            self._afresh = True
            return ()

    def _hurt(self, snapshot: Snapshot) -> None:
        self._afresh = True
        if snapshot.name not in self._result.unreadable:
            self._result.unreadable.append(snapshot.name)

    def _note(self, key: _Key, moment: Moment) -> None:
        line, identity = key
        self._result.lines.setdefault(identity, {}).setdefault(line, []).append(moment)


def covers(gap: Gap, site: Site, path: str) -> bool:
    """Whether a file of a home lies where a gap says that something could not be read."""
    if gap.volume != site.volume:
        return False
    place = f"{site.path}/{path}" if site.path else path
    return not gap.path or place == gap.path or place.startswith(f"{gap.path}/")
