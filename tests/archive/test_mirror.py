"""A second archive that is brought up to date: what comes, what does not, and what is told."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handhold.archive.archive import Archive
from handhold.archive.bundle import HEADER_SIZE
from handhold.archive.head import Snapshot
from handhold.archive.mirror import lacking, mirror
from handhold.archive.retention import Rule
from handhold.archive.standing import Order, order, standings
from handhold.archive.storage import LocalStorage
from handhold.archive.thin import prepare, thin
from handhold.archive.verify import verify
from handhold.errors import Damaged, NotNow, OwnerError, WrongInput
from handhold.model import Kind, Part
from tests.archive.fixtures import EVENING, OFFSET, contents, make, night
from tests.archive.memory import Card


def filled(nights: int = 3) -> Archive:
    archive = Archive.create(Card({}), lambda: EVENING)
    for number in range(nights):
        evening(archive, number)
    return archive


def evening(archive: Archive, number: int, device: str = "pebble") -> Snapshot:
    saves = {"a.sav": b"chapter %d" % number * 60, "b.sav": b"the same" * 40}
    return night(archive, saves, device=device, taken=EVENING + timedelta(days=number))


def give_back(archive: Archive) -> dict[str, dict[str, bytes]]:
    """Every snapshot with what it gives back, of an archive opened anew that is whole to the last byte."""
    assert verify(archive.storage, deep=True).ok
    fresh = Archive.open(archive.storage)
    return {one.name: contents(fresh, one) for one in fresh.snapshots()}


def only(files: dict[str, bytes], ending: str) -> list[str]:
    return sorted(name for name in files if name.endswith(ending))


def test_an_empty_folder_becomes_a_second_archive() -> None:
    first, card = filled(), Card({})
    done = mirror(first, card)
    assert done.made and not done.hurt and len(done.arrived) == 3
    second = Archive.open(card)
    assert second.id == first.id
    assert give_back(second) == give_back(first)
    assert isinstance(first.storage, Card)
    assert card.files == first.storage.files  # byte for byte
    again = mirror(first, card)
    assert (again.files, again.bytes, again.arrived, again.made) == (0, 0, [], False)


def test_only_what_is_new_is_copied() -> None:
    first, card = filled(), Card({})
    mirror(first, card)
    before = dict(card.files)
    new = evening(first, 7)
    done = mirror(first, card)
    assert [one.name for one in done.arrived] == [new.name]
    assert done.files == 2  # its bundle and its manifest
    assert {name: card.files[name] for name in before} == before


@pytest.mark.parametrize("after", range(1, 9))
def test_a_run_that_is_cut_off_is_gone_on_with(after: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """After so many files the card is pulled out; what has arrived is whole, and the rest comes."""
    first, card = filled(), Card({})
    count = 0
    begin = Card.begin

    def pulled(self: Card, folder: str) -> object:
        nonlocal count
        count += 1
        if count > after:
            raise NotNow("the card is out")
        return begin(self, folder)

    with monkeypatch.context() as patch:
        patch.setattr(Card, "begin", pulled)
        if after < 8:  # three bundles, three manifests, the guide and the description
            with pytest.raises(NotNow):
                mirror(first, card)
    if "archive.yaml" in card.files:
        give_back(Archive.open(card))
    mirror(first, card)
    assert give_back(Archive.open(card)) == give_back(first)


def test_bundles_come_before_manifests() -> None:
    first, card = filled(), Card({})
    order: list[str] = []

    class Told(dict[str, bytes]):
        def __setitem__(self, name: str, data: bytes) -> None:
            order.append(name)
            super().__setitem__(name, data)

    card.files = Told()
    mirror(first, card)
    named = [name.partition("/")[0] for name in order if not name.endswith(".part")]
    assert named == ["ARCHIVE.md", "archive.yaml", *["bundles"] * 3, *["manifests"] * 3]


def test_what_does_not_arrive_as_it_was_sent_is_told_and_comes_again(monkeypatch: pytest.MonkeyPatch) -> None:
    first, card = filled(), Card({})
    delivered = Card.read

    def worn(self: Card, name: str, offset: int, length: int) -> bytes:
        data = delivered(self, name, offset, length)
        spoilt = self is card and name.endswith(".bundle") and offset == 0 and len(data) > 9
        return data[:-3] + bytes([data[-3] ^ 1]) + data[-2:] if spoilt else data

    with monkeypatch.context() as patch:
        patch.setattr(Card, "read", worn)
        with pytest.raises(OwnerError, match="did not arrive"):
            mirror(first, card)
    assert not only(card.files, ".bundle") and not only(card.files, ".manifest")
    mirror(first, card)
    assert give_back(Archive.open(card)) == give_back(first)


def test_what_is_hurt_here_is_not_copied_and_the_rest_is() -> None:
    first, card = filled(), Card({})
    assert isinstance(first.storage, Card)
    files = first.storage.files
    newest = max(first.snapshots(), key=lambda one: one.sequence)
    (entry, *_) = first.entries(first.read(newest))
    place = next(first.index.places(bytes.fromhex(entry.sha256)))
    data = bytearray(files[place.file])
    data[place.row.offset + HEADER_SIZE] ^= 1
    files[place.file] = bytes(data)
    done = mirror(first, card)
    assert list(done.hurt) == [place.file]
    assert [one.name for one in done.held_back] == [newest.name]
    assert len(done.arrived) == 2
    assert len(give_back(Archive.open(card))) == 2
    data[place.row.offset + HEADER_SIZE] ^= 1  # repaired
    files[place.file] = bytes(data)
    assert [one.name for one in mirror(first, card).arrived] == [newest.name]
    assert len(give_back(Archive.open(card))) == 3


@pytest.mark.parametrize("ending", [".bundle", ".manifest"])
@pytest.mark.parametrize("how", ["cut", "lost"])
def test_what_is_hurt_or_lost_there_comes_again(ending: str, how: str) -> None:
    first, card = filled(), Card({})
    mirror(first, card)
    whole = dict(card.files)
    victim = only(card.files, ending)[0]
    if how == "cut":
        card.files[victim] = card.files[victim][:-40]
    else:
        del card.files[victim]
    assert not verify(card, deep=False).ok or ending == ".manifest"
    done = mirror(first, card)
    assert not done.hurt
    assert card.files == whole


def test_a_manifest_that_is_hurt_here_keeps_nothing_else_back() -> None:
    first, card = filled(), Card({})
    assert isinstance(first.storage, Card)
    victim = only(first.storage.files, ".manifest")[0]
    first.storage.files[victim] = b"\0" * 300
    done = mirror(Archive.open(first.storage), card)
    assert list(done.hurt) == [victim]
    assert len(give_back(Archive.open(card))) == 2


@pytest.mark.parametrize("hurt_here", [True, False])
@pytest.mark.parametrize("let_go", [True, False])
def test_a_manifest_that_is_hurt_is_no_sign_of_having_gone_on_apart(hurt_here: bool, let_go: bool) -> None:
    """Else a single dead sector would keep every later night from the second place."""
    first, card = filled(), Card({})
    assert isinstance(first.storage, Card)
    mirror(first, card)
    victim = first.nights()[0].file
    if let_go:
        thinned(Archive.open(card) if hurt_here else first, 1)
    (first.storage if hurt_here else card).files[victim] = b"\0" * 300
    first = Archive.open(first.storage)
    newest = evening(first, 9)
    done = mirror(first, card)
    assert not done.lack.apart and not done.lack.both
    assert newest in done.arrived
    if hurt_here:
        mirror(Archive.open(card), first.storage)
    assert verify(card, deep=True).ok or (let_go and not hurt_here)


def test_another_archive_is_refused() -> None:
    with pytest.raises(WrongInput, match="another archive"):
        mirror(filled(), filled().storage)
    with pytest.raises(WrongInput, match="no archive"):
        mirror(filled(), Card({"photos/a.jpg": b"mine"}))


def test_room_is_checked_first() -> None:
    first, card = filled(), Card({}, room=40_000)
    before = sum(map(len, card.files.values()))
    with pytest.raises(OwnerError, match="not enough room"):
        mirror(first, card)
    assert before == 0 and not only(card.files, ".bundle") and not only(card.files, ".manifest")


# -- two places that went on ------------------------------------------------------------------------------


def table(text: str) -> list[Snapshot]:
    """Records from words: device and sequence; before them ``-``: let go, ``+``: adopted, ``*``: another."""
    return [
        Snapshot(
            word.lstrip("-+"),
            plain[0],
            float(plain[1:]),
            Kind.ADOPTED if "+" in word else Kind.NIGHT,
            EVENING,
            1, 1, 0, "", word, "-" in word,
        )
        for word in text.split()
        for plain in (word.lstrip("-+*"),)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("here", "there", "bring", "apart", "both", "let_go", "only_there", "diverged"),
    [
        ("", "", "", "", "", "", "", False),
        ("p1 p2 h3", "", "p1 p2 h3", "", "", "", "", False),
        ("p1 p2", "p1 p2", "", "", "", "", "", False),
        ("p1", "p1 p2", "", "", "", "", "p2", False),  # only the other way round has work to do
        ("p1 p2", "p1 h2", "p2", "", "", "", "h2", True),  # each device went on in one place
        ("p1 p2 p3", "p1 *p2", "p2 p3", "", "p", "", "*p2", True),  # two second nights: it shows
        ("p1 p2", "p1 p3", "", "p2", "p", "", "p3", True),  # it does not show, so they stay apart
        ("p1 p2 h3", "p1 p4", "h3", "p2", "p", "", "p4", True),
        ("p1 p2 p3", "p1 *p3", "", "p2 p3", "p", "", "*p3", True),  # it shows too late
        ("p1 +p1.2", "p1 +p1.3", "+p1.2", "", "", "", "+p1.3", True),  # adopted ones have their places
        ("-p1 p2", "p1", "p2", "", "", "", "", False),  # let go here: it stays whole there
        ("p1 p2", "-p1 p2", "", "", "", "p1", "", False),  # let go there: it stays so
        ("-p1 p2", "", "-p1 p2", "", "", "", "", False),
    ],
)
def test_what_is_lacking(
    here: str, there: str, bring: str, apart: str, both: str, let_go: str, only_there: str, diverged: bool
) -> None:
    lack = lacking(table(here), table(there))
    told = (lack.bring, lack.apart, lack.let_go, lack.only_there)
    files = [" ".join(one.file for one in each) for each in told]
    assert files == [bring, apart, let_go, only_there]
    assert " ".join(lack.both) == both
    assert lack.diverged is diverged


@given(
    st.sets(st.tuples(st.sampled_from("ph"), st.integers(1, 8))),
    st.sets(st.tuples(st.sampled_from("ph"), st.integers(1, 8))),
)
def test_nothing_is_brought_that_would_mix_two_orders(
    here: set[tuple[str, int]], there: set[tuple[str, int]]
) -> None:
    mine, other = (table(" ".join(f"{d}{n}" for d, n in sorted(side))) for side in (here, there))
    lack = lacking(mine, other)
    assert {one.file for one in (*lack.bring, *lack.apart)} == {f"{d}{n}" for d, n in here - there}
    twice = {n for _, n in here | there if {("p", n), ("h", n)} <= here | there}
    for device in "ph":
        new, only = ({n for d, n in side if d == device} for side in (here - there, there - here))
        if new and only and (not twice or min(twice) > min(n for _, n in here ^ there)):
            assert device not in {one.device for one in lack.bring}


def test_two_places_with_a_device_each_become_the_same() -> None:
    first, card = filled(2), Card({})
    mirror(first, card)
    second = Archive.open(card)
    evening(first, 5)
    evening(second, 6, device="heron")
    done = mirror(first, card)
    assert done.lack.diverged and not done.lack.apart
    assert [one.device for one in done.lack.only_there] == ["heron"]
    mirror(Archive.open(card), first.storage)
    assert give_back(Archive.open(card)) == give_back(Archive.open(first.storage))
    assert len(give_back(first)) == 4


def test_who_is_newer_is_not_told_of_a_device_that_went_on_in_both_places() -> None:
    """Played on at home (three nights) and, later, on a journey (one): that one is the newest.

    Its number is lower than those of home. By the numbers alone the journey's save would be an older one.
    """
    first, card = filled(2), Card({})
    mirror(first, card)
    for day in (3, 4, 5):
        evening(first, day)
    journey = evening(Archive.open(card), 9)
    home = max(first.nights(), key=lambda one: one.sequence)
    assert journey.sequence < home.sequence
    done = mirror(first, card)
    assert done.lack.diverged and done.lack.both == ("pebble",) and len(done.arrived) == 3
    assert mirror(Archive.open(card), first.storage).arrived == [journey]
    for storage in (first.storage, card):
        archive = Archive.open(storage)
        assert len(give_back(archive)) == 6
        lines = standings(archive, {("tinplate", Part.SAVES, "a.sav")}).of(("tinplate", Part.SAVES, "a.sav"))
        at_home, away = (next(iter(archive.entries(archive.read(one)))).sha256 for one in (home, journey))
        assert order(lines, away, at_home) is order(lines, at_home, away) is Order.FORK
        # Neither the newest of home nor that of the journey is let go.
        archive = thinned(archive, 1)
        assert {one.name for one in archive.nights()} == {home.name, journey.name}


def test_those_whose_numbers_would_not_show_it_stay_apart() -> None:
    first, card = filled(2), Card({})
    mirror(first, card)
    evening(first, 3)
    second = Archive.open(card)
    evening(second, 4)
    skipped = evening(second, 9)
    gone = min(second.nights(), key=lambda one: (one.sequence != 3, one.sequence))
    second.delete(gone.file)  # as if that number had never been given
    done = mirror(first, card)
    assert [one.sequence for one in done.lack.apart] == [3] and not done.files
    assert done.lack.only_there == (skipped,)


# -- and what was let go ----------------------------------------------------------------------------------


def thinned(archive: Archive, nights: int) -> Archive:
    with archive.locked("test"):
        plan = prepare(archive, Rule(nights=nights), OFFSET, EVENING + timedelta(days=90))
        assert plan.goes
        thin(archive, plan)
    return Archive.open(archive.storage)


def test_what_was_let_go_here_stays_whole_there() -> None:
    first, card = filled(6), Card({})
    mirror(first, card)
    whole = give_back(Archive.open(card))
    first = thinned(first, 2)
    evening(first, 8)
    done = mirror(first, card)
    assert [one.sequence for one in done.arrived] == [7]
    assert give_back(Archive.open(card)) == whole | give_back(first)


def test_what_was_let_go_there_does_not_come_back() -> None:
    first, card = filled(6), Card({})
    mirror(first, card)
    thinned(Archive.open(card), 2)
    small = sum(map(len, card.files.values()))
    done = mirror(first, card)
    assert len(done.lack.let_go) == 4 and not done.files
    assert sum(map(len, card.files.values())) == small
    assert len(give_back(Archive.open(card))) == 2


def test_a_new_mirror_of_a_thinned_archive_remembers_as_much() -> None:
    first = thinned(filled(6), 2)
    card = Card({})
    mirror(first, card)
    second = Archive.open(card)
    assert [one.name for one in second.records()] == [one.name for one in first.records()]
    assert len(second.snapshots()) == 2
    identity = ("tinplate", Part.SAVES, "a.sav")
    assert standings(second, {identity}).lines == standings(first, {identity}).lines
    assert give_back(second) == give_back(first)


def test_an_archive_that_is_hurt_there_is_told() -> None:
    first, card = filled(), Card({})
    mirror(first, card)
    card.files["archive.yaml"] = b"format: 1\n"
    with pytest.raises(Damaged):
        mirror(first, card)


@pytest.mark.volumes
def test_on_a_real_card(fat: Path, tmp_path: Path) -> None:
    """A second archive on FAT, brought up to date twice, thinned there, and brought back from there."""
    first = make(tmp_path)
    for day in range(10):
        evening(first, day)
    folder = fat / "handhold"
    folder.mkdir()
    card = LocalStorage(str(folder))
    assert len(mirror(first, card).arrived) == 10
    evening(first, 11)
    assert len(mirror(first, card).arrived) == 1
    assert give_back(Archive.open(card)) == give_back(first)
    second = thinned(Archive.open(card), 3)
    whole = give_back(second)
    assert len(whole) == 3
    again = tmp_path / "again"
    again.mkdir()
    mirror(second, LocalStorage(str(again)))
    assert give_back(Archive.open(LocalStorage(str(again)))) == whole
