"""A layout drafted from a folder, and proved on what was seen in it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

import msgspec

from handhold.documents.mistakes import Mistake
from handhold.layouts.catalogue import files_in, read_files, resolve
from handhold.layouts.draft.doubts import Doubts, doubts
from handhold.layouts.draft.drafting import Drafting
from handhold.layouts.draft.likeness import Evidence, Likeness, likenesses
from handhold.layouts.draft.ownrule import OwnRule, merged
from handhold.layouts.draft.sighting import KEPT, LEFT, Sighting, fits, kept_as, wanted
from handhold.layouts.draft.yamltext import layout_text
from handhold.layouts.layout import Layout
from handhold.layouts.reading import read_draft
from handhold.model import Part
from handhold.resources import patterns_folder

_NAME = "the draft"


class Wanted(msgspec.Struct, frozen=True):
    """What a draft is to be called, and where its folder lies."""

    id: str
    title: str
    source: str  # the folder, as the owner knows it
    places: tuple[str, ...]  # "volume:path", as a layout has them
    about: str = ""  # what is to be said of the places
    inside: tuple[str, ...] = ()  # app-private storage of the same name


class Proposal(msgspec.Struct, frozen=True):
    """A drafted layout: its text, and what it makes of the files from which it was drafted."""

    text: str
    layout: Layout
    like: Likeness
    likenesses: tuple[Likeness, ...]
    keep: tuple[OwnRule, ...]
    skip: tuple[OwnRule, ...]
    doubts: Doubts
    recognised: Mapping[Part, int]  # how many files look like each part
    claimed: Mapping[
        Part, int
    ]  # how many of these the draft has right; games and caches: leaves on the device
    missed: tuple[tuple[Sighting, Part | None], ...]  # saves and states that it has as something else


class Unsound(Exception):
    """A draft that does not read as a layout; a defect of handhold."""

    def __init__(self, mistakes: Sequence[Mistake]) -> None:
        super().__init__("; ".join(map(str, mistakes[:3])))


def draft(
    sightings: Sequence[Sighting], patterns: Mapping[str, Layout], evidence: Evidence, named: Wanted
) -> Proposal:
    """A layout for these files, on the pattern that they resemble most.

    At least one file must look like something; every recognised save and state is claimed as what it looks
    like, unless two files whose names a card holds for one look like different parts.
    """
    ranked = likenesses(sightings, patterns, evidence)
    best = ranked[0]
    drafting = Drafting(sightings, patterns[best.pattern], best.home)
    drafting.run()
    own = _Own(named, best, next((one for one in ranked if one.pattern != best.pattern), None))
    keep, skip = merged(drafting.keep), drafting.skip
    layout = own.read(own.text(keep, skip, Doubts()))
    judged = _judged(layout, best.home, sightings)
    if _misses(judged) and keep != drafting.keep:
        plainer = own.read(own.text(drafting.keep, skip, Doubts()))
        again = _judged(plainer, best.home, sightings)
        if len(_misses(again)) < len(_misses(judged)):
            keep, judged = drafting.keep, again
    unsure = doubts(judged)
    text = own.text(keep, skip, unsure)
    recognised: Counter[Part] = Counter()
    claimed: Counter[Part] = Counter()
    for sighting, given, _ in judged:
        want = wanted(sighting.looks)
        if want is not None:
            recognised[want] += 1
            claimed[want] += given is want or (want in LEFT and fits(want, given))
    return Proposal(
        text=text,
        layout=own.read(text),
        like=best,
        likenesses=tuple(ranked),
        keep=tuple(keep),
        skip=tuple(skip),
        doubts=unsure,
        recognised=recognised,
        claimed=claimed,
        missed=tuple(_misses(judged)),
    )


class _Own:
    """Writes and reads one draft."""

    def __init__(self, named: Wanted, best: Likeness, runner_up: Likeness | None) -> None:
        self.named = named
        self.best = best
        self.runner_up = runner_up
        self.homes = [(best.home, named.places, named.about)]
        if best.pattern == "moved-folder" and named.inside:
            self.homes.append(("inside", named.inside, "where it was before it was moved out"))
        self.patterns = read_files(files_in([patterns_folder()], []), [])

    def text(self, keep: Sequence[OwnRule], skip: Sequence[OwnRule], unsure: Doubts) -> str:
        named = self.named
        return layout_text(
            id=named.id,
            title=named.title,
            source=named.source,
            like=self.best,
            runner_up=self.runner_up,
            homes=self.homes,
            keep=keep,
            skip=skip,
            doubts=unsure,
        )

    def read(self, text: str) -> Layout:
        """The draft, read as any layout is. Raises ``Unsound``."""
        mistakes: list[Mistake] = []
        own = read_draft(text.encode("utf-8"), _NAME, mistakes)
        layouts = resolve([*self.patterns, own], mistakes)
        if mistakes:
            raise Unsound(mistakes)
        return next(layout for layout in layouts if layout.id == self.named.id)


_Judged = tuple[Sighting, Part | None, bool]


def _judged(layout: Layout, home: str, sightings: Sequence[Sighting]) -> list[_Judged]:
    found = []
    for sighting in sightings:
        verdict = layout.verdict(home, sighting.path)
        found.append((sighting, kept_as(verdict), verdict is not None))
    return found


def _misses(judged: Sequence[_Judged]) -> list[tuple[Sighting, Part | None]]:
    return [(s, given) for s, given, _ in judged if (want := wanted(s.looks)) in KEPT and given is not want]
