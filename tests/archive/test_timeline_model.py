"""Timelines of random nights and restores against a model that looks at every file of every night."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

import pytest

from handhold.archive.archive import Archive
from handhold.archive.blocks import block_id
from handhold.archive.head import Snapshot
from handhold.archive.pages import begins_page
from handhold.archive.standing import Line
from handhold.archive.timeline import timelines
from handhold.errors import Damaged
from handhold.model import Entry, Gap, HomeKind, Kind, Part, Site
from tests.archive.fixtures import EVENING
from tests.archive.memory import Card

PLACE = Line("plover", "card", "tinplate")
MAIN = Site("tinplate", "main", HomeKind.FOLDER, "card", "Tinplate")
OTHER = Site("lantern", "main", HomeKind.FOLDER, "card", "Lantern")
#: At these a page begins, so that a night has several.
BEGIN = ("b091.sav", "d024.sav", "f032.sav")
PATHS = tuple(sorted([*BEGIN, *(f"{letter}.sav" for letter in "abcdefg")]))
#: What each content is told as.
NAMES = {block_id(text.encode()).hex(): text for text in "xyz"}

Told = dict[str, list[tuple[float, str | None]]]


@dataclass
class Model:
    """What is told by looking at every file: (sequence, content), None where nothing stands any more."""

    stands: dict[str, str] = field(default_factory=dict)
    told: Told = field(default_factory=dict)

    def note(self, sequence: float, path: str, content: str | None) -> None:
        if self.stands.get(path) == content:
            return
        if content is None:
            del self.stands[path]
        else:
            self.stands[path] = content
        self.told.setdefault(path, []).append((sequence, content))

    def spoke(self, sequence: float, files: dict[str, str], replaced: set[str] | None = None) -> None:
        """A manifest that speaks of its own files only."""
        for path, content in files.items():
            if replaced is not None and path not in replaced:
                self.note(sequence, path, None)
            self.note(sequence, path, content)

    def night(self, sequence: float, files: dict[str, str], hidden: set[str]) -> None:
        self.spoke(sequence, files)
        for path in self.stands.keys() - files.keys() - hidden:
            self.note(sequence, path, None)


class Story:
    """A device whose saves change, and the archive that is told of some of it."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(seed)
        self.archive = Archive.create(Card({}), lambda: EVENING)
        self.card = {path: self.content() for path in PATHS if self.chance.random() < 0.7}
        self.model = Model()
        self.hurt: set[str] = set()

    def content(self) -> str:
        return self.chance.choice("xyz")

    def some(self, most: int) -> list[str]:
        return self.chance.sample(PATHS, self.chance.randint(0, most))

    def go_on(self) -> None:
        """One evening: something is played, deleted, restored, or nothing; mostly a night."""
        for path in self.some(2):
            if self.chance.random() < 0.4:
                self.card.pop(path, None)
            else:
                self.card[path] = self.content()
        if self.chance.random() < 0.25:
            self.restore()
        else:
            self.night()

    def restore(self) -> None:
        files = {path: self.content() for path in self.some(4)}
        before = {path: self.card[path] for path in files if path in self.card}
        safety = None
        if before:
            safety = self.write(before, Kind.SAFETY)
            self.model.spoke(safety.sequence, before)
        if self.chance.random() < 0.2:
            return  # it was cut off before it wrote anything
        done = self.write(files, Kind.RESTORED, safety=safety)
        self.model.spoke(done.sequence, files, set(before))
        self.card |= files

    def night(self) -> None:
        turn = self.chance.random()
        hidden: set[str] = set()
        gaps: list[Gap] = []
        sites, left_out = [MAIN, OTHER], list[Part]()
        if turn < 0.1:
            hidden, sites = set(PATHS), [OTHER]  # the card was out
        elif turn < 0.2:
            hidden, left_out = set(PATHS), [Part.SAVES]
        elif turn < 0.4:
            hidden = set(self.some(3))
            gaps = [Gap("card", f"Tinplate/{path}", "it cannot be read") for path in hidden]
        seen = {path: content for path, content in self.card.items() if path not in hidden}
        night = self.write(seen, Kind.NIGHT, sites=sites, gaps=gaps, left_out=left_out)
        if turn > 0.95:
            self.hurt.add(night.file)
        else:
            self.model.night(night.sequence, seen, hidden)

    def write(
        self,
        files: dict[str, str],
        kind: Kind,
        *,
        safety: Snapshot | None = None,
        sites: list[Site] | None = None,
        gaps: list[Gap] | None = None,
        left_out: list[Part] | None = None,
    ) -> Snapshot:
        with self.archive.locked("test"), self.archive.writer() as writer:
            entries = [
                Entry("tinplate", Part.SAVES, "main", path, 1, 0, writer.put_plain(content.encode()))
                for path, content in files.items()
            ]
            return writer.finish(
                device="plover", kind=kind, taken=EVENING, volumes=[], sites=tuple(sites or [MAIN]),
                layouts={}, entries=entries, gaps=gaps or [], note="",
                safety=safety.file if safety else None, left_out=left_out or [],
            )  # fmt: skip


def told(archive: Archive) -> Told:
    """What the timelines tell, as the model tells it."""
    return {
        path: [
            (moment.snapshot.sequence, NAMES[moment.entry.sha256] if moment.entry else None)
            for moment in places[PLACE]
        ]
        for (_, _, path), places in timelines(archive, [Part.SAVES]).lines.items()
    }


def check(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    story = Story(seed)
    for _ in range(story.chance.randint(2, 16)):
        story.go_on()
    real = story.archive.read

    def read(snapshot: Snapshot) -> object:
        if snapshot.file in story.hurt:
            raise Damaged("hurt")
        return real(snapshot)

    monkeypatch.setattr(story.archive, "read", read)
    assert told(story.archive) == story.model.told, f"seed {seed}"


def test_the_paths_make_several_pages() -> None:
    begin = [path for path in PATHS if begins_page(Entry("tinplate", Part.SAVES, "main", path, 1, 0, ""))]
    assert tuple(begin) == BEGIN


@pytest.mark.parametrize("seed", range(120))
def test_timelines_are_what_every_file_of_every_night_tells(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    check(seed, monkeypatch)


@pytest.mark.long
def test_timelines_of_many_stories(monkeypatch: pytest.MonkeyPatch) -> None:
    for seed in range(1000, 6000):
        check(seed, monkeypatch)
