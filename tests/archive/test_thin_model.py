"""Years of nights on several devices, thinned at random: after every step every night that stays is whole.

An archive that is never thinned goes along with the one that is. Both must say the same of every save: what
stood where, when, and which content is newer. So nothing that thinning does can let an older save pass for a
newer one.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot, VolumeNote
from handhold.archive.inventory import Game
from handhold.archive.recipe import Range
from handhold.archive.retention import Rule, retain
from handhold.archive.standing import BEGUN, standings
from handhold.archive.thin import prepare, thin
from handhold.archive.timeline import timelines
from handhold.archive.verify import verify
from handhold.archive.writer import Writer
from handhold.model import Entry, Gap, HomeKind, Kind, Part, Site
from tests.archive.fixtures import entry
from tests.archive.memory import Card

BERLIN = ZoneInfo("Europe/Berlin")
OFFSETS = [timezone(timedelta(hours=hours)) for hours in (-5, 0, 1, 2, 9)]
HOMES = {
    "main": Site("tinplate", "main", HomeKind.FOLDER, "internal", "Tinplate"),
    "card": Site("tinplate", "card", HomeKind.FOLDER, "card", "Tinplate"),
    "out": Site("tinplate", "out", HomeKind.EXPORT, "internal", "Exports"),
}

#: (home, path)
Place = tuple[str, str]


@dataclass
class Handheld:
    """A device: what stands on it now."""

    name: str
    stands: dict[Place, bytes] = field(default_factory=dict)
    out: bool = False  # the card
    seen: dict[Place, bytes] = field(default_factory=dict)  # as of the last night that could look


@dataclass
class Years:
    """Two archives with the same past, one of which is thinned."""

    chance: random.Random
    now: datetime = datetime(2024, 11, 20, 21, tzinfo=OFFSETS[2])
    thinned: Archive = field(init=False)
    whole: Archive = field(init=False)
    devices: list[Handheld] = field(default_factory=lambda: [Handheld("pebble"), Handheld("heron")])
    #: what each snapshot held, by name
    held: dict[str, dict[Place, bytes]] = field(default_factory=dict)
    #: (device, place) -> every content that stood in a night and is not nothing, in order
    stood: dict[tuple[str, Place], list[bytes]] = field(default_factory=dict)
    did: Counter[str] = field(default_factory=Counter)
    given_up: bool = False

    def __post_init__(self) -> None:
        self.thinned, self.whole = (Archive.create(Card({}), lambda: self.now) for _ in range(2))

    def content(self) -> bytes:
        size = self.chance.choice([0, 40, 300, 300, 2000, 9000])
        return self.chance.randbytes(size)

    def play(self, device: Handheld) -> None:
        for _ in range(self.chance.randint(0, 4)):
            what, place = self.chance.random(), self.place(device)
            if what < 0.6:
                device.stands[place] = self.content()
            elif what < 0.8:
                device.stands.pop(place, None)
            elif what < 0.9:  # goes back, or brings over from anywhere
                past = self.chance.choice(list(self.held.values()) or [{}])
                if past:
                    device.stands[place] = self.chance.choice(list(past.values()))
            else:
                device.out = not device.out

    def place(self, device: Handheld) -> Place:
        if self.chance.random() < 0.15:  # an export has the date in its name
            for place in [one for one in device.stands if one[0] == "out"][:-1]:
                del device.stands[place]
            return "out", f"export {self.now:%Y-%m-%d}.zip"
        return self.chance.choice(["main", "main", "card"]), f"saves/{self.chance.randrange(9)}.sav"

    def clock(self) -> datetime:
        """Mostly the time of day; now and then that of a clock which is wrong."""
        if self.chance.random() < 0.06:
            self.did["wrong clocks"] += 1
            wrong = datetime(self.chance.choice([1980, 2001, 2060]), 1, 1, tzinfo=OFFSETS[1])
            return wrong + timedelta(minutes=self.chance.randrange(10**6))
        return self.now.astimezone(self.chance.choice(OFFSETS))

    def night(self, device: Handheld) -> None:
        seen = {
            place: data for place, data in device.stands.items() if not (device.out and place[0] == "card")
        }
        sites = [site for name, site in HOMES.items() if not (device.out and name == "card")]
        gaps = [Gap("card", "", "it is empty")] if device.out else []
        self.write(device.name, Kind.NIGHT, self.clock(), seen, sites, gaps)
        hidden = {place: data for place, data in device.seen.items() if place[0] == "card" and device.out}
        device.seen = hidden | seen
        for place, data in seen.items():
            history = self.stood.setdefault((device.name, place), [])
            if data and (not history or history[-1] != data):
                history.append(data)
        self.did["nights"] += 1

    def restore(self, device: Handheld) -> None:
        """Puts a few files of a night that is there onto a device, with the records of a restore."""
        nights = self.thinned.nights()
        if not nights:
            return
        base = self.chance.choice(nights)
        wanted = {
            place: data
            for place, data in self.held[base.name].items()
            if self.chance.random() < 0.4 and not (device.out and place[0] == "card")
        }
        replaced = {place: device.stands[place] for place in wanted if place in device.stands}
        sites = list(HOMES.values())
        safety = None
        if replaced:
            safety = self.write(device.name, Kind.SAFETY, self.clock(), replaced, sites, [], base=base.name)
        if self.chance.random() < 0.8:
            self.write(
                device.name, Kind.RESTORED, self.clock(), wanted, sites, [], BEGUN, base.name, safety
            )  # fmt: skip
        self.write(device.name, Kind.RESTORED, self.clock(), wanted, sites, [], "", base.name, safety)
        device.stands.update(wanted)
        self.did["restores"] += 1

    def write(
        self,
        device: str,
        kind: Kind,
        taken: datetime,
        files: dict[Place, bytes],
        sites: list[Site],
        gaps: list[Gap],
        note: str = "",
        base: str | None = None,
        safety: tuple[str, str] | None = None,
    ) -> tuple[str, str]:
        """Writes it into both archives; the files of its two manifests."""
        wrote = []
        chance = self.chance.getstate()
        for number, archive in enumerate((self.thinned, self.whole)):
            self.chance.setstate(chance)
            with archive.locked("test"), archive.writer() as writer:
                entries = [self.entry(writer, *place, data) for place, data in files.items()]
                wrote.append(
                    writer.finish(
                        device=device,
                        kind=kind,
                        taken=taken,
                        volumes=[VolumeNote("internal", "ext4")],
                        sites=sites,
                        layouts={"tinplate": b"layout of year %d" % self.now.year}
                        if kind is Kind.NIGHT
                        else {},
                        entries=entries,
                        gaps=gaps,
                        note=note,
                        base=base,
                        safety=safety[number] if safety else None,
                        games=[Game("tinplate", "main", "Fieldfare.bin", 9)] if kind is Kind.NIGHT else (),
                    )
                )
        assert wrote[0].sequence == wrote[1].sequence
        self.held[wrote[0].name] = dict(files)
        return wrote[0].file, wrote[1].file

    def entry(self, writer: Writer, home: str, path: str, data: bytes) -> Entry:
        cut = len(data) >= 2000
        listed = b'{"name":"%s","size":0,"stored":0,"at":0,"crc32":"00000000"}\n' % path.encode()
        members = writer.put_list(listed) if home == "out" else None
        if cut:
            runs = [data[at : at + 700] for at in range(0, len(data), 700)]
            ranges = [Range(bytes.fromhex(writer.put_plain(run)), 0, len(run)) for run in runs]
            made = entry(path, data, recipe=writer.put_recipe(ranges))
        else:
            if data:
                writer.put_plain(data)
            made = entry(path, data)
        return Entry(
            made.emulator, Part.SAVES, home, path, made.size, 0, made.sha256, None, made.recipe, members
        )

    # -- thinning ----------------------------------------------------------------------------------------

    def thin(self) -> None:
        archive = self.thinned
        rule = Rule(*(self.chance.choice([0, 1, 2, 5, 9]) for _ in range(4)))
        let_go = self.chance.random() < 0.03
        before, records = archive.snapshots(), archive.records()
        with archive.locked("test"):
            plan = prepare(archive, rule, BERLIN, self.now, let_go=let_go)
            thin(archive, plan)
        self.given_up |= let_go
        left = archive.snapshots()
        nights = [one for one in before if one.kind is Kind.NIGHT]
        gone = {one.name for one in before} - {one.name for one in left}
        assert gone == {one.name for one in (*plan.goes, *plan.records)}
        self.did["thinned"] += 1
        self.did["let go"] += len(plan.goes)
        self.did["records let go"] += len(plan.records)
        self.did["kept as the only one"] += len(plan.sole)
        # The rule: what it keeps stays.
        assert not retain(records, rule, BERLIN, self.now).keys() & {one.file for one in plan.goes}
        for device in {one.device for one in nights}:
            assert [one for one in nights if one.device == device][-1] in left
        for one in plan.records:
            real = one.taken if one.taken.year in (2024, 2025, 2026, 2027) else None
            assert real is None or real < self.now - timedelta(days=30)
        self.check_pairs(left)
        # The room: nothing is left that should have gone.
        again = prepare(archive, rule, BERLIN, self.now, let_go=let_go)
        assert not again.goes
        assert not again.sweep.dead
        assert not [one for one in again.sweep.rewritten if one.room <= one.size / 2 - 32], "mostly dead"

    def check_pairs(self, left: list[Snapshot]) -> None:
        """What a restore put aside is there as long as the restore is."""
        files = {one.file for one in left}
        for one in left:
            if one.kind is Kind.RESTORED and (safety := self.thinned.read(one).safety):
                assert safety in files

    def check(self, deep: bool) -> None:
        archive = Archive.open(self.thinned.storage)
        standing: list[dict[Place, bytes]] = []
        for one in archive.snapshots():
            manifest = archive.read(one)
            contents = {(e.home, e.path): b"".join(archive.content(e)) for e in archive.entries(manifest)}
            assert contents == self.held[one.name], one.name
            for emulator in manifest.layouts:
                assert archive.layout(manifest, emulator)
            archive.games(manifest)
            if one.kind is Kind.NIGHT:
                standing.append(contents)
        self.check_saves(archive)
        report = verify(self.thinned.storage, deep)
        assert report.ok, report.damage
        assert set(report.whole) == {one.name for one in archive.nights()}
        self.did["checks"] += 1

    def check_saves(self, archive: Archive) -> None:
        """Of every save that ever stood in a night something is left, unless it was given up."""
        if self.given_up:
            return
        nights = archive.nights()
        for handheld in self.devices:
            if handheld.out:  # what stands on a card that is out is there as it was last seen
                for place, data in handheld.seen.items():
                    if place[0] == "card" and data:
                        assert any(
                            self.held[one.name].get(place) == data
                            for one in nights
                            if one.device == handheld.name
                        ), f"{handheld.name} {place} is not there as it was last seen"
        for (device, place), history in self.stood.items():
            versions = {
                self.held[one.name].get(place, b"") for one in nights if one.device == device
            } - {b""}  # fmt: skip
            if place[0] != "out":
                assert versions or not history, f"{device} {place} is lost"
            elif not any(
                one[0] == "out" and data
                for night in nights
                if night.device == device
                for one, data in self.held[night.name].items()
            ):
                raise AssertionError(f"{device}: no export is left")

    def compare(self) -> None:
        """Both archives say the same of every save."""
        identities = {
            ("tinplate", Part.SAVES, path) for held in self.held.values() for _, path in held
        }  # fmt: skip
        mine, full = (standings(one, identities) for one in (self.thinned, self.whole))
        assert mine.lines == full.lines
        assert not mine.unreadable
        told = []
        for archive in (self.thinned, self.whole):
            found = timelines(archive, list(Part))
            assert not found.unreadable
            told.append(
                {
                    (identity, line): [
                        (m.snapshot.name, m.snapshot.kind, m.entry, m.site) for m in moments
                    ]
                    for identity, lines in found.lines.items()
                    for line, moments in lines.items()
                }
            )  # fmt: skip
        assert told[0] == told[1]
        self.did["comparisons"] += 1

    def run(self, days: int) -> None:
        for day in range(days):
            self.now += timedelta(days=1, minutes=self.chance.randint(-90, 90))
            for device in self.devices:
                if self.chance.random() < 0.8:
                    self.play(device)
                    self.night(device)
            if self.chance.random() < 0.08:
                self.restore(self.chance.choice(self.devices))
            if self.chance.random() < 0.07:
                self.thin()
                self.check(deep=self.chance.random() < 0.3)
                if self.chance.random() < 0.4 or day > days - 20:
                    self.compare()
        self.thin()
        self.check(deep=True)
        self.compare()


def seeds(count: int) -> Iterator[Years]:
    for seed in range(count):
        yield Years(random.Random(seed))


def test_months_of_nights_thinned_at_random() -> None:
    did: Counter[str] = Counter()
    for years in seeds(2):
        years.run(85)
        did += years.did
    assert did["let go"] > 50
    assert did["records let go"]
    assert did["wrong clocks"]
    assert did["kept as the only one"]


@pytest.mark.long
def test_years_of_nights_thinned_at_random(capsys: pytest.CaptureFixture[str]) -> None:
    did: Counter[str] = Counter()
    for years in seeds(3):
        years.run(2 * 365)
        did += years.did
    with capsys.disabled():
        print(f"\n{dict(did)}")


def test_the_model_finds_a_thinning_that_forgets(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without what is remembered of the nights that went, who is newer would change."""

    def forget(archive: Archive) -> list[Snapshot]:
        return [one for one in archive.manifests() if not one.let_go]

    monkeypatch.setattr(Archive, "records", forget)
    with pytest.raises(AssertionError):
        for years in seeds(3):
            years.run(120)
