"""What the last night kept and need not be read again, if a file still has the size and time that it had."""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import chain, compress, count
from operator import ne
from typing import TypeGuard

from handhold.archive.archive import Archive
from handhold.archive.blocks import block_id
from handhold.archive.listed import Folder, Standing
from handhold.archive.writer import TOOL
from handhold.changes import is_quiet, may_all_be_quiet, may_be_quiet, times_count
from handhold.columns import Files
from handhold.device.claims import Claim
from handhold.device.recognising import is_found
from handhold.errors import OwnerError
from handhold.keeping import may_be_export
from handhold.layouts.layout import Layout
from handhold.layouts.stored import stored_form
from handhold.model import Device, Entry, HomeKind, Kind, Part, Site
from handhold.nights import Night
from handhold.unseen import Place


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


class Quiet:
    """Whether a file can be taken for what the last night kept, without reading it, by its size and time.

    These tell something only at the very place where it lay that night: a home can lie elsewhere by now, and
    hold copies from other days. They tell nothing where a restore wrote something else since, for it sets the
    times that files had. Nor do they where that night begins later than this one, or is another handheld's,
    or of before this one was set up anew: then all is read ``anew``. ``now`` is when this night begins, in
    nanoseconds.
    """

    def __init__(
        self, archive: Archive, device: Device, night: Night, now: int, *, reread: bool = False
    ) -> None:
        self.night = night
        #: The smallest step of time of each volume, in nanoseconds.
        self.steps = {volume.name: volume.traits.step_ns for volume in device.volumes}
        self._lay = {(site.emulator, site.home): site for site in night.sites}
        elsewhere = "" not in (night.origin, archive.origin) and night.origin != archive.origin
        written: set[Place] | None = None
        if not (reread or elsewhere) and times_count(night.taken_ns, now):
            written = _written_since(archive, device.name, night)
        self.anew = written is None
        #: Where restores have put something else since that night.
        self.written: set[Place] = written or set()

    def lies_there(self, site: Site) -> bool:
        """Whether a home is where it was that night, and of the same kind."""
        return self._lay.get((site.emulator, site.home)) == site

    def stands(self, entry: Entry, claim: Claim) -> bool:
        """Whether the entry of that night stands for the file."""
        site = claim.site
        there = self._lay.get((entry.emulator, entry.home))
        return (
            not self.anew
            and there is not None
            and is_quiet(entry, claim.size, claim.modified, self.night.taken_ns, self.steps[site.volume])
            and (
                (there == site and entry.path == claim.path)
                or (
                    there.volume == site.volume
                    and _below(there, entry.path) == claim.volume_path
                    # By that it was looked into, if it is a zip, or was not.
                    and may_be_export(entry.path, there.kind) == may_be_export(claim.path, site.kind)
                )
            )
            and (site.volume, claim.volume_path) not in self.written
        )


def _below(site: Site, path: str) -> str:
    return f"{site.path}/{path}" if site.path else path


def _written_since(archive: Archive, device: str, night: Night) -> set[Place] | None:
    """Where restores have put another content than that night's; None if that cannot be told."""
    found: set[Place] = set()
    if not night.name:
        return found
    lay = {(site.emulator, site.home): site for site in night.sites}
    for record in reversed(archive.told_apart()):
        if record.name == night.name:
            break
        if record.device != device or record.kind is not Kind.RESTORED:
            continue
        try:
            if record.let_go:
                return None
            manifest = archive.read(record)
            sites = {(site.emulator, site.home): site for site in manifest.sites}
            for entry in archive.entries(manifest):
                site = sites.get((entry.emulator, entry.home))
                old = night.listed.get(entry.key)
                if site is None or (
                    old is not None and old.sha256 == entry.sha256 and lay.get(entry.key[:2]) == site
                ):
                    continue
                found.add((site.volume, _below(site, entry.path)))
        except OwnerError:
            return None
    return found


class AsThen:
    """Which of a folder's files stand for entries of the last night; all are told by their numbers in it.

    ``usable`` are those of that night's ``folder`` that a file can stand for; None: all of them.
    """

    def __init__(
        self, standing: Standing, folder: Folder, files: Files, usable: Sequence[int] | None
    ) -> None:
        self._standing, self._folder, self._usable = standing, folder, usable
        # Of each file; None where their names are just those of then: then all have one but the rest.
        self._rows: list[int | None] | None = None
        #: The files that stand for none.
        self.rest: Sequence[int] = ()
        self._unlike: set[int] = set()  # the same, where the names are
        then = folder.files
        if usable is not None or files.text != then.text:
            rows = list(chain(*folder.rows))
            there = (
                dict(zip(then, rows, strict=True))
                if usable is None
                else {then[number]: rows[number] for number in usable}
            )
            self._rows = list(map(there.get, files))
            self.rest = [at for at, row in enumerate(self._rows) if row is None]
        elif not files.same(then):
            sizes, times = _unlike(files.sizes, then.sizes), _unlike(files.times, then.times)
            self._unlike = {*sizes, *times}
            self.rest = sorted(self._unlike)

    def _row(self, at: int) -> int | None:
        """The row that a file stands for, if there is one."""
        if self._rows is not None:
            return self._rows[at]
        return None if at in self._unlike else self._folder.row_of(at)

    def _all_rows(self) -> Iterable[int]:
        """The rows that files stand for."""
        if self._rows is not None:
            return filter(_is_there, self._rows)
        rows = list(chain(*self._folder.rows))
        for at in reversed(self.rest):
            del rows[at]
        return rows

    def entry(self, at: int) -> Entry | None:
        """The entry that a file stands for, if there is one."""
        row = self._row(at)
        return None if row is None else self._standing.listed.entry(row)

    def stand(self) -> None:
        """All that can stand do."""
        if self._rows is None:
            self._standing.add_all(self._folder.rows)
            for at in self.rest:
                self._standing.drop(self._folder.row_of(at))
        else:
            for row in filter(_is_there, self._rows):
                self._standing.add(row)

    def stand_one(self, at: int) -> None:
        """A file does that stands for an entry."""
        row = self._row(at)
        assert row is not None
        self._standing.add(row)

    def parts(self) -> Mapping[Part, int]:
        """Which parts those that can stand are of, and how many of each."""
        rows = list(self._all_rows())
        if len(self._folder.parts) == 1:
            return dict.fromkeys(self._folder.parts, len(rows))
        return Counter(entry.part for entry in self._standing.listed.entries(rows))

    def knows(self, name: str) -> bool:
        """Whether a file of this name can stand for an entry, were it as it was."""
        names = self._folder.files.names
        return name in (names if self._usable is None else {names[number] for number in self._usable})


def _unlike(some: array[int], others: array[int]) -> Iterable[int]:
    """Where numbers differ, of which there are as many here as there."""
    return () if some == others else compress(count(), map(ne, some, others))


def _is_there(row: int | None) -> TypeGuard[int]:
    return row is not None


class Untouched:
    """The entries of the last night that a file of the same size and time stands for, by folder.

    ``named`` are the emulators of which it needs no rule to tell what such a file is (see ``named_as_now``).
    What ``archive`` has not all blocks of any more is read anew. Those that stand are noted in ``standing``.
    """

    def __init__(
        self, quiet: Quiet, parts: Collection[Part], archive: Archive, named: Collection[str] = ()
    ) -> None:
        self.named = named
        night = quiet.night
        self.standing = Standing(night.listed)
        #: The homes of recognised emulators, by volume and path, if recognition is what it was then.
        self.recognised: Mapping[tuple[str, str], Site] = {
            (site.volume, site.path): site
            for site in night.sites
            if night.tool == TOOL and is_found(site.home)
        }
        self._quiet = quiet
        self._parts = frozenset(parts) - {Part.GAMES}  # games are listed one by one
        self._archive = archive

    def then(self, site: Site, path: str) -> Entry | None:
        """What is kept now and was kept that night at a path of a home, be it as it was or not."""
        entry = self._quiet.night.listed.get((site.emulator, site.home, path))
        return entry if entry is not None and entry.part in self._parts else None

    def __call__(self, site: Site, path: str, files: Files) -> AsThen | None:
        """Which files, right in a folder (relative to the home, "" for the home itself), stand for entries.

        None in an export home: which of its files are kept is decided among all of them.
        """
        quiet = self._quiet
        if quiet.anew or site.kind is HomeKind.EXPORT or not quiet.lies_there(site):
            return None
        folder = quiet.night.listed.folders.get((site.emulator, site.home, path))
        if folder is None:
            return None
        taken, step, times = quiet.night.taken_ns, quiet.steps[site.volume], folder.files.times
        # Told of all at once where that can be done, which is nearly always.
        if (
            not quiet.written
            and folder.parts <= self._parts
            and may_all_be_quiet(min(times), max(times), folder.parts, taken, step)
            and quiet.night.listed.are_held(folder.rows, self._archive.have_runs, self._archive.hold_all)
        ):
            return AsThen(self.standing, folder, files, None)
        entries = quiet.night.listed.entries(chain(*folder.rows))
        usable = [
            number
            for number, entry in enumerate(entries)
            if entry.part in self._parts
            and may_be_quiet(entry, taken, step)
            and (site.volume, _below(site, entry.path)) not in quiet.written
            and self._archive.hold_all((entry,))
        ]
        return AsThen(self.standing, folder, files, usable) if usable else None
