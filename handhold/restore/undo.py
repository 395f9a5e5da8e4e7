"""Takes the last restore back: what it replaced comes back, what it created goes.

Only where the content is still what the restore wrote; what was played since stays and is told. Undo is a
restore itself, with a safety and a restored manifest of its own, so the next undo takes it back in turn. A
restore that was cut off is known by its note ``begun``, and what it had written by then is taken back too.
The folders that it made go if they are empty then; of one that was cut off, those that were not there before.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

import msgspec
from msgspec.structs import replace

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot
from handhold.archive.manifest import Manifest
from handhold.archive.standing import BEGUN, ELSEWHERE
from handhold.device.temporary import is_temporary
from handhold.device.volumes import traits_of
from handhold.errors import Damaged, NotNow, WrongInput
from handhold.model import Clock, Device, Entry, Kind, Site, Traits, nanoseconds
from handhold.names import native, trouble_with, written
from handhold.restore.apply import Applied, apply
from handhold.restore.cards import filesystem_of, is_empty, why_out
from handhold.restore.found import NOTHING, Found, Target, What
from handhold.restore.look import Look
from handhold.restore.lying import storage_of
from handhold.restore.ownnotes import Place, remembered, remembered_folders
from handhold.restore.steps import Action, Decision, Plan, Source, Step

_FOREIGN = (
    "the archive says that it was written there, outside this device, and this machine has no note of it; "
    "whether that is so, and what to do, is for you to say: nothing is touched"
)

#: (emulator, home, path) as the manifests of the restore have it
Key = tuple[str, str, str]


class Undo(msgspec.Struct, frozen=True):
    """What taking the last restore back would do.

    ``elsewhere`` are the whole paths of the files outside the device's homes that it would write or remove.
    """

    plan: Plan
    restore: Snapshot
    cut_off: bool
    elsewhere: tuple[str, ...]
    base: str  # the name of the snapshot that was restored; of the restore, if that was an undo itself
    of_undo: bool
    folders: tuple[Place, ...] = ()  # those that the restore made and that are there, outermost first
    empty: int = 0  # how many of them hold nothing but each other, as it is now


def prepare_undo(
    archive: Archive,
    device: Device,
    *,
    clock: Clock,
    progress: Callable[[int, int], None] | None = None,
) -> Undo:
    """Plans to take the last restore of this device back.

    Raises ``WrongInput`` if there is none, ``NotNow`` if a volume that it wrote to is not there, ``Damaged``
    if its manifests are hurt.
    """
    records, beginning = _last(archive, device.name)
    targets: dict[tuple[str, str], Target] = {}
    foreign: set[tuple[str, str]] = set()
    wrote: dict[Key, Entry] = {}
    before: dict[Key, Entry] = {}
    for record in records:  # the newest first: it is what stands
        manifest = archive.read(record)
        own = remembered(archive.id, record.file)
        for site in manifest.sites:
            key = (site.emulator, site.home)
            if key not in targets and site.volume == ELSEWHERE and site.path not in own:
                foreign.add(key)
            if key not in targets:
                targets[key] = _untouched(site) if key in foreign else _target(device, site, manifest)
        newer = set(wrote)
        for entry in archive.entries(manifest):
            wrote.setdefault(entry.key, entry)
        for entry in _safety(archive, manifest):
            if entry.key not in newer:
                before.setdefault(entry.key, entry)
    source = Source(records[0].name, device.name, records[0].taken.date(), nanoseconds(clock()))
    steps = _steps(archive, wrote, before, targets, foreign, progress)
    base = archive.read(records[0]).base or "a snapshot"
    outside = {s.place for s in steps if s.action is not Action.LEAVE and s.target and not s.target.here}
    folders = _folders(archive.id, records, beginning)
    return Undo(
        Plan(source, device.name, tuple(steps)),
        records[0],
        cut_off=records[0].note == BEGUN,
        elsewhere=tuple(sorted(outside)),
        base=base,
        of_undo=any(
            one.name == base and one.device == device.name and one.kind is Kind.RESTORED
            for one in archive.told_apart()
        ),
        folders=tuple(folders),
        empty=_empty(folders),
    )


def undo(
    archive: Archive,
    device: Device,
    prepared: Undo,
    *,
    clock: Clock,
    progress: Callable[[int, int], None] | None = None,
) -> Applied:
    """Takes the restore back, as planned; see ``apply`` for what it promises and raises."""
    return apply(
        archive,
        device,
        prepared.plan,
        clock=clock,
        note=f"takes back {prepared.restore.name}",
        takes_back=prepared.folders,
        progress=progress,
    )


def decide(wrote: Entry | None, before: Entry | None, found: Found, target: Target | None) -> Step:
    """What becomes of one place. Pure: ``wrote`` by the restore, ``before`` it, and what stands there now."""
    entry = before or wrote
    assert entry is not None

    def step(decision: Decision, action: Action, why: str) -> Step:
        return Step(decision, action, entry, target, why, found, entry.path)

    now = found.sha256 if found.what is What.FILE else None
    if before is not None and now == before.sha256:
        return step(Decision.SAME, Action.LEAVE, "it is as it was before")
    if found.what is What.NOTHING:
        if before is None:
            return step(Decision.SAME, Action.LEAVE, "it is gone already")
        return step(Decision.WRITE, Action.WRITE, "comes back; nothing stands there")
    if now is None:
        return step(Decision.BLOCKED, Action.LEAVE, found.why or "something else stands there now")
    if wrote is None or now != wrote.sha256:
        return step(Decision.NEWER, Action.LEAVE, "it was changed since, so it stays")
    if before is None:
        return step(Decision.WRITE, Action.REMOVE, "the restore brought it, so it goes; the archive holds it")
    return step(Decision.WRITE, Action.WRITE, "what stood there before comes back")


def _last(archive: Archive, device: str) -> tuple[list[Snapshot], Snapshot | None]:
    """The manifests of the last restore, newest first: the last one, and runs before it that were cut off.

    A run that was cut off belongs to it only if it was begun again right away: a night in between has seen
    what it left, and played on from it is not the same restore any more. Besides them, the record with which
    the last one began, if it came to its end.
    """
    kinds = (Kind.RESTORED, Kind.NIGHT)
    every = [s for s in archive.told_apart() if s.kind in kinds and s.device == device]
    order = {one.file: number for number, one in enumerate(every)}
    own = [s for s in every if s.kind is Kind.RESTORED]
    gone = max((at for at, one in enumerate(own) if one.let_go), default=-1)
    own = own[gone + 1 :]  # what was done before one that was let go cannot be taken back over it
    names = {one.name for one in own}
    while own and own[-1].note == BEGUN and archive.read(own[-1]).base in names:
        own.pop()  # an undo that was cut off is gone on with, not taken back
    while own and own[-1].note != BEGUN and not own[-1].files and archive.read(own[-1]).safety is None:
        own.pop()  # nothing was done in that one
        if own and own[-1].note == BEGUN:
            own.pop()
    if not own:
        raise WrongInput(
            f"There is no restore onto {device} in this archive, so there is nothing to take back.",
            "handhold list --all shows what restores left behind.",
        )
    records = [own.pop()]
    at = order[records[0].file]
    beginning = None
    if records[0].note != BEGUN and own and own[-1].note == BEGUN:
        beginning = own.pop()
        at = order[beginning.file]
    base = archive.read(records[0]).base
    while own and own[-1].note == BEGUN and order[own[-1].file] == at - 1:
        if archive.read(own[-1]).base != base:
            break
        records.append(own.pop())
        at -= 1
    return records, beginning


def _safety(archive: Archive, manifest: Manifest) -> Iterable[Entry]:
    """What the restore replaced."""
    if manifest.safety is None:
        return ()
    for snapshot in archive.snapshots():
        if snapshot.file == manifest.safety:
            return archive.entries(archive.read(snapshot))
    raise Damaged(
        f"What {manifest.snapshot.name} replaced is not in the archive: {manifest.safety} is gone or hurt.",
        "handhold verify says what is hurt; another copy of this archive may still hold it.",
    )


def _steps(
    archive: Archive,
    wrote: Mapping[Key, Entry],
    before: Mapping[Key, Entry],
    targets: Mapping[tuple[str, str], Target],
    foreign: Collection[tuple[str, str]],
    progress: Callable[[int, int], None] | None,
) -> list[Step]:
    steps = []
    keys = sorted({*wrote, *before})
    with Look() as look:
        for done, key in enumerate(keys, start=1):
            target = targets.get((key[0], key[1]))
            if target is not None and key[:2] in foreign:
                entry = before.get(key) or wrote[key]
                steps.append(
                    Step(Decision.BLOCKED, Action.LEAVE, entry, target, _FOREIGN, NOTHING, entry.path)
                )
            elif target is not None:
                step = decide(wrote.get(key), before.get(key), look.found(target, key[2]), target)
                if step.action is not Action.LEAVE and not archive.gives(step.entry):
                    step = replace(
                        step,
                        decision=Decision.BLOCKED,
                        action=Action.LEAVE,
                        why="the archive does not hold its content any more, so it stays",
                        damage=True,
                    )
                steps.append(step)
            if progress:
                progress(done, len(keys))
    return steps


def _folders(archive_id: str, records: Sequence[Snapshot], beginning: Snapshot | None) -> list[Place]:
    """The folders that are there and that these runs made, outermost first, as far as this machine knows."""
    noted = [place for record in records for place in remembered_folders(archive_id, record.file)]
    if not noted and beginning is not None:  # cut off between its last record and the note of that one
        noted = remembered_folders(archive_id, beginning.file)
    there = filter(_is_folder, dict.fromkeys(noted))
    return sorted(there, key=lambda place: place[1].count("/"))


def _is_folder(place: Place) -> bool:
    base, way = place
    path = os.path.join(base, native(way))
    return not trouble_with(way) and os.path.isdir(path) and not os.path.islink(path)


def _empty(folders: Iterable[Place]) -> int:
    """How many of these hold nothing but such of them; what a cut left under its own name does not count."""
    empty: set[str] = set()
    for base, way in reversed([*folders]):
        path = os.path.join(base, native(way))
        try:
            inside = os.listdir(path)
        except OSError:
            continue
        if all(is_temporary(name) or os.path.join(path, name) in empty for name in inside):
            empty.add(path)
    return len(empty)


def _untouched(site: Site) -> Target:
    """A place elsewhere that is only named: it is not even looked at."""
    if trouble_with(site.path):
        raise Damaged(f"The record of the last restore names a folder that cannot be: {site.path}.")
    return Target(site, "/", site.path, Traits("unknown"), storage="")


def _target(device: Device, site: Site, manifest: Manifest) -> Target:
    if site.path and trouble_with(site.path):
        raise Damaged(f"The record of the last restore names a folder that cannot be: {site.path}.")
    if site.volume == ELSEWHERE:
        base, below = _standing("/" + native(site.path))
        traits = traits_of(base)
    else:
        volume = device.volume(site.volume)
        if volume is None:
            raise NotNow(
                f'The last restore wrote to the volume "{site.volume}", which is not there.',
                f"Put the card in, or name it: --volume {site.volume}=PATH",
            )
        if why := why_out(volume, filesystem_of(manifest, volume.name)):
            raise NotNow(
                f"The last restore wrote to a card that seems to be out: {why}", "Nothing was touched."
            )
        base, below, traits = os.path.realpath(volume.path), site.path, volume.traits
    return Target(site, base, below, traits, storage_of(base), filled=not is_empty(base))


def _standing(path: str) -> tuple[str, str]:
    """A folder that is there, and the way below it to the rest; no link that came since is followed."""
    base, below = path, ""
    while not os.path.isdir(base):
        base, name = os.path.split(base)
        below = f"{written(name)}/{below}" if below else written(name)
    if os.path.realpath(base) != os.path.normpath(base):
        raise WrongInput(
            f"The last restore wrote to {written(path)}, and there is a link on the way to it now.",
            "Put the folder itself there again.",
        )
    return base, below
