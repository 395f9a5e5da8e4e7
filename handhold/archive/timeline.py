"""What stood at each place of a device from one snapshot to the next: every change of a save, in its order.

Where ``standing`` knows when a content first and last stood somewhere, a timeline knows each time that it
came and went, and when nothing stood there any more. A night speaks for every home that it found; what it
could not read, or was told to leave out, it says nothing about. What a restore kept first, what it wrote,
and what was adopted speak for their own files only.

A file that lies where it lay and is called by another emulator, home or path from some night on goes on with
its history. So does one whose home was moved.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, NamedTuple

import msgspec
from msgspec.structs import replace

from handhold.archive.adopted import in_place
from handhold.archive.branches import ONE, branches
from handhold.archive.sameness import Forms, same_save
from handhold.archive.standing import BEGUN, ELSEWHERE, Line, line_of
from handhold.errors import OwnerError
from handhold.model import Entry, Gap, Identity, Kind, Part, Site

if TYPE_CHECKING:
    from handhold.archive.archive import Archive
    from handhold.archive.head import Snapshot
    from handhold.archive.manifest import Manifest


class Moment(NamedTuple):
    """A change: from this snapshot on the file stands there, or, if it is None, nothing does."""

    snapshot: Snapshot
    entry: Entry | None
    site: Site | None  # where the home lay; None if the snapshot does not say


#: How an entry and the place of its home are called today, whatever they were called when they were recorded.
ReadAs = Callable[[Entry, Site | None], tuple[Entry, Site | None]]


class Timelines(msgspec.Struct):
    """The changes by identity and line, oldest first. ``unreadable`` names what could not be read."""

    lines: dict[Identity, dict[Line, list[Moment]]] = {}
    unreadable: list[str] = []


def timelines(
    archive: Archive,
    parts: Collection[Part],
    progress: Callable[[int, int], None] | None = None,
    *,
    forms: Forms | None = None,
    read_as: ReadAs | None = None,
) -> Timelines:
    """The timelines of every file of these parts, over every manifest of the archive.

    ``forms`` are the homes that hold the same saves in two forms; identities are those of ``same_save``. A
    page that a device's next night has as well is not looked into again. What cannot be read is passed over
    and named. ``read_as``: see ``ReadAs``. ``progress`` is told the manifests done and their number.
    """
    result = Timelines()
    readers: dict[tuple[str, int], _Reader] = {}
    snapshots = in_place(archive.told_apart())
    branch = branches(snapshots)
    for done, snapshot in enumerate(snapshots, start=1):
        if not (snapshot.kind is Kind.RESTORED and snapshot.note == BEGUN):  # an intention is no fact
            for number in branch.get(snapshot.file, ONE):
                side = (snapshot.device, number)
                if side not in readers:
                    readers[side] = _Reader(
                        archive, side, frozenset(parts), forms or {}, read_as or _as_recorded, result
                    )
                readers[side].take(snapshot)
        if progress:
            progress(done, len(snapshots))
    return result


#: (line, identity): one file at one place
_Key = tuple[Line, Identity]


class _Standing(NamedTuple):
    """What stands at a place, as far as was seen."""

    entry: Entry
    site: Site | None
    recorded: Site | None  # the same, as the manifest calls it
    listed: Entry  # the entry, as the manifest calls it


def _as_recorded(entry: Entry, site: Site | None) -> tuple[Entry, Site | None]:
    return entry, site


class _Reader:
    """Reads the manifests of one device, in their order; ``side``: its name, and the branch."""

    def __init__(
        self,
        archive: Archive,
        side: tuple[str, int],
        parts: frozenset[Part],
        forms: Forms,
        read_as: ReadAs,
        result: Timelines,
    ) -> None:
        self._archive = archive
        self._device, self._branch = side
        self._parts = parts
        self._forms = forms
        self._read_as = read_as
        self._result = result
        self._stands: dict[_Key, _Standing] = {}
        self._places: dict[tuple[str, str], _Key] = {}  # by volume and path on it
        self._pages: frozenset[str] = frozenset()  # those of the last night
        self._sites: frozenset[Site] = frozenset()
        self._kept: dict[
            str, set[_Key]
        ] = {}  # what each restore was about to replace, by its safety manifest
        self._put_aside: set[_Key] | None = None  # the last of these
        #: What the last night's pages say of the files that other manifests spoke of since.
        self._touched: dict[_Key, Entry | None] = {}
        self._touching = False
        self._lingering: set[_Key] = set()  # what stands and is not in the last night's pages
        self._afresh = True  # the next night is looked at whole, not only where its pages are new

    def take(self, snapshot: Snapshot) -> None:
        """Notes what one manifest says."""
        try:
            manifest = replace(self._archive.read(snapshot), snapshot=snapshot)
        except OwnerError:
            self._hurt(snapshot)
            return
        self._touching = snapshot.kind is not Kind.NIGHT
        if snapshot.kind is Kind.NIGHT:
            self._night(manifest)
            return
        pages = self._all([page.id for page in manifest.pages], snapshot)
        if snapshot.kind is Kind.SAFETY:
            self._kept[snapshot.file] = self._put_aside = self._observe(manifest, pages)
        elif snapshot.kind is Kind.ADOPTED:
            self._observe(manifest, pages)
        else:
            replaced = set() if manifest.safety is None else self._kept.get(manifest.safety)
            if replaced is None and snapshot.let_go:
                # What was put aside has another file once it is let go too, if that was not cut off.
                replaced = self._put_aside
            self._observe(manifest, pages, replaced)

    def _night(self, manifest: Manifest) -> None:
        pages, sites = frozenset(page.id for page in manifest.pages), frozenset(manifest.sites)
        whole = self._afresh or sites != self._sites
        self._afresh = False  # unless a page proves unreadable
        new = [page.id for page in manifest.pages if whole or page.id not in self._pages]
        if whole:
            moved = self._moved(manifest) if sites != self._sites else {}
            seen = self._observe(manifest, self._all(new, manifest.snapshot), moved=moved)
            if not self._afresh:
                self._gone(manifest, set(self._stands) - seen)
        else:
            self._next_night(manifest, new, self._pages - pages)
        self._pages, self._sites = pages, sites
        self._touched.clear()
        if manifest.left_out & self._parts:
            self._afresh = True  # the next night is held against what stood before this one

    def _next_night(self, manifest: Manifest, new: Iterable[str], old: Iterable[str]) -> None:
        """Notes a night by what its ``new`` pages have that the ``old`` ones in their place had not.

        Equal lines of pages are one and the same entry (``pages.KnownLines``); what stays says nothing new.
        """
        came = {id(entry): entry for entry in self._all(new, manifest.snapshot)}
        went = {id(entry): entry for entry in self._all(old, None)}
        stay = [went.pop(each) for each in came.keys() & went.keys()]
        for entry in stay:
            del came[id(entry)]
        # Of the files that were changed since by others, what lies in the pages that are as they were.
        changed = {entry.key for entry in went.values()}
        still = [each for each in self._touched.values() if each is not None and each.key not in changed]
        seen = self._observe(manifest, [*([] if self._afresh else still), *came.values()])
        missing = (self._keys_of(went.values()) | self._touched.keys() | self._lingering) - seen
        if not self._afresh:
            # Two entries can go by one key: what stays counts as seen too.
            self._gone(manifest, missing and missing - self._keys_of(stay))

    def _all(self, pages: Iterable[str], snapshot: Snapshot | None) -> Iterator[Entry]:
        """The entries of pages, each as it is asked for."""
        for page in pages:
            yield from self._entries(page, snapshot)

    def _moved(self, manifest: Manifest) -> dict[tuple[Identity, str], list[_Key]]:
        """The files of homes that do not lie any more where they did, on a volume that is there.

        By identity and the home's name: where such a file is found for the first time, it was moved there.
        """
        lying = {(site.emulator, site.volume, site.path) for site in manifest.sites}
        there = {volume.name for volume in manifest.volumes}
        moved: dict[tuple[Identity, str], list[_Key]] = {}
        for key, (entry, _, site, _) in self._stands.items():
            if site is None or site.volume not in there:
                continue
            if (site.emulator, site.volume, site.path) not in lying:
                moved.setdefault((key[1], entry.home.partition("@")[0]), []).append(key)
        return moved

    def _known(
        self, key: _Key, entry: Entry, site: Site | None, moved: Mapping[tuple[Identity, str], list[_Key]]
    ) -> _Standing | None:
        """What stood there before, under whatever name it went: its history goes on."""
        known = self._stands.get(key)
        if known is not None or site is None:
            return known
        old = self._places.get(_place(site, entry))
        if old is None or old not in self._stands:
            candidates = moved.get((key[1], entry.home.partition("@")[0]), [])
            among = [one for one in candidates if one in self._stands]
            old = among[0] if len(among) == 1 else None
        if old is None or key[0] in self._result.lines.get(key[1], {}):
            return None
        self._afresh |= self._touching
        moments = self._result.lines[old[1]].pop(old[0])
        if not self._result.lines[old[1]]:
            del self._result.lines[old[1]]
        self._result.lines.setdefault(key[1], {})[key[0]] = [
            moment._replace(entry=_as(moment.entry, entry), site=site if moment.entry else None)
            for moment in moments
        ]
        return self._stands.pop(old)

    def _observe(
        self,
        manifest: Manifest,
        entries: Iterable[Entry],
        replaced: set[_Key] | None = None,
        moved: Mapping[tuple[Identity, str], list[_Key]] = MappingProxyType({}),
    ) -> set[_Key]:
        """Notes these files of a manifest, and says which they were.

        They are what a restore wrote where it ``replaced`` only these: where it wrote others nothing stood.
        """
        seen: set[_Key] = set()
        lie = {(site.emulator, site.home): site for site in manifest.sites}
        for recorded in entries:
            lay = lie.get((recorded.emulator, recorded.home))
            entry, site = self._read_as(recorded, lay)
            key = self._key(entry, site)
            if key[0].volume == ELSEWHERE:
                continue
            seen.add(key)
            if self._touching and key not in self._touched:
                stands = None if key in self._lingering else self._stands.get(key)
                self._touched[key] = stands and stands.listed
            known = self._known(key, entry, site, moved)
            if known is not None and replaced is not None and key not in replaced:
                self._note(key, Moment(manifest.snapshot, None, None))
                known = None
            self._stands[key] = _Standing(entry, site, lay, recorded)
            if site is not None:
                self._places[_place(site, entry)] = key
            if known is None or known.entry.sha256 != entry.sha256:
                self._note(key, Moment(manifest.snapshot, entry, site))
        return seen

    def _gone(self, manifest: Manifest, missing: Iterable[_Key]) -> None:
        missing = {key for key in missing if key in self._stands}
        lying = {(site.emulator, site.volume, site.path) for site in manifest.sites}
        gone = [
            key
            for key in missing
            if (stands := self._stands.get(key)) is not None
            and (lay := stands.recorded) is not None
            and (site := stands.site) is not None
            and (lay.emulator, lay.volume, lay.path) in lying
            and not any(covers(gap, site, stands.entry.path) for gap in manifest.gaps)
            and key[1][1] not in manifest.left_out
        ]
        self._lingering = missing.difference(gone)
        for key in gone:
            del self._stands[key]
            self._note(key, Moment(manifest.snapshot, None, None))

    def _keys_of(self, entries: Iterable[Entry]) -> set[_Key]:
        """The keys of files as the last night called them."""
        lie = {(site.emulator, site.home): site for site in self._sites}
        return {self._key(*self._read_as(entry, lie.get((entry.emulator, entry.home)))) for entry in entries}

    def _key(self, entry: Entry, site: Site | None) -> _Key:
        identity, folder = same_save(entry, self._forms)
        return line_of(self._device, entry.home, site, folder, self._branch), identity

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


def _place(site: Site, entry: Entry) -> tuple[str, str]:
    """Where a file lies, whatever emulator and home it is called by."""
    return site.volume, f"{site.path}/{entry.path}".lstrip("/")


def _as(old: Entry | None, new: Entry) -> Entry | None:
    """An old content of a file that goes by another name now."""
    if old is None:
        return None
    return msgspec.structs.replace(
        old, emulator=new.emulator, part=new.part, home=new.home, path=new.path, game=new.game
    )


def covers(gap: Gap, site: Site, path: str) -> bool:
    """Whether a file of a home lies where a gap says that something could not be read."""
    if gap.volume != site.volume:
        return False
    place = f"{site.path}/{path}" if site.path else path
    return not gap.path or place == gap.path or place.startswith(f"{gap.path}/")
