"""One save on its way through the decisions of a carry: where it stands, what is newest, and what to do."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import msgspec

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot
from handhold.archive.standing import Line
from handhold.archive.timeline import Moment
from handhold.model import Entry, Identity, Kind, Part
from handhold.restore.found import NoTarget, Target, What
from handhold.restore.newest import Course, Descent, Event, Here, Verdict, judge, until_now
from handhold.restore.plan import blocked, fresh
from handhold.restore.select import title_of
from handhold.restore.steps import NOT_HELD, Action, Decision, Step
from handhold.restore.whereabouts import Known, Stands


class Version(msgspec.Struct, frozen=True):
    """One content of a save, as it stands on one device. Size in bytes, time in nanoseconds."""

    device: str
    here: bool
    sha256: str
    size: int
    modified: int
    since: datetime | None  # of the snapshot that first saw it there; None: none has yet
    evenings: int  # snapshots that found a change on this side alone, since the last common one
    newest: bool  # it is the newest, or one of those of a fork


class Save(msgspec.Struct, frozen=True):
    """One file, and how the device at hand stands to the newest of it, which is None if there is a fork."""

    emulator: str
    part: Part
    game: str | None
    title: str
    path: str
    here: Here
    newest: Version | None
    versions: tuple[Version, ...]
    taken: str | None  # whose version of a fork comes, or stays, as the owner chose
    never_here: bool = False  # the archive has never seen it on the device at hand
    removed_on: tuple[str, ...] = ()  # other devices that had it and where it was removed since


@dataclass(slots=True)
class Case:
    """One file on its way through the decisions."""

    device: str
    identity: Identity
    lines: Known
    stands: Stands
    courses: dict[Line, Course] = field(init=False)
    verdict: Verdict = field(init=False)
    versions: list[Version] = field(init=False)
    fresh: str = field(init=False)  # why what stands here counts as nothing; "" if it does not
    together: bool = False  # it is a fork only as a part of its save

    def __post_init__(self) -> None:
        seen = {line: [_event(moment) for moment in moments] for line, moments in self.lines.items()}
        self.fresh = self._fresh()
        live = {
            line: None if self.fresh and line == self.stands.line else content
            for line, content in self.stands.live.items()
        }
        self.courses = until_now(seen, live)
        self.verdict = judge(self.courses, self.device, self.stands.line)
        self.versions = self._versions()

    @property
    def order(self) -> tuple[str, str, str]:
        return self.identity[0], title_of(self.entry).casefold(), self.identity[2]

    @property
    def entry(self) -> Entry:
        """The latest entry that the archive has of it."""
        return latest_entry(self.lines)

    @property
    def comes_along(self) -> bool:
        """Whether there is something to bring, or to choose."""
        return self.verdict.here in (Here.OLDER, Here.MISSING, Here.FORK)

    @property
    def contents(self) -> frozenset[str]:
        """What stands anywhere."""
        return frozenset(version.sha256 for version in self.versions)

    @property
    def never_here(self) -> bool:
        """Whether the archive has never seen it on this device."""
        return not any(line.device == self.device for line, moments in self.lines.items() if moments)

    def _fresh(self) -> str:
        why = fresh(self.entry, self.stands.found) if self.never_here else ""
        return "" if self._seen(self.stands.found.sha256) else why

    @property
    def on_hand(self) -> str | None:
        """What stands here; where that cannot be read, what stood here last."""
        course = self.courses.get(self.stands.line)
        return course[-1].content if course else None

    @property
    def unseen(self) -> bool:
        """Whether this device alone has the newest, and no snapshot has seen it."""
        return self.verdict.here is Here.NEWER and not any(self._seen(self.verdict.newest[0]))

    @property
    def devices(self) -> frozenset[str]:
        """The devices on which it stands."""
        return frozenset(version.device for version in self.versions)

    def contested(self, devices: frozenset[str]) -> bool:
        """Whether these devices do not all have the same of it, or not all of them have it."""
        return len(self.contents) > 1 or not devices <= self.devices

    def newest_on(self, devices: frozenset[str]) -> frozenset[str]:
        """The devices that have it as it is now: the newest content, or nothing if it was removed."""
        removed = self.removed_on | ({self.device} if self.verdict.here is Here.REMOVED else frozenset())
        return (removed & devices) or self.holders(self.verdict.newest[0])

    @property
    def removed_on(self) -> frozenset[str]:
        """The other devices from which the newest, or what came out of it, was removed."""
        if len(self.verdict.newest) != 1:
            return frozenset()
        newest, descent = self.verdict.newest[0], Descent(self.courses)
        standing = {version.device for version in self.versions} | {self.device}
        gone = set()
        for line, course in self.courses.items():
            had = next((event.content for event in reversed(course) if event.content is not None), None)
            if line.device not in standing and had is not None and newest in descent.before(had):
                gone.add(line.device)
        return frozenset(gone)

    def holders(self, content: str) -> frozenset[str]:
        """The devices on which this content stands."""
        return frozenset(version.device for version in self.versions if version.sha256 == content)

    def version_of(self, content: str) -> Version:
        """Where a content stands: on the device that had it first, if it still does."""
        first = {line.device: at for at, (line, _) in enumerate(self._seen(content))}
        among = [version for version in self.versions if version.sha256 == content]
        return min(among, key=lambda version: (first.get(version.device, len(first)), version.device))

    def came_from(self, content: str) -> list[Snapshot]:
        """The snapshots that saw this content come, but for the records of this device's own restores."""
        every = [moment.snapshot for _, moment in self._seen(content)]
        return [one for one in every if one.kind is not Kind.RESTORED or one.device != self.device]

    def fork(self) -> None:
        """Makes it a fork of all that stands anywhere, for its save as a whole is one."""
        descent = Descent(self.courses)
        first = self.verdict.newest
        sides = (*first, *sorted(self.contents - set(first)))
        common, evenings = descent.since_common(sides)
        self.verdict = Verdict(Here.FORK, sides, common, evenings)
        self.together = True
        self.versions = self._versions()

    def save(self, take: str | None) -> Save:
        """What is told of it."""
        entry, forked = self.entry, self.verdict.here is Here.FORK
        chosen = take if take is not None and forked and self._choice(take) is not None else None
        return Save(
            emulator=entry.emulator,
            part=entry.part,
            game=entry.game,
            title=title_of(entry),
            path=entry.path,
            here=self.verdict.here,
            newest=None if forked else self.version_of(self.verdict.newest[0]),
            versions=tuple(self.versions),
            taken=chosen,
            removed_on=tuple(sorted(self.removed_on)),
            never_here=self.never_here,
        )

    def step(self, archive: Archive, take: str | None) -> Step:
        """What becomes of it here."""
        newest = self.verdict.newest[0]
        match self.verdict.here:
            case Here.SAME:
                return self._leave(Decision.SAME, "it is there already", newest)
            case Here.NEWER:
                return self._leave(Decision.NEWER, "this device has the newest", newest)
            case Here.OLDER:
                why = f"{self.version_of(newest).device} has the newest; what stands here is older"
                return self._bring(archive, newest, Decision.FORWARD, why)
            case Here.MISSING:
                why = (
                    f"{self.fresh}; it is kept in the archive first" if self.fresh else "nothing stands there"
                )
                return self._bring(archive, newest, Decision.WRITE, why)
            case Here.REMOVED:
                source = self.version_of(newest).device
                if take is not None and take in self.holders(newest):
                    return self._bring(archive, newest, Decision.WRITE, "it was removed here; comes as asked")
                why = f"it was removed here since; --take {source} brings it"
                return self._leave(Decision.HELD_BACK, why, newest)
        return self._forked(archive, take)

    def _forked(self, archive: Archive, take: str | None) -> Step:
        if self.together:
            why = "its save consists of several files, and the newest of them are on different devices"
        elif len({version.device for version in self.versions if version.newest}) == 1:
            why = f"{self.versions[0].device} has it in more than one place, and neither came after the other"
        else:
            why = "more than one device has progress of its own, and none of it is the newest"
        chosen = None if take is None else self._choice(take)
        if chosen is None:
            if take is not None:
                why = f"{why}; {self._no_choice(take)}"
            return self._leave(Decision.FORK, why, self.verdict.newest[0])
        if chosen == self.on_hand:
            return self._leave(Decision.SAME, f"it stays as it is here: that of {take} was chosen", chosen)
        return self._bring(
            archive, chosen, Decision.FORK, f"{why}; that of {take} comes, as asked, and the other is kept"
        )

    def _no_choice(self, take: str) -> str:
        """Why a device's name chooses nothing."""
        among = [version for version in self.versions if version.device == take]
        if not among:
            return f"{take} has none of it"
        if len(among) == 1:
            return f"what {take} has is older than that"
        return f"{take} has it in more than one place, and nothing tells which; put one of them away there"

    def _choice(self, take: str) -> str | None:
        """The content that a device's name chooses; None if it says nothing."""
        among = [v for v in self.versions if v.device == take and v.sha256 in self.verdict.newest]
        if take == self.device and self.on_hand in {version.sha256 for version in among}:
            return self.on_hand
        # Of two that stand on one device its own clock has to tell; the owner asked for that device's.
        latest = max((version.modified for version in among), default=0)
        chosen = {version.sha256 for version in among if version.modified == latest}
        return chosen.pop() if len(chosen) == 1 else None

    def _bring(self, archive: Archive, content: str, decision: Decision, why: str) -> Step:
        entries = [moment.entry for _, moment in self._seen(content) if moment.entry is not None]
        entry = next((one for one in entries if archive.gives(one)), None)
        target, found = self.stands.target, self.stands.found
        if isinstance(target, NoTarget):
            return self._step(Decision.BY_HAND, Action.LEAVE, target.why, entries[0], None)
        if trouble := blocked(self._as_here(entries[0]), target, found):
            return self._step(Decision.BLOCKED, Action.LEAVE, trouble, entries[0], target)
        if entry is None:
            return self._step(Decision.BLOCKED, Action.LEAVE, NOT_HELD, entries[0], target, damage=True)
        return self._step(decision, Action.WRITE, why, entry, target)

    def _leave(self, decision: Decision, why: str, content: str) -> Step:
        entry = next((moment.entry for _, moment in self._seen(content) if moment.entry), self.entry)
        target = self.stands.target if isinstance(self.stands.target, Target) else None
        return self._step(decision, Action.LEAVE, why, entry, target)

    def _step(
        self,
        decision: Decision,
        action: Action,
        why: str,
        entry: Entry,
        target: Target | None,
        damage: bool = False,
    ) -> Step:
        return Step(
            decision, action, self._as_here(entry), target, why, self.stands.found, self.stands.path, damage
        )

    def _as_here(self, entry: Entry) -> Entry:
        """The entry with the path that it has on this device."""
        return (
            entry if entry.path == self.stands.path else msgspec.structs.replace(entry, path=self.stands.path)
        )

    def _seen(self, content: str) -> list[tuple[Line, Moment]]:
        """When and where the archive saw this content come, oldest first."""
        among = [
            (line, moment)
            for line, moments in self.lines.items()
            for moment in moments
            if moment.entry is not None and moment.entry.sha256 == content
        ]
        return sorted(among, key=lambda item: item[1].snapshot.sequence)

    def _versions(self) -> list[Version]:
        versions = []
        for line, course in self.courses.items():
            content = course[-1].content
            if content is None:
                continue
            here = line.device == self.device
            seen = [moment for at, moment in self._seen(content) if at == line]
            moment = seen[-1] if seen else None
            entry = moment.entry if moment else None
            found = self.stands.found
            size, modified = (entry.size, entry.modified) if entry else (found.size, found.modified)
            if line == self.stands.line and found.what is What.FILE:
                size, modified = found.size, found.modified
            versions.append(
                Version(
                    device=line.device,
                    here=here,
                    sha256=content,
                    size=size,
                    modified=modified,
                    since=moment.snapshot.taken if moment else None,
                    evenings=self.verdict.evenings.get(content, 0),
                    newest=content in self.verdict.newest,
                )
            )
        return sorted(versions, key=lambda version: (not version.newest, version.device))


def _event(moment: Moment) -> Event:
    content = moment.entry.sha256 if moment.entry is not None else None
    return Event(moment.snapshot.sequence, content, moment.snapshot.kind is Kind.RESTORED)


def latest_entry(lines: Known) -> Entry:
    """The latest entry that the archive has of a file."""
    moments = [moment for each in lines.values() for moment in each if moment.entry is not None]
    latest = max(moments, key=lambda moment: moment.snapshot.sequence).entry
    assert latest is not None
    return latest


def game_of(lines: Known) -> tuple[str, str]:
    """What a save and its states have in common."""
    entry = latest_entry(lines)
    return entry.emulator, title_of(entry).casefold()
