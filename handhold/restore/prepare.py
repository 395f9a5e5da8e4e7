"""Gathers what a plan is made from, and makes it: nothing is written."""

from __future__ import annotations

import os
from bisect import insort
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import chain
from typing import TYPE_CHECKING

import msgspec
from msgspec.structs import replace

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot
from handhold.archive.manifest import Manifest
from handhold.archive.sameness import same_save
from handhold.archive.standing import ELSEWHERE, standings
from handhold.archive.storage import LocalStorage
from handhold.device.volumes import free_room
from handhold.errors import Damaged
from handhold.layouts.layout import Layout
from handhold.model import EARLIEST, NS, Clock, Device, Entry, Gap, Part, nanoseconds
from handhold.names import native
from handhold.restore.athand import forms_of, layouts_at_hand
from handhold.restore.byhand import ByHand, by_hand
from handhold.restore.cards import cards_out
from handhold.restore.clock import Stamps, stamp
from handhold.restore.filenames import beside_names
from handhold.restore.forms import Moved, games_below, move, note
from handhold.restore.found import NOTHING, Found, NoTarget, Room, Target, What, Wish
from handhold.restore.fromzips import imports, make
from handhold.restore.games import WithoutGame, titles_here, titles_of, without_game
from handhold.restore.inside import Inside
from handhold.restore.look import Look
from handhold.restore.lying import HomeKey, spoken
from handhold.restore.madewith import OtherVersion, marked, other_versions
from handhold.restore.plan import plan, running
from handhold.restore.readable import Listed, choose_of
from handhold.restore.select import Selection
from handhold.restore.settings import NOTHING_NAMED, PARTS, Named, Rewrite, copied_before, rewrites
from handhold.restore.steps import Action, OnNewer, Plan, Scene, Source, Step
from handhold.restore.targets import Elsewhere, resolve
from handhold.restore.titles import NewName, Renamed, rename, rename_options

if TYPE_CHECKING:
    from handhold.restore.making import Made

#: File systems that keep time with its offset from UTC; any other may move by hours with the time zone.
_SURE_TIMES = frozenset({"ext2", "ext3", "ext4", "btrfs", "xfs", "f2fs", "tmpfs", "overlay", "zfs"})
#: Before that no snapshot was taken.


class Place(msgspec.Struct, frozen=True):
    """Where a home goes. ``own_layout``: the owner's layout says so, and not only the archive."""

    emulator: str
    home: str  # as the snapshot has it
    text: str
    own_layout: bool


class Prepared(msgspec.Struct, frozen=True):
    """A plan, and what else the owner should know before saying yes."""

    plan: Plan
    by_hand: tuple[ByHand, ...]
    running: tuple[str, ...]  # emulators whose files changed within the last two minutes
    hurt: tuple[str, ...]  # snapshots that could not be read, so that nothing is known from them
    moving: bool  # the snapshot is another device's
    made: tuple[Made, ...] = ()  # files of the plan that are made of members of zips
    places: tuple[Place, ...] = ()  # where each home goes
    hurt_pages: int = 0  # lists of files that cannot be read: what they name is not in the plan
    unrecorded: str = ""  # why the archive cannot record the restore, so that it cannot be undone
    layouts: Mapping[str, Layout] = {}  # by emulator: the owner's, or the stored one
    named: Named = NOTHING_NAMED  # places of the old device in the settings
    rewrites: tuple[Rewrite, ...] = ()  # settings whose copies name other places
    without_game: tuple[WithoutGame, ...] = ()  # saves whose game is not on this device
    renamed: tuple[NewName, ...] = ()  # copies that go by another name, as asked
    versions: tuple[OtherVersion, ...] = ()  # emulators that are here in another version
    unnamed: tuple[str, ...] = ()  # old places of ``repoint`` that no settings name
    gaps: tuple[Gap, ...] = ()  # what the snapshot could not keep, of the emulators asked for
    told: tuple[str, ...] = ()  # what is to be said of exports that could not be used
    hurt_lists: bool = False  # the list of what lies in some zip cannot be read


def prepare(
    archive: Archive,
    device: Device,
    layouts: Mapping[str, Layout],
    snapshot: Snapshot,
    *,
    clock: Clock,
    selection: Selection | None = None,
    elsewhere: Elsewhere | None = None,
    on_newer: OnNewer = OnNewer.KEEP,
    unpack: bool = False,
    repoint: Mapping[str, str] | None = None,
    renames: Sequence[str] = (),
    progress: Callable[[int, int], None] | None = None,
) -> Prepared:
    """Plans to put a snapshot, or what is selected of it, back onto the device.

    ``layouts`` are the ones that the owner has now, by emulator; for others those stored with the snapshot
    are used. Of a zip that does not fit the selection, the members that do are put into a zip of their own;
    with ``unpack`` all that is picked becomes files. Settings that name the old paths of ``repoint`` get the
    new ones in the copy that is written; ``renames`` (``OLD=NEW``) are titles of games. ``progress`` is told
    the files looked at and their number. Raises ``UnknownName`` for a selection that the snapshot does not
    know, ``WrongInput`` for places and names that cannot be, ``Damaged`` if the manifest is hurt, or all of
    its lists.
    """
    selection = selection or Selection()
    manifest = archive.read(snapshot)
    entries = Listed(archive, manifest)
    inside = Inside(archive, manifest, layouts)
    choice = choose_of(entries, selection, inside.of)
    moving = snapshot.device != device.name
    now = clock()
    at_hand = layouts_at_hand(archive, manifest, layouts, {entry.emulator for entry in choice.every})
    targets = resolve(
        device,
        list(
            (dict(layouts) | at_hand).values()
        ),  # also those of whom nothing is asked: their homes are theirs
        manifest.sites,
        {(entry.emulator, entry.home) for entry in choice.every},
        own=not moving,
        elsewhere=elsewhere,
        every={(entry.emulator, entry.home) for entry in entries}
        if elsewhere and (elsewhere.homes or elsewhere.forms)
        else None,  # it is for these options alone
        volumes={note.name for note in manifest.volumes} | _volumes(manifest),
        owners=layouts.keys(),
        other_forms=True,
        out=cards_out(archive, device, _volumes(manifest) | {v.name for v in device.volumes}),
    )
    source = Source(snapshot.name, snapshot.device, snapshot.taken.date(), _limit(archive, snapshot, now))
    making = make(archive, snapshot, choice, entries, inside, targets, unpack, clock)
    titled = rename(making.entries, entries, rename_options(renames, entries), at_hand)
    moved = move(titled.entries, titled.every, targets, at_hand, games_below)
    picked = moved.entries
    forms = forms_of(at_hand)
    looked = _look(picked, entries, moved, targets, source, on_newer, progress)
    unknown = {
        same_save(entry, forms)[0]
        for entry, found in zip(picked, looked.found, strict=True)
        if _differs(entry, found)
    }
    copied = copied_before(
        archive,
        device.name,
        {
            entry.key: (entry, found.sha256)
            for entry, found in zip(picked, looked.found, strict=True)
            if _differs(entry, found)
        },
    )
    past = standings(archive, unknown, forms=forms)
    blurs = _blurs(manifest)
    all_held = archive.hold_all(picked)
    made_keys = {one.entry.key for one in making.made}
    copies = rewrites(archive, picked, repoint or {})
    wishes = [
        Wish(
            entry,
            targets[entry.emulator, entry.home],
            found,
            carried=not moving
            or entry.part in selection.parts
            or _carried(entry, at_hand.get(entry.emulator)),
            blur_ns=blurs.get((entry.emulator, moved.lay.get(key, entry).home), 14 * 3600 * NS),
            held=all_held or key in made_keys or found.sha256 == entry.sha256 or archive.gives(entry),
            made=key in made_keys or _copy(copies, key) is not None,
            copied=key in copied,
            copy=_copy(copies, key),
        )
        for entry, found in zip(picked, looked.found, strict=True)
        for key in (entry.key,)
    ]
    rooms, archive_room, archive_storage = rooms_of(archive, targets)
    scene = Scene(
        device=device.name,
        source=source,
        now=nanoseconds(now),
        histories=past.lines,
        on_newer=on_newer,
        entry_stamps=_entry_stamps(chain(entries, moved.changed)) if unknown else {},
        found_stamps=looked.stamps,
        names=looked.names,
        rooms=rooms,
        archive_room=archive_room,
        archive_storage=archive_storage,
        archive_trouble=archive_trouble(archive),
        forms=forms,
    )
    made = _with_notes(plan(wishes, scene), moved, titled)
    versions = other_versions(manifest.versions, at_hand, targets)
    made = replace(made, steps=marked(made.steps, versions))
    hands = by_hand(made.steps, at_hand, moving, made_keys)
    made = replace(made, steps=(*made.steps, *making.left))
    return Prepared(
        plan=made,
        by_hand=(*hands, *imports(made.steps, making)),
        running=tuple(running(made.steps, nanoseconds(now))),
        hurt=tuple(dict.fromkeys(past.unreadable)),
        moving=moving,
        made=(*making.made, *(one.made for one in copies.values() if one.made is not None)),
        places=_places({(entry.emulator, entry.home) for entry in picked}, targets),
        hurt_pages=entries.hurt,
        unrecorded=scene.archive_trouble,
        layouts=at_hand,
        gaps=_gaps(manifest, selection),
        told=making.told,
        hurt_lists=bool(inside.hurt),
        named=_named(
            archive, made.steps, copies, manifest, device, targets, elsewhere.to if elsewhere else {}
        ),
        rewrites=_rewrites(made.steps, copies),
        without_game=_without_game(archive, device, layouts, manifest, made) if moving else (),
        renamed=_renamed(made.steps, moved, titled),
        versions=versions,
        unnamed=tuple(old for old in repoint or {} if not any(old in copy.named for copy in copies.values())),
    )


def _named(
    archive: Archive,
    steps: Sequence[Step],
    copies: Mapping[tuple[str, str, str], Rewrite],
    manifest: Manifest,
    device: Device,
    targets: Mapping[HomeKey, Target | NoTarget],
    instead: Mapping[str, str],
) -> Named:
    """``oldplaces.named``, which most restores of a game or two can do without: it reads settings alone."""
    if not any(step.entry.part in PARTS for step in steps):
        return NOTHING_NAMED
    from handhold.restore.oldplaces import named

    return named(archive, steps, copies, manifest, device, targets, instead)


def _copy(copies: Mapping[tuple[str, str, str], Rewrite], key: tuple[str, str, str]) -> Entry | None:
    copy = copies.get(key)
    return copy.made.entry if copy is not None and copy.made is not None else None


def _rewrites(steps: Iterable[Step], copies: Mapping[tuple[str, str, str], Rewrite]) -> tuple[Rewrite, ...]:
    """The copies that are written."""
    if not copies:
        return ()
    written = {step.entry.key for step in steps if step.action in (Action.WRITE, Action.BESIDE)}
    return tuple(copy for key, copy in sorted(copies.items()) if key in written)


def _gaps(manifest: Manifest, selection: Selection) -> tuple[Gap, ...]:
    """What the snapshot could not keep, as far as it may concern what is asked for."""
    asked = {name.casefold() for name in selection.emulators}
    return tuple(gap for gap in manifest.gaps if not asked or (gap.emulator or "").casefold() in asked)


def _with_notes(made: Plan, moved: Moved, titled: Renamed) -> Plan:
    """The plan with where each save lay that changes its form or its name, and with those that cannot."""
    if not (moved.lay or titled.was):
        return replace(made, steps=(*made.steps, *moved.left, *titled.left))
    steps = []
    for step in made.steps:
        lay = moved.lay.get(step.entry.key)
        if step.target is not None and lay is not None:
            step = replace(step, why=f"{step.why}; {note(lay, step.target)}")
        if (was := titled.was.get((lay or step.entry).key)) is not None:
            step = replace(step, why=f'{step.why}; it was called "{was}"')
        steps.append(step)
    return replace(made, steps=(*steps, *moved.left, *titled.left))


def _renamed(steps: Iterable[Step], moved: Moved, titled: Renamed) -> tuple[NewName, ...]:
    """The copies that are written under another name."""
    if not titled.was:
        return ()
    names = [
        NewName(step.entry.emulator, was, step.path)
        for step in steps
        if step.action in (Action.WRITE, Action.BESIDE)
        and (was := titled.was.get((moved.lay.get(step.entry.key) or step.entry).key)) is not None
    ]
    return tuple(names)


def _without_game(
    archive: Archive, device: Device, layouts: Mapping[str, Layout], manifest: Manifest, made: Plan
) -> tuple[WithoutGame, ...]:
    """The saves whose game is not here; nothing where the night does not tell which games there were."""
    try:
        games = archive.games(manifest)
    except Damaged:
        return ()  # it costs no file, and verify says it
    if not games:
        return ()
    stored = layouts_at_hand(archive, manifest, layouts, {game.emulator for game in games})
    here = titles_here(device, list({**stored, **layouts}.values()))
    return without_game(made.steps, titles_of(games), here)


class _Looked(msgspec.Struct, frozen=True):
    found: list[Found]
    stamps: dict[HomeKey, Stamps]
    names: dict[tuple[str, str], frozenset[str]]


def _look(
    picked: Sequence[Entry],
    entries: Iterable[Entry],
    moved: Moved,
    targets: Mapping[HomeKey, Target | NoTarget],
    source: Source,
    on_newer: OnNewer,
    progress: Callable[[int, int], None] | None,
) -> _Looked:
    found: list[Found] = []
    doubtful: dict[HomeKey, Target] = {}
    with Look() as look:
        for done, entry in enumerate(picked, start=1):
            target = targets[entry.emulator, entry.home]
            stands = look.found(target, entry.path) if isinstance(target, Target) else NOTHING
            if isinstance(target, Target) and _differs(entry, stands):
                doubtful[entry.emulator, entry.home] = target
                if on_newer is OnNewer.BOTH:
                    name = entry.path.rpartition("/")[2]
                    stands = look.beside(
                        target, entry.path, beside_names(name, source.device, source.day), stands
                    )
            found.append(stands)
            if progress:
                progress(done, len(picked))
        stamps = look.stamps(doubtful, chain(entries, moved.changed)) if doubtful else {}
        return _Looked(found, stamps, look.names)


def _differs(entry: Entry, found: Found) -> bool:
    return found.what is What.FILE and found.sha256 != entry.sha256


def _carried(entry: Entry, layout: Layout | None) -> bool:
    """Whether the entry comes along to another device."""
    if layout is None:
        return entry.part.carried
    verdict = layout.verdict(entry.home.partition("@")[0], entry.path)
    if verdict is not None and verdict.part is entry.part and verdict.carry is not None:
        return verdict.carry
    return layout.carries(entry.part)


def _limit(archive: Archive, snapshot: Snapshot, now: datetime) -> int:
    """The latest time that a file of the snapshot can have: no later one of its device was taken before it.

    Where a later snapshot's clock shows an earlier time, one of the two clocks was wrong. It is its own where
    most snapshots before it are later than it, of any device; and where it is later than now.
    """
    limit = snapshot.taken
    before: list[datetime] = []
    for one in archive.records():  # by sequence
        usual = before[(len(before) - 1) // 2] if before else EARLIEST
        later = one.device == snapshot.device and one.sequence > snapshot.sequence
        if later and max(usual, EARLIEST) <= one.taken <= now + timedelta(days=1):
            limit = min(limit, one.taken)
        insort(before, one.taken)
    return nanoseconds(limit)


def _volumes(manifest: Manifest) -> set[str]:
    return {site.volume for site in manifest.sites if site.volume != ELSEWHERE}


def _places(keys: Iterable[HomeKey], targets: Mapping[HomeKey, Target | NoTarget]) -> tuple[Place, ...]:
    places = []
    for key in sorted(keys):
        target = targets[key]
        if isinstance(target, NoTarget):
            continue
        notes = [target.note] if target.note else []
        if not os.path.isdir(os.path.join(target.base, native(target.below))):
            notes.append("the folder will be made")
        more = f" ({'; '.join(notes)})" if notes else ""
        places.append(Place(*key, f"{spoken(target.site)}{more}", target.own_layout))
    return tuple(places)


def archive_trouble(archive: Archive) -> str:
    """Why the archive cannot be written to; "" if it can, as far as can be told beforehand."""
    storage = archive.storage
    if isinstance(storage, LocalStorage) and not os.access(storage.root, os.W_OK | os.X_OK):
        return "the archive can only be read, not written"
    return ""


def _blurs(manifest: Manifest) -> dict[HomeKey, int]:
    """By how much the times of each home can differ without meaning anything, by its volume that night."""
    kinds = {volume.name: volume.filesystem.casefold() for volume in manifest.volumes}
    blurs = {}
    for site in manifest.sites:
        kind = kinds.get(site.volume, "")
        sure = kind in _SURE_TIMES or "exfat" in kind or "ntfs" in kind
        blurs[site.emulator, site.home] = 2 * NS if sure else 14 * 3600 * NS
    return blurs


def _entry_stamps(entries: Iterable[Entry]) -> dict[HomeKey, Stamps]:
    times: dict[HomeKey, list[tuple[int, str]]] = {}
    for entry in entries:
        if entry.part in (Part.SAVES, Part.STATES) and (one := stamp(entry, entry.modified)):
            times.setdefault((entry.emulator, entry.home), []).append(one)
    return {key: Stamps(stamps) for key, stamps in times.items()}


def rooms_of(
    archive: Archive, targets: Mapping[HomeKey, Target | NoTarget]
) -> tuple[dict[str, Room], Room | None, str]:
    rooms: dict[str, Room] = {}
    for target in targets.values():
        if isinstance(target, Target) and target.storage not in rooms:
            name = target.site.volume if target.here else target.base
            rooms[target.storage] = Room(name, free_room(target.base))
    if not isinstance(archive.storage, LocalStorage):
        return rooms, None, ""
    return rooms, Room("the archive", archive.storage.free()), str(os.stat(archive.storage.root).st_dev)
