"""One pass over a device: every file is looked at once and goes to the emulator whose layout names it.

What no layout names is looked at by recognition, folder by folder, in the same pass; saves and states that it
is sure of go to the home that holds them, or else to the emulator whose folder it is.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from handhold.columns import File, Files
from handhold.device.asking import Active, asked, begun
from handhold.device.claims import Claim, Conflict, Skipped, Walk
from handhold.device.homes import (
    ALLOW_READING,
    Homes,
    LeftOut,
    Start,
    find_homes,
    locate,
)
from handhold.device.leftovers import NOT_LOOKED_AT, Folder, Taken, unclaimed
from handhold.device.listing import Looked, Scan, below, joined, listed, looked_at
from handhold.device.lookahead import LookAhead
from handhold.device.recognising import (
    KEPT,
    Recognition,
    Sight,
    Undecided,
    below_role,
    role_of,
    surroundings_of,
)
from handhold.device.refused import Refused, Special, Step
from handhold.device.standing import AsThen, Before, Untouched
from handhold.device.trouble import why_unreadable
from handhold.device.ways import Outcome
from handhold.layouts.recognition.looks import SURE, Looks, Seen
from handhold.layouts.recognition.place import Surroundings
from handhold.model import Device, Gap, HomeKind, Part, Site
from handhold.names import native

if TYPE_CHECKING:
    from handhold.layouts.layout import FolderRules, Layout

__all__ = ["locate", "walk"]

#: After so many files the caller is told how far it has come.
_TELL_EVERY = 256


def walk(
    device: Device,
    layouts: Sequence[Layout],
    leave_out: Sequence[str] = (),
    progress: Callable[[int], None] | None = None,
    *,
    recognise: bool = False,
    before: Callable[[str, str], Before | None] | None = None,
    untouched: Untouched | None = None,
    ahead: LookAhead | None = None,
    scan: Scan = os.scandir,
) -> Walk:
    """What is on the device, and whose it is.

    ``leave_out`` are folders that are not looked into (the archive); ``progress`` is told the number of files
    seen so far. With ``recognise``, what no layout names is looked at as well: saves and states among it are
    claims, and the rest says what it was taken for. What was kept ``before`` (by volume and path) and no
    layout speaks of stays kept, whatever it looks like by now, unless it is surely a game: a save that is
    full says less than one that was just begun. Where a file stands for an entry that ``untouched`` gives,
    that is told it, and there is no claim. No file is looked at more than once, and none that
    was looked at ``ahead``; only files that
    recognition cannot decide by their names are opened, once. Never raises for what it finds: whatever could
    not be read is a ``Gap`` in the result.
    """
    homes = find_homes(device, layouts, leave_out, scan)
    recognition = Recognition({layout.id for layout in layouts}) if recognise else None
    tour = _Tour(homes, LeftOut(leave_out), progress, scan, recognition, before, untouched, ahead)
    roots = list(homes.roots)
    outermost = [root for root in roots if not any(r != root and below(r, root) is not None for r in roots)]
    # Then what no way led to: a volume in a folder that cannot be listed, a home that only its name opens.
    for path in outermost + roots + sorted(homes.starts):
        if path in tour.visited:
            continue
        if tour.left_out.covers(path):
            tour.left_out_wholly(path)
        else:
            tour.run(path)
    if progress is not None:
        progress(tour.files)
    names = [volume.name for volume in device.volumes] + [gap.volume for gap in device.missing]
    order = {name: index for index, name in enumerate(names)}
    refused = {(site.emulator, site.volume, site.path) for site in tour.refused.barred}
    return Walk(
        device=device,
        sites=tuple(homes.sites) + (tuple(recognition.sites) if recognition else ()),
        claims=tour.claims,
        gaps=sorted(
            [*device.missing, *homes.gaps],
            key=lambda gap: (order[gap.volume], gap.path, gap.emulator or "", gap.why),
        ),
        conflicts=sorted(tour.conflicts, key=lambda c: (order[c.volume], *c[1:])),
        unclaimed=sorted(unclaimed(tour.folders), key=lambda u: (order[u.volume], u.path)),
        skipped={emulator: Skipped(*sums) for emulator, sums in sorted(tour.skipped.items())},
        blocked=homes.blocked,
        barred=frozenset(tour.refused.barred),
        files=tour.files,
        ways=tuple(
            way._replace(outcome=Outcome.REFUSED)
            if way.outcome is Outcome.READ and (way.emulator, way.volume, way.path) in refused
            else way
            for way in homes.ways
        ),
        recognised=recognition.found if recognition else {},
    )


class _Tour:
    """The state of one walk."""

    def __init__(
        self,
        homes: Homes,
        left_out: LeftOut,
        progress: Callable[[int], None] | None,
        scan: Scan,
        recognition: Recognition | None,
        before: Callable[[str, str], Before | None] | None,
        untouched: Untouched | None,
        ahead: LookAhead | None,
    ) -> None:
        self.untouched = untouched
        self.ahead = ahead
        self.folder_as_it_was: tuple[Files | None, Site | None, str, AsThen | None] = (None, None, "", None)
        self.before = before
        self.last_asked: tuple[Looked | None, bool] = (None, False)
        self.recognition = recognition
        self.homes = homes
        self.left_out = left_out
        self.progress = progress
        self.scan = scan
        self.claims: list[Claim] = []
        self.conflicts: list[Conflict] = []
        self.folders: list[Folder] = []
        self.skipped: dict[str, list[int]] = {}
        self.refused = Refused(homes)
        self.visited: set[str] = set()  # the roots and homes that were come upon
        self.files = 0
        self.modified = 0  # of the last file: one number for all that have the same time
        self.told = 0
        self.last: tuple[Looks | None, Taken] = (None, NOT_LOOKED_AT)

    def run(self, path: str) -> None:
        """Everything from one folder down."""
        here = self.homes.where(path)
        assert here is not None  # roots are volumes, and homes lie in volumes
        above = surroundings_of(here[1]) if self.recognition is not None else None
        stack = [Step(path, here[0], here[1], None, (), above)]
        while stack:
            step = stack.pop()
            stack += reversed(self.visit(step))
            if self.progress is not None and self.files - self.told >= _TELL_EVERY:
                self.told = self.files
                self.progress(self.files)

    def left_out_wholly(self, path: str) -> None:
        """A volume that lies in what is left out: that is hardly what the owner wants."""
        self.visited.add(path)
        volume = self.homes.roots.get(path)
        if volume is not None:
            self.gap(
                Gap(
                    volume=volume.name,
                    path="",
                    why="the archive fills this volume, so nothing else on it was looked at",
                    advice="Move the archive into a folder of its own on the volume.",
                )
            )

    def visit(self, step: Step) -> list[Step]:
        """One folder: its files are claimed; the folders in it come back."""
        path = step.path
        if self.left_out.holds(path):
            return []  # a volume that begins here is told of when the ways to all of them have been tried
        root = self.homes.roots.get(path)
        if root is not None and step.parent is not None:  # another volume begins inside this one
            self.folders[step.parent].known = True
            above = None if step.here is None else Surroundings.top()
            step = step._replace(volume=root, shown="", parent=None, here=above, into="")
        starts = self.homes.starts.get(path)
        if root is not None or starts:
            if path in self.visited:
                return []
            self.visited.add(path)
        active = (*step.active, *begun(path, starts)) if starts else step.active
        index = len(self.folders)
        folder = Folder(step.parent, step.volume.name, step.shown)
        if active:
            folder.home_of = active[-1].emulator
            folder.known = bool(starts)
        self.folders.append(folder)
        return self.entries(step, folder, index, active, self.looked(step, active, starts))

    def looked(self, step: Step, active: tuple[Active, ...], starts: list[Start] | None) -> Looked:
        """What lies in a folder."""
        if self.ahead is not None and (look := self.ahead.folder(step.path)) is not None:
            return look
        entries, trouble = listed(self.scan, step.path)
        if trouble is not None:
            self.refused.no_listing(step, active, starts if starts and not entries else [], trouble)
        return looked_at(entries)

    def entries(
        self, step: Step, folder: Folder, index: int, active: tuple[Active, ...], look: Looked
    ) -> list[Step]:
        """What lies in one folder: each file is claimed, stands as it was, or is left out."""
        base = f"{step.shown}/" if step.shown else ""
        for shown, _, error in look.failed:
            self.refused.no_file(step, base + shown, active, shown, error)
        special = [] if active else list(map(Special._make, look.others))
        for shown, entry, mode in look.others if active else ():
            self.refused.no_ordinary_file(step, base + shown, active, shown, entry, mode)
        below_here: list[Step] = []
        for name, shown in look.folders:
            deeper = tuple([a._replace(prefix=f"{a.prefix}{shown}/") for a in active])
            below_here.append(Step(joined(step.path, name), step.volume, base + shown, index, deeper))
        self.files += len(look.files)
        which = self.as_then(step, folder, active, look.files)
        undecided = self.claimed(step, folder, active, look, which)
        if self.recognition is None or step.here is None:
            return below_here
        names = [shown for _, shown in look.folders]
        if not (undecided or names or special):
            return below_here  # nobody asks what the folder says
        here = self.recognition.around(
            step.here.into(step.into) if step.into else step.here,
            look.files.names,
            names,
            lambda name: joined(step.path, native(name)),
        )
        if undecided:
            seen = list(map(Seen._make, look.files))
            open_ = [Undecided(at, joined(step.path, native(seen[at].name))) for at, _ in undecided]
            sights = self.recognition.look(here, seen, names, open_)
            for (at, holder), sight in zip(undecided, sights, strict=True):
                self.sighted(step, folder, holder, look, at, sight)
        for odd in special:
            self.refused.no_file_to_recognise(step, here, odd)
        return [each._replace(here=here, into=name) for each, name in zip(below_here, names, strict=True)]

    def as_then(self, step: Step, folder: Folder, active: tuple[Active, ...], files: Files) -> Sequence[int]:
        """Which files of a folder have to be decided: all but those that are as they were, which stand.

        What a file is depends on its path alone where rules that are as they were name it. Where recognition
        took all files of a folder for saves that night, and there is no new name among them, nothing speaks
        against what it said.
        """
        every = range(len(files))
        if self.untouched is None or not files or len(active) > 1:
            return every
        if active:
            site, inner = active[0].site, active[0].prefix[:-1]
            if site.emulator not in self.untouched.named:
                return every
        elif self.recognition is not None:
            role = role_of(step.shown)
            found = self.untouched.recognised.get((step.volume.name, role))
            if found is None:
                return every
            site, inner = found, below_role(role, step.shown)
        else:
            return every
        then = self.untouched(site, inner, files)
        if then is None or len(then.rest) == len(files):
            return every
        if not active:
            assert self.recognition is not None
            parts = then.parts()
            if not parts.keys() <= {*KEPT} or not all(then.knows(files[at][0]) for at in then.rest):
                return every
            if self.recognition.site(step.volume.name, step.shown) != site:
                return every
            self.recognition.note_again(site.emulator, parts)
        folder.known = True
        then.stand()
        return then.rest

    def claimed(
        self, step: Step, folder: Folder, active: tuple[Active, ...], look: Looked, which: Sequence[int]
    ) -> list[tuple[int, Active | None]]:
        """Claims those files of a folder that a layout names; back come those that none does.

        Each of these is with the home that holds it; without recognition it is noted as nobody's.
        """
        undecided: list[tuple[int, Active | None]] = []
        lost: dict[tuple[str, str, str], int] = {}
        one = active[0] if len(active) == 1 else None
        rules: FolderRules | None = None
        kept: AsThen | None = None
        named: Untouched | None = None
        if one is not None and which and self.untouched is not None:
            if one.emulator in self.untouched.named:
                named = self.untouched
            else:
                kept = self.untouched(one.site, one.prefix[:-1], look.files)
        for at, file in zip(which, look.files.some(which), strict=True):
            shown, size, modified = file
            if one is not None:
                path = one.prefix + shown
                then = named.then(one.site, path) if named is not None else None
                if then is not None:  # the rules say of it what they said
                    folder.known = True
                    self.claim(step, one.site, then.part, then.game, path, file, look.twins(at))
                    continue
                rules = rules or one.within(one.home, one.prefix[:-1])
                owner, verdict = one, rules.verdict(shown)
            elif active:
                owner, verdict = asked(active, shown, lost)
            else:
                verdict = None
            if verdict is None:
                if self.recognition is None:
                    folder.add(shown, size, modified)
                else:
                    undecided.append((at, owner if active else None))
                continue
            folder.known = True
            if verdict.part is None or verdict.part is Part.CACHE:
                sums = self.skipped.setdefault(owner.emulator, [0, 0])
                sums[0] += 1
                sums[1] += size
                continue
            was = None if kept is None else kept.entry(at)
            if kept is not None and was and was.part is verdict.part and was.game == verdict.game:
                kept.stand_one(at)
                continue
            path = owner.prefix + shown
            self.claim(step, owner.site, verdict.part, verdict.game, path, file, look.twins(at))
        for (winner, loser, why), count in lost.items():
            self.conflicts.append(Conflict(step.volume.name, step.shown, winner, loser, why, count))
        return undecided

    def claim(
        self,
        step: Step,
        site: Site,
        part: Part,
        game: str | None,
        path: str,
        file: File,
        twins: tuple[int, int] | tuple[()],
    ) -> None:
        """Claims a file that lies at ``path`` in the home."""
        _, size, modified = file
        if modified == self.modified:
            modified = self.modified
        else:
            self.modified = modified
        self.claims.append(Claim(site, part, game, path, size, modified, step.path, *twins))

    def sighted(
        self,
        step: Step,
        folder: Folder,
        holder: Active | None,
        look: Looked,
        at: int,
        sight: Sight,
    ) -> None:
        """A file that no layout names, and what recognition takes it for."""
        assert self.recognition is not None
        file = Seen._make(look.files[at])
        looks, keep = sight.looks, sight.kept
        if not keep and (was := self.kept_before(step, file.name)) is not None:
            # Surely a game by now: as it was, it stays what it was where only files beside it have changed.
            other = looks.part is Part.GAMES and looks.confidence >= SURE
            same = was.told_of == (file.size, file.modified)
            if not other or (same and self.all_kept_before(step, look)):
                looks, keep = Looks(was.part, SURE, ("it was kept before",), was.game), True
        if sight.trouble is not None and not keep:
            path = f"{step.shown}/{file.name}" if step.shown else file.name
            why = f"it may be a save, and could not be opened: {why_unreadable(sight.trouble)}"
            emulator = holder.emulator if holder else None
            self.gap(Gap(step.volume.name, path, why, emulator, ALLOW_READING))
        if not keep:
            if looks is not self.last[0]:  # files of one kind in one folder share it
                sure = looks.confidence >= SURE
                unknown = not sure and looks.part in KEPT
                self.last = (looks, Taken(looks.part if sure else None, "; ".join(looks.reasons), unknown))
            folder.add(file.name, file.size, file.modified, self.last[1])
            return
        assert looks.part is not None
        folder.known = True
        # An export is its emulator's own; what lies beside it is not taken for one.
        if holder is not None and holder.site.kind is not HomeKind.EXPORT:
            site, path = holder.site, holder.prefix + file.name
        else:
            site = self.recognition.site(step.volume.name, step.shown)
            inner = below_role(site.path, step.shown)
            path = f"{inner}/{file.name}" if inner else file.name
        self.recognition.note(site.emulator, file.name, looks)
        then = self.as_it_was(site, path, look.files)
        stands = None if then is None else then.entry(at)
        if then is not None and stands and stands.part is looks.part and stands.game == looks.game:
            then.stand_one(at)
            return
        self.claim(step, site, looks.part, looks.game, path, file, look.twins(at))

    def kept_before(self, step: Step, name: str) -> Before | None:
        """As what a file of a folder was kept, if it was."""
        if self.before is None:
            return None
        return self.before(step.volume.name, f"{step.shown}/{name}" if step.shown else name)

    def all_kept_before(self, step: Step, look: Looked) -> bool:
        """Whether a folder has no file but those that were kept."""
        if self.last_asked[0] is not look:
            kept = all(self.kept_before(step, name) is not None for name in look.files.names)
            self.last_asked = look, kept
        return self.last_asked[1]

    def as_it_was(self, site: Site, path: str, files: Files) -> AsThen | None:
        """Which files of a folder stand for what was recognised; they come together."""
        if self.untouched is None:
            return None
        inner = path.rpartition("/")[0]
        if self.folder_as_it_was[0] is not files or self.folder_as_it_was[1:3] != (site, inner):
            self.folder_as_it_was = (files, site, inner, self.untouched(site, inner, files))
        return self.folder_as_it_was[3]

    def gap(self, gap: Gap) -> None:
        self.homes.gaps.append(gap)
