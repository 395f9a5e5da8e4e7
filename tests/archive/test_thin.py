"""What goes and what is needed, case by case: last copies, references, room, hurt places, readers."""

from __future__ import annotations

import random
from datetime import datetime, timedelta

import pytest

from handhold.archive import recipe, sweeping
from handhold.archive.archive import Archive
from handhold.archive.bundle import HEADER_SIZE, Row
from handhold.archive.head import Snapshot, VolumeNote
from handhold.archive.reachable import Reachable
from handhold.archive.recipe import Range
from handhold.archive.retention import Rule
from handhold.archive.sweeping import Victim, decide
from handhold.archive.thin import Thinned, Thinning, prepare, thin
from handhold.archive.verify import verify
from handhold.errors import Damaged
from handhold.model import Entry, Gap, HomeKind, Kind, Part, Site
from tests.archive.fixtures import EVENING, OFFSET, contents, entry, finish, night
from tests.archive.memory import Card

LATER = EVENING + timedelta(days=90)
NEWEST = Rule(nights=1)


def made() -> Archive:
    return Archive.create(Card({}), lambda: EVENING)


def evening(archive: Archive, day: int, saves: dict[str, bytes], device: str = "pebble") -> Snapshot:
    return night(archive, saves, device=device, taken=EVENING + timedelta(days=day))


def plan(archive: Archive, rule: Rule = NEWEST, *, let_go: bool = False, now: datetime = LATER) -> Thinning:
    return prepare(archive, rule, OFFSET, now, let_go=let_go)


def let(archive: Archive, rule: Rule = NEWEST, *, let_go: bool = False) -> Thinned:
    with archive.locked("test"):
        return thin(archive, plan(archive, rule, let_go=let_go))


def files(archive: Archive) -> dict[str, bytes]:
    assert isinstance(archive.storage, Card)
    return archive.storage.files


def stays(archive: Archive, *, let_go: bool = False) -> list[int]:
    """The numbers of the nights that stay."""
    return [int(one.sequence) for one, _ in plan(archive, let_go=let_go).stays]


# -- last copies ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("evenings", "expected"),
    [
        # the last night has every save: nothing else is needed
        ([{"a": b"1"}, {"a": b"2"}, {"a": b"3"}], [3]),
        # b was deleted: its last version stays
        ([{"a": b"1", "b": b"1"}, {"a": b"2", "b": b"2"}, {"a": b"3"}], [2, 3]),
        # two that were deleted at different times
        ([{"a": b"1", "b": b"1", "c": b"1"}, {"a": b"1", "b": b"2"}, {"a": b"2"}], [1, 2, 3]),
        # one night has both
        ([{"a": b"1"}, {"a": b"1", "b": b"2", "c": b"2"}, {"a": b"3"}], [2, 3]),
        # a save that was emptied, or is all zero or all 0xFF: the last one that holds something stays
        ([{"a": b"1"}, {"a": b"2"}, {"a": b""}, {"a": b""}], [2, 4]),
        ([{"a": b"1"}, {"a": b"2"}, {"a": bytes(64)}, {"a": b"\xff" * 64}], [2, 4]),
        # what never held anything is nothing
        ([{"a": b"1", "b": b""}, {"a": b"2"}], [2]),
        # it was deleted and came back
        ([{"a": b"1", "b": b"1"}, {"a": b"1"}, {"a": b"2", "b": b"9"}], [3]),
    ],
)
def test_the_last_copy_of_a_save_stays(evenings: list[dict[str, bytes]], expected: list[int]) -> None:
    archive = made()
    for day, saves in enumerate(evenings):
        evening(archive, day, saves)
    assert stays(archive) == expected
    assert stays(archive, let_go=True) == [len(evenings)]


def test_a_save_of_another_device_does_not_stand_in_for_one() -> None:
    archive = made()
    evening(archive, 0, {"a": b"pebble's own", "b": b"1"})
    evening(archive, 1, {"b": b"2"})
    evening(archive, 2, {"a": b"heron's"}, device="heron")
    assert stays(archive) == [1, 2, 3]


def test_once_the_only_one_always_the_only_one() -> None:
    """What is kept as the last copy is kept by the next run too, and the next."""
    archive = made()
    evening(archive, 0, {"a": b"1", "b": b"1"})
    for day in range(1, 9):
        evening(archive, day, {"a": b"%d" % day})
        let(archive)
        assert [int(one.sequence) for one in archive.nights()] == [1, day + 1]


def told(
    archive: Archive, day: int, entries: list[tuple[str, str, bytes]], sites: list[Site], gaps: list[Gap]
) -> None:
    """A night with files in homes: (home, path, content)."""
    with archive.locked("test"), archive.writer() as writer:
        kept = []
        for home, path, data in entries:
            writer.put_plain(data)
            made = entry(path, data)
            kept.append(Entry(made.emulator, Part.SAVES, home, path, made.size, 0, made.sha256))
        writer.finish(
            device="pebble", kind=Kind.NIGHT, taken=EVENING + timedelta(days=day),
            volumes=[VolumeNote("internal", "ext4")], sites=sites, layouts={}, entries=kept, gaps=gaps,
        )  # fmt: skip


MAIN = Site("tinplate", "main", HomeKind.FOLDER, "internal", "Tinplate")
ON_CARD = Site("tinplate", "card", HomeKind.FOLDER, "card", "Tinplate")
OUT = Site("tinplate", "out", HomeKind.EXPORT, "internal", "Exports")


@pytest.mark.parametrize(
    ("sites", "gaps"),
    [([MAIN], []), ([MAIN, ON_CARD], [Gap("card", "", "it is empty")])],
    ids=["no card", "a gap"],
)
def test_what_a_night_could_not_see_stays_as_it_was_last_seen(sites: list[Site], gaps: list[Gap]) -> None:
    """An older version in a night that stays would do for a save that was deleted, not for a hidden one."""
    archive = made()
    both = [MAIN, ON_CARD]
    told(archive, 0, [("main", "a", b"1"), ("card", "b", b"old")], both, [])
    told(archive, 1, [("main", "a", b"1"), ("card", "b", b"last")], both, [])
    told(archive, 9, [("main", "a", b"2")], sites, gaps)
    told(archive, 10, [("main", "a", b"3")], sites, gaps)
    assert stays(archive) == [2, 4]


def test_exports_with_their_dates_in_their_names_are_versions_of_one() -> None:
    archive = made()
    for day in range(6):
        told(archive, day, [("out", f"export {day}.zip", b"%d" % day)], [OUT], [])
    assert stays(archive) == [6]


# -- what is needed ---------------------------------------------------------------------------------------


def test_a_save_that_holds_the_very_bytes_of_a_recipe() -> None:
    """The block is a file and a recipe: what it leads to as a recipe is needed all the same."""
    archive = made()
    with archive.locked("test"), archive.writer() as writer:
        runs = [b"one" * 50, b"two" * 50]
        ranges = [Range(bytes.fromhex(writer.put_plain(run)), 0, len(run)) for run in runs]
        ident = writer.put_recipe(ranges)
        twin = entry("a twin", recipe.encode(ranges))
        assert twin.sha256 == ident
        finish(writer, [twin, entry("large", b"".join(runs), recipe=ident)], device="pebble")
    let(archive)
    (snapshot,) = archive.nights()
    assert contents(Archive.open(archive.storage), snapshot)["large"] == b"".join(runs)


def test_everything_that_a_snapshot_names_is_needed_and_nothing_else() -> None:
    archive = made()
    evening(archive, 0, {"a": b"first" * 20})
    gone = evening(archive, 1, {"a": b"second" * 20})
    needed = Reachable(archive)
    needed.follow(archive.snapshots()[0])
    needed.follow(gone, content=False)
    marked = {archive.index.place(number).row.id.hex() for number, mark in enumerate(needed.needed) if mark}
    (page,) = archive.read(gone).pages
    (first,) = archive.read(archive.snapshots()[0]).pages
    assert marked == {page.id, first.id, entry("a", b"first" * 20).sha256}


@pytest.mark.parametrize("what", ["page", "recipe"])
def test_where_it_is_not_known_what_is_needed_nothing_goes(what: str) -> None:
    archive = made()
    with archive.locked("test"), archive.writer() as writer:
        runs = [b"one" * 50, b"two" * 50]
        ranges = [Range(bytes.fromhex(writer.put_plain(run)), 0, len(run)) for run in runs]
        ident = writer.put_recipe(ranges)
        finish(writer, [entry("large", b"".join(runs), recipe=ident)], device="pebble", taken=EVENING)
    evening(archive, 5, {"large": b"now small"})
    first = archive.nights()[0]
    block = ident if what == "recipe" else archive.read(first).pages[0].id
    place = next(archive.index.places(bytes.fromhex(block)))
    data = bytearray(files(archive)[place.file])
    data[place.row.offset + HEADER_SIZE + 3] ^= 1
    files(archive)[place.file] = bytes(data)
    before = dict(files(archive))
    hurt = Archive.open(archive.storage)
    if what == "recipe":
        evening(hurt, 6, {"large": b"x"})
        hurt = Archive.open(archive.storage)
        before = dict(files(archive))
    with pytest.raises(Damaged, match=r"hurt|cannot be read"):
        let(hurt, Rule(nights=9))
    assert files(archive) == before


# -- room -------------------------------------------------------------------------------------------------


def victim(number: int, size: int, *stored: int) -> tuple[str, int, tuple[Row, ...]]:
    rows = tuple(Row(bytes([number, at] * 16), 8, one, one, 0, 0) for at, one in enumerate(stored))
    return f"bundle {number}", size, rows


MIB = 1 << 20


@pytest.mark.parametrize(
    ("bundles", "dead", "rewritten"),
    [
        ([victim(1, 9 * MIB)], [1], []),
        ([victim(1, 9 * MIB, 5 * MIB)], [], []),  # more than half is needed
        ([victim(1, 9 * MIB, 4 * MIB)], [], [1]),
        ([victim(n, MIB, MIB - 200) for n in range(7)], [], []),
        ([victim(n, MIB, MIB - 200) for n in range(8)], [], [*range(8)]),  # small ones, and many
        ([victim(n, 9 * MIB, 8 * MIB) for n in range(20)], [], []),
    ],
)
def test_which_bundles_go(
    bundles: list[tuple[str, int, tuple[Row, ...]]], dead: list[int], rewritten: list[int]
) -> None:
    sweep = decide(bundles)
    assert [one.file for one in sweep.dead] == [f"bundle {n}" for n in dead]
    assert [one.file for one in sweep.rewritten] == [f"bundle {n}" for n in rewritten]
    assert isinstance(next(iter((*sweep.dead, *sweep.rewritten)), None), Victim | None)


@pytest.mark.parametrize(("room", "done"), [(5_000, 0), (18_000, 4), (200_000, 4)])
def test_little_room_is_used_as_far_as_it_goes(room: int, done: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Four bundles of 110,000 bytes, of each 10,000 are needed: each step frees room for the next."""
    monkeypatch.setattr(sweeping, "SPARE", 0)
    chance = random.Random(3)
    archive, saves = made(), {}
    for day in range(4):
        saves[f"keep {day}"] = chance.randbytes(10_000)
        evening(archive, day, saves | {"a": chance.randbytes(100_000)})
    evening(archive, 8, saves | {"a": b"1"})
    assert isinstance(archive.storage, Card)
    archive.storage.room = sum(map(len, files(archive).values())) + room
    told = let(archive).told
    assert bool(told) == (done < 4)
    assert verify(archive.storage, deep=True).ok
    assert sum(len(data) > 100_000 for data in files(archive).values()) == 4 - done
    assert contents(Archive.open(archive.storage), archive.nights()[0]) == saves | {"a": b"1"}


def test_a_bundle_that_is_hurt_stays_as_it_is() -> None:
    """A byte of what is needed has changed: what can still be had from it is not thrown away."""
    archive = made()
    evening(archive, 0, {"a": b"1" * 5, "b": b"needed" * 9, "c": bytes(range(256)) * 9})
    last = evening(archive, 1, {"a": b"2", "b": b"needed" * 9})
    evening(archive, 2, {"a": b"2", "b": b"needed" * 9})
    place = next(archive.index.places(bytes.fromhex(entry("b", b"needed" * 9).sha256)))
    data = bytearray(files(archive)[place.file])
    data[place.row.offset + HEADER_SIZE] ^= 1
    files(archive)[place.file] = bytes(data)
    hurt = Archive.open(archive.storage)
    done = let(hurt, let_go=True)
    assert done.damage and place.file in done.told[0]
    assert files(archive)[place.file] == bytes(data)
    assert last.file not in files(archive)


# -- readers, and what restores put aside -----------------------------------------------------------------


def test_a_reader_that_began_before_goes_on() -> None:
    archive = made()
    for day in range(9):
        evening(archive, day, {"a": bytes([day]) * 900, "all": b"in each" * 70})
    reader = Archive.open(archive.storage)
    last = reader.nights()[-1]
    assert len(reader.index)  # it knows where everything lies
    let(archive)
    block = bytes.fromhex(entry("", b"in each" * 70).sha256)
    assert {place.file for place in reader.index.places(block)}.isdisjoint(files(archive))
    assert contents(reader, last)["all"] == b"in each" * 70


def records(archive: Archive, day: int) -> tuple[Snapshot, Snapshot]:
    """A restore: what it put aside, and what it wrote."""
    wrote: list[Snapshot] = []
    with archive.locked("test"), archive.writer() as writer:
        for kind, data in ((Kind.SAFETY, b"put aside %d" % day), (Kind.RESTORED, b"1")):
            writer.put_plain(data)
            wrote.append(
                writer.finish(
                    device="pebble", kind=kind, taken=EVENING + timedelta(days=day), volumes=[], sites=[MAIN],
                    layouts={}, entries=[entry("a", data)], gaps=[],
                    safety=wrote[0].file if wrote else None,
                )
            )  # fmt: skip
    return wrote[0], wrote[1]


@pytest.mark.parametrize(("days", "gone"), [(29, False), (31, True)])
def test_what_a_restore_put_aside_stays_for_thirty_days(days: int, gone: bool) -> None:
    archive = made()
    evening(archive, 0, {"a": b"1"})
    pair = records(archive, 1)
    evening(archive, 1 + days, {"a": b"2"})
    found = plan(archive)
    assert {one.file for one in found.records} == ({one.file for one in pair} if gone else set())
    let(archive)
    assert verify(archive.storage, deep=True).ok
    kinds = [one.kind for one in archive.snapshots()]
    assert kinds == ([Kind.NIGHT] if gone else [Kind.SAFETY, Kind.RESTORED, Kind.NIGHT])
    remembered = {one.sequence: one for one in archive.records() if one.let_go}
    if gone:  # what is remembered of the restore names what is remembered of what it put aside
        assert archive.read(remembered[3]).safety == remembered[2].file


def test_what_only_a_restore_put_aside_stays() -> None:
    archive = made()
    evening(archive, 0, {"b": b"1"})
    records(archive, 1)  # of a save that no night has
    evening(archive, 60, {"b": b"2"})
    assert not plan(archive).records
    assert len(plan(archive, let_go=True).records) == 2
