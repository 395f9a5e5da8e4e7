"""Versions of a save through nights and devices, by hand; and against a plain list of what was kept."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.archive.bundle import HEADER_SIZE
from handhold.archive.head import Snapshot
from handhold.errors import Damaged, UnknownName, WrongInput
from handhold.history.versions import History
from handhold.model import Gap, HomeKind, Kind, Site
from tests.history.nights import BEGAN, Nights, digest

SAVE = "saves/Moss.sav"


@pytest.fixture
def nights(tmp_path: Path) -> Nights:
    return Nights(tmp_path / "archive")


def told(save: History, *contents: str) -> list[str]:
    """Each version, newest first: number, content, first and last day of March, nights, devices, after."""
    names = {digest(content): content for content in contents}
    return [
        f"{one.number} {names[one.content]} {one.first.taken.day}-{one.last.taken.day} x{one.nights} "
        f"{'+'.join(one.devices)} after {save.after().get(one.number)}{' *' if one.stands else ''}"
        for one in save.versions
    ]


def test_contents_that_follow_each_other(nights: Nights) -> None:
    for content in ("one", "one", "two", "three"):
        nights.write("plover", {SAVE: content})
    assert told(nights.one(), "one", "two", "three") == [
        "3 three 4-4 x1 plover after 2 *",
        "2 two 3-3 x1 plover after 1",
        "1 one 1-2 x2 plover after None",
    ]


def test_an_old_one_that_came_back_keeps_its_number(nights: Nights) -> None:
    for content in ("one", "two", "one"):
        nights.write("plover", {SAVE: content})
    assert told(nights.one(), "one", "two") == [
        "1 one 1-3 x2 plover after None *",
        "2 two 2-2 x1 plover after 1",
    ]


def test_what_was_played_after_going_back_came_after_that(nights: Nights) -> None:
    for content in ("one", "two", "one", "three"):
        nights.write("plover", {SAVE: content})
    assert nights.one().after() == {2: 1, 3: 1}


def test_two_devices_that_played_on_are_a_fork(nights: Nights) -> None:
    nights.write("plover", {SAVE: "one"})
    nights.write("wren", {SAVE: "one"})
    nights.write("plover", {SAVE: "two"})
    nights.write("wren", {SAVE: "three"})
    save = nights.one()
    assert told(save, "one", "two", "three") == [
        "3 three 4-4 x1 wren after 1 *",
        "2 two 3-3 x1 plover after 1 *",
        "1 one 1-2 x2 plover+wren after None",
    ]
    assert [version.number for version in save.forked] == [3, 2]


def test_what_a_carry_wrote_counts_as_standing_there_and_ends_the_fork(nights: Nights) -> None:
    nights.write("plover", {SAVE: "one"})
    nights.write("wren", {SAVE: "one"})
    nights.write("plover", {SAVE: "two"})
    nights.write("wren", {SAVE: "three"})
    safety = nights.write("plover", {SAVE: "two"}, kind=Kind.SAFETY)
    nights.write("plover", {SAVE: "three"}, kind=Kind.RESTORED, safety=safety.file)
    save = nights.one()
    assert told(save, "one", "two", "three") == [
        "3 three 4-6 x1 wren+plover after 1 *",  # the restored one is no night
        "2 two 3-5 x2 plover after 1",
        "1 one 1-2 x2 plover+wren after None",
    ]
    assert save.forked == ()


def test_what_is_brought_back_comes_from_the_newest_whole_night(nights: Nights) -> None:
    nights.write("plover", {SAVE: "one"})
    night = nights.write("plover", {SAVE: "one"})
    nights.write("plover", {SAVE: "one"}, kind=Kind.SAFETY)
    nights.write("plover", {SAVE: "two"}, kind=Kind.RESTORED)
    newest, oldest = nights.one().versions
    assert oldest.source is not None and oldest.source.name == night.name
    assert newest.source is None  # nothing names what a restore wrote
    kept = nights.write("plover", {SAVE: "two"}, kind=Kind.SAFETY)
    source = nights.one().versions[0].source
    assert source is not None and source.name == kept.name


def test_what_was_adopted_stands_where_its_time_puts_it(nights: Nights) -> None:
    nights.write("plover", {SAVE: "two"})
    nights.write("plover", {SAVE: "old"}, kind=Kind.ADOPTED, sequence=0.5, taken=BEGAN.replace(day=1, hour=8))
    assert told(nights.one(), "old", "two") == [
        "2 two 1-1 x1 plover after 1 *",
        "1 old 1-1 x1 plover after None",
    ]


def test_a_save_that_is_gone_and_one_that_a_night_could_not_see(nights: Nights) -> None:
    other = {"saves/Other.sav": "x"}
    nights.write("plover", {SAVE: "one", **other})
    nights.write("plover", other, gaps=[Gap("card", "Tinplate/saves", "it cannot be read")])
    assert nights.one().gone == {}
    nights.write("plover", other, sites=[Site("tinplate", "main", HomeKind.FOLDER, "card", "Elsewhere")])
    assert nights.one().gone == {}  # another place says nothing of this one
    missed = nights.write("plover", other)
    nights.write("plover", other)
    save = nights.one()
    assert [night.name for night in save.gone.values()] == [missed.name]
    assert save.versions[0].stands == ()
    nights.write("plover", {SAVE: "one", **other})
    assert nights.one().gone == {}


def test_a_number_or_the_beginning_of_a_digest_names_a_version(nights: Nights) -> None:
    for content in ("one", "two"):
        nights.write("plover", {SAVE: content})
    save = nights.one()
    assert [save.version(name) for name in ("0", "3", "12345", "zzzzzz", digest("one")[:5])] == [None] * 5
    found = save.version("1")
    assert found is not None and found.content == digest("one")
    assert save.version(digest("two")[:8].upper()) == save.versions[0]


def test_words_that_ask(nights: Nights) -> None:
    nights.write("plover", {SAVE: "a", "saves/deep/Ärger & Ruhm.sav": "b", "states/Moss.st1": "c"})

    def paths(*games: str, what: str | None = None) -> list[str]:
        return [save.identity[2] for save in nights.histories(*games, what=what)]

    assert paths("moss") == [SAVE, "states/Moss.st1"]  # saves first
    assert paths("ärger*") == paths("A\u0308RGER*") == ["saves/deep/Ärger & Ruhm.sav"]
    assert paths(what="moss.SAV") == paths(what="saves/moss.sav") == [SAVE]
    assert paths(what="saves") == [SAVE, "saves/deep/Ärger & Ruhm.sav"]
    assert len(paths(what="tinplate")) == 3
    with pytest.raises(UnknownName, match='no game named "mos"'):
        paths("mos")
    with pytest.raises(UnknownName, match="Did you mean Moss"):
        paths(what="mos")


def test_an_empty_archive_says_so(nights: Nights) -> None:
    with pytest.raises(WrongInput, match="no snapshot yet"):
        nights.histories()


def test_a_hurt_manifest_is_named_and_the_rest_is_told(nights: Nights, tmp_path: Path) -> None:
    nights.write("plover", {SAVE: "one"})
    hurt = nights.write("plover", {SAVE: "two"})
    nights.write("plover", {SAVE: "three"})
    file = tmp_path / "archive" / hurt.file
    data = bytearray(file.read_bytes())
    data[-3] ^= 1
    file.write_bytes(data)
    assert told(nights.one(), "one", "three") == [
        "2 three 3-3 x1 plover after 1 *",
        "1 one 1-1 x1 plover after None",
    ]


def test_lists_that_are_hurt_are_told_where_nothing_was_found(nights: Nights, tmp_path: Path) -> None:
    """What was asked for may stand in them."""

    def without_its_list(night: Snapshot) -> None:
        archive = nights.archive
        (page,) = archive.read(night).pages
        place = archive.index.first(bytes.fromhex(page.id))
        assert place is not None
        file = tmp_path / "archive" / place.file
        data = bytearray(file.read_bytes())
        data[place.row.offset + HEADER_SIZE + place.row.stored // 2] ^= 1
        file.write_bytes(data)

    hurt = nights.write("plover", {SAVE: "one"})
    without_its_list(hurt)
    with pytest.raises(Damaged, match="No list of files") as none:
        nights.histories()
    assert f"{hurt.name} could not be read in full" in none.value.advice
    nights.write("wren", {"saves/Salt.sav": "two"})
    with pytest.raises(UnknownName) as unknown:
        nights.histories("moss")
    assert f"{hurt.name} could not be read in full" in unknown.value.advice


KEPT = st.lists(
    st.tuples(
        st.sampled_from(["plover", "wren"]),
        st.dictionaries(st.sampled_from(["Moss", "Salt"]), st.sampled_from("abcd"), max_size=2),
        st.sampled_from([Kind.NIGHT, Kind.NIGHT, Kind.SAFETY, Kind.RESTORED]),
    ),
    min_size=1,
    max_size=9,
)


@settings(deadline=None, max_examples=40)
@given(KEPT)
def test_as_a_plain_list_has_it(kept: list[tuple[str, dict[str, str], Kind]]) -> None:
    """Every snapshot that holds a content is told, and none that does not."""
    with tempfile.TemporaryDirectory() as folder:
        nights = Nights(Path(folder) / "archive")
        named = [
            nights.write(d, {f"saves/{g}.sav": c for g, c in held.items()}, kind=k) for d, held, k in kept
        ]
        for game in ("Moss", "Salt"):
            having = [
                (snapshot, held[game])
                for snapshot, (_, held, _) in zip(named, kept, strict=True)
                if game in held
            ]
            if not having:
                continue
            save = nights.one(game)
            contents = list(dict.fromkeys(content for _, content in having))
            assert {one.content for one in save.versions} == {digest(content) for content in contents}
            for version in save.versions:
                content = contents[version.number - 1]  # numbered as they were first seen
                holding = [snapshot for snapshot, held in having if held == content]
                assert version.content == digest(content)
                assert [one.name for one in version.snapshots] == [one.name for one in holding]
                assert version.first.name == holding[0].name and version.last.name == holding[-1].name
                assert set(version.devices) == {one.device for one in holding}
                assert version.nights == sum(one.kind is not Kind.RESTORED for one in holding)
                assert sum(stay.nights for stay in version.stays) == version.nights
                born = holding[0]  # what stood before it on that device
                before = [
                    c for one, c in having if one.device == born.device and one.sequence < born.sequence
                ]
                expected = contents.index(before[-1]) + 1 if before else None
                assert save.after().get(version.number) == expected
            last = {one.device: content for one, content in having}
            standing = {
                (line.device, version.content) for version in save.versions for line in version.stands
            }
            gone = {line.device for line in save.gone}
            assert standing == {(d, digest(c)) for d, c in last.items() if d not in gone}
