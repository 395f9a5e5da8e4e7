"""What differs between two states: by hand, and against sets."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from handhold.history.differences import Differences, State, What, differences
from handhold.model import Entry, Gap, HomeKind, Part, Site
from handhold.unseen import unseen
from tests.history.nights import BEGAN, digest

MAIN = Site("tinplate", "main", HomeKind.FOLDER, "internal", "Tinplate")
CARD = Site("tinplate", "main@card", HomeKind.FOLDER, "card", "Tinplate")


def file(path: str, content: str, *, emulator: str = "tinplate", home: str = "main") -> Entry:
    part = Part.SETTINGS if path.endswith(".ini") else Part.SAVES
    return Entry(emulator, part, home, path, len(content), 0, digest(content))


def state(*entries: Entry, device: str = "plover") -> State:
    return State("name", device, BEGAN, entries, (MAIN, CARD), layouts=frozenset({"tinplate"}))


def told(found: Differences) -> list[str]:
    return [
        " ".join([one.what.value, *(f"{e.home}:{e.path}" for e in (one.before, one.after) if e is not None)])
        for one in found.found
    ]


def test_new_changed_gone_and_the_same_with_saves_first() -> None:
    found = differences(
        state(file("a.ini", "1"), file("b.sav", "2"), file("c.sav", "3"), file("d.sav", "4")),
        state(file("a.ini", "5"), file("b.sav", "2"), file("c.sav", "6"), file("e.sav", "7")),
    )
    assert told(found) == [
        "changed main:c.sav main:c.sav",
        "gone main:d.sav",
        "new main:e.sav",
        "changed main:a.ini main:a.ini",
    ]
    assert found.same == 1


def test_the_same_content_under_another_name_was_moved_and_a_copy_is_new() -> None:
    found = differences(
        state(file("old/a.sav", "1"), file("b.sav", "2")),
        state(file("new/a.sav", "1"), file("b.sav", "2"), file("copy of b.sav", "2")),
    )
    assert told(found) == ["new main:copy of b.sav", "moved main:old/a.sav main:new/a.sav"]


def test_of_several_places_the_likeliest_is_where_it_went() -> None:
    found = differences(
        state(file("a.sav", "1"), file("b.sav", "1")),
        state(file("x/b.sav", "1"), file("x/a.sav", "1"), file("x/c.sav", "1")),
    )
    assert told(found) == [
        "moved main:a.sav main:x/a.sav", "moved main:b.sav main:x/b.sav", "new main:x/c.sav",
    ]  # fmt: skip


def test_another_emulator_that_has_the_files_now() -> None:
    found = differences(state(file("a.sav", "1")), state(file("a.sav", "1", emulator="lantern")))
    assert [one.what for one in found.found] == [What.MOVED]


def test_empty_files_do_not_move() -> None:
    found = differences(state(file("a.sav", "")), state(file("b.sav", "")))
    assert told(found) == ["gone main:a.sav", "new main:b.sav"]


def test_another_home_of_the_same_device_is_another_place_and_on_another_device_is_none() -> None:
    inside, card = state(file("a.sav", "1")), state(file("a.sav", "1", home="main@card"))
    assert told(differences(inside, card)) == ["moved main:a.sav main@card:a.sav"]
    assert differences(inside, replace(card, device="wren")).found == ()
    # a home that only has another name lies where it lay
    renamed = replace(card, sites=(replace(CARD, volume="internal"),))
    assert differences(inside, renamed).found == ()
    played = state(file("a.sav", "2", home="main@card"))
    assert told(differences(inside, played)) == ["changed main:a.sav main@card:a.sav"]


def test_what_could_not_be_seen_is_neither_gone_nor_new() -> None:
    gap = Gap("internal", "Tinplate/deep", "it cannot be read")
    blind = replace(state(file("a.sav", "1")), hidden=tuple(unseen([gap], [], False)))
    seeing = state(file("a.sav", "1"), file("deep/b.sav", "2"))
    assert told(differences(seeing, blind)) == ["unknown main:deep/b.sav"]
    assert told(differences(blind, seeing)) == ["unknown main:deep/b.sav"]
    told_not_to = replace(state(), hidden=tuple(unseen([], [Part.SAVES], False)))
    assert told(differences(state(file("a.sav", "1"), file("a.ini", "2")), told_not_to)) == [
        "unknown main:a.sav", "gone main:a.ini",
    ]  # fmt: skip


HELD = st.dictionaries(st.sampled_from("abcdef"), st.sampled_from(["", "1", "2", "3"]), max_size=6)


@given(HELD, HELD)
def test_every_file_is_told_once(old: dict[str, str], new: dict[str, str]) -> None:
    found = differences(
        state(*(file(path, content) for path, content in sorted(old.items()))),
        state(*(file(path, content) for path, content in sorted(new.items()))),
    )
    before = [one.before.path for one in found.found if one.before]
    after = [one.after.path for one in found.found if one.after]
    same = {path for path in old.keys() & new.keys() if old[path] == new[path]}
    assert found.same == len(same)
    assert sorted(before) == sorted(old.keys() - same) and sorted(after) == sorted(new.keys() - same)
    assert {one.entry.path for one in found.of(What.CHANGED)} == (old.keys() & new.keys()) - same
    for one in found.of(What.MOVED):
        assert one.before and one.after and one.before.sha256 == one.after.sha256 and one.after.size
    # nothing is left on both sides that one could have become the other
    gone = {one.entry.sha256 for one in found.of(What.GONE) if one.entry.size}
    assert not gone & {one.entry.sha256 for one in found.of(What.NEW)}


@given(HELD, HELD)
def test_the_other_way_round_it_is_the_opposite(old: dict[str, str], new: dict[str, str]) -> None:
    a = state(*(file(path, content) for path, content in old.items()))
    b = state(*(file(path, content) for path, content in new.items()))
    there, back = differences(a, b), differences(b, a)
    assert {d.entry.path for d in there.of(What.CHANGED)} == {d.entry.path for d in back.of(What.CHANGED)}
    assert len(there.of(What.NEW)) == len(back.of(What.GONE)) and there.same == back.same
    assert len(there.of(What.MOVED)) == len(back.of(What.MOVED))
