"""Pages: any entries go in and come out, a change stays on one page, nothing is believed unchecked."""

from __future__ import annotations

import hashlib
import json
import random
import tracemalloc

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold import names
from handhold.archive import pages
from handhold.archive.blocks import LARGEST
from handhold.model import Entry, Part
from tests.archive.fixtures import entry

_name = (
    st.binary(min_size=1, max_size=20)
    .filter(lambda raw: b"/" not in raw and b"\0" not in raw and raw not in (b".", b".."))
    .map(lambda raw: names.written(raw.decode("utf-8", "surrogateescape")))
)
_path = st.lists(_name, min_size=1, max_size=3).map("/".join)
_digest = st.binary(min_size=32, max_size=32).map(bytes.hex)
_entries = st.lists(
    st.builds(
        Entry,
        emulator=st.from_regex(r"[a-z0-9][a-z0-9-]{0,39}", fullmatch=True),
        part=st.sampled_from(Part),
        home=st.sampled_from(["main", "main@card", "main@card2"]),
        path=_path,
        size=st.integers(1, (1 << 63) - 1),
        modified=st.integers(-(1 << 62), 1 << 62),
        sha256=_digest,
        game=st.none() | st.text("abc é\U0001f3ae語", max_size=10),
        recipe=st.none() | _digest,
    ),
    min_size=1,
    max_size=30,
    unique_by=lambda one: one.key,
).map(lambda found: sorted(found, key=lambda one: one.key))


@given(_entries)
@settings(deadline=None, max_examples=60)
def test_entries_come_out_as_they_went_in(entries: list[Entry]) -> None:
    assert list(pages.decode(pages.encode(entries))) == entries


@given(_entries)
@settings(deadline=None, max_examples=40)
def test_a_page_is_plain_json_lines(entries: list[Entry]) -> None:
    read = [json.loads(line) for line in pages.encode(entries).split(b"\n")[:-1]]
    assert [(one["emulator"], one["home"], one["path"]) for one in read] == [one.key for one in entries]
    assert [one["modified"] for one in read] == [one.modified for one in entries]
    assert [one.get("game") for one in read] == [one.game for one in entries]


def _many(count: int) -> list[Entry]:
    made = [entry(f"saves/{n:06}/Ladder {n}.sav", f"{n}".encode()) for n in range(count)]
    return sorted(made, key=lambda one: one.key)


def _ids(entries: list[Entry]) -> list[str]:
    return [hashlib.sha256(pages.encode(page)).hexdigest() for page in pages.cut(entries)]


def test_pages_have_about_64_entries_and_none_is_lost() -> None:
    entries = _many(20_000)
    cut = list(pages.cut(entries))
    assert [one for page in cut for one in page] == entries
    assert 50 < len(entries) / len(cut) < 80
    assert max(map(len, cut)) <= 512


def test_a_page_of_the_longest_paths_still_fits_into_a_block() -> None:
    # A byte that is no UTF-8 takes five characters: \\xHH in written form, its backslash doubled in JSON.
    path = "/".join(["\\xff" * 255] * 16)
    assert names.trouble_with(path) is None
    worst = Entry("a" * 40, Part.PICTURES, "h" * 255, path, 1, 1, "0" * 64, "g" * 4096, "0" * 64)
    assert len(pages.encode([worst])) * pages.LONGEST < LARGEST


def test_runs_without_a_beginning_are_cut_all_the_same() -> None:
    stubborn = [one for one in _many(60_000) if not pages.begins_page(one)][:3000]
    assert [len(page) for page in pages.cut(stubborn)] == [512] * 5 + [440]


@pytest.mark.parametrize("seed", range(6))
def test_a_changed_entry_changes_one_page(seed: int) -> None:
    entries = _many(5000)
    before = _ids(entries)
    at = random.Random(seed).randrange(len(entries))
    entries[at] = msgspec.structs.replace(entries[at], size=99, modified=5, sha256="f" * 64)
    after = _ids(entries)
    assert len(after) == len(before)
    assert sum(a != b for a, b in zip(before, after, strict=True)) == 1


@pytest.mark.parametrize("seed", range(6))
def test_a_new_or_vanished_entry_changes_two_pages_at_most(seed: int) -> None:
    entries = _many(5000)
    before = set(_ids(entries))
    at = random.Random(seed).randrange(len(entries))
    more = sorted([*entries, entry(f"saves/{at:06}/another.sav", b"1")], key=lambda one: one.key)
    assert 1 <= len(set(_ids(more)) - before) <= 2
    assert len(set(_ids(entries[:at] + entries[at + 1 :])) - before) <= 2


def _line(**changed: object) -> bytes:
    told = json.loads(pages.encode([entry("saves/Ladder.sav", b"1")]))
    told.update(changed)
    return json.dumps({key: value for key, value in told.items() if value is not ...}).encode() + b"\n"


def test_the_line_that_is_changed_below_is_sound() -> None:
    assert len(pages.decode(_line())) == 1
    assert len(pages.decode(_line(what_a_later_version_adds=[1, 2]))) == 1


@pytest.mark.parametrize(
    "changed",
    [
        {"path": "../Ladder.sav"},
        {"path": "saves/../../x"},
        {"path": "/etc/passwd"},
        {"path": ""},
        {"path": "saves//x"},
        {"path": "saves/"},
        {"path": "./x"},
        {"path": "a\0b"},
        {"path": "a\\b"},
        {"path": "\\x41"},
        {"path": "\\x2f"},
        {"path": "a/" * 3000 + "a"},
        {"path": "a" * 256},
        {"path": 7},
        {"path": ...},
        {"emulator": "../tinplate"},
        {"emulator": ""},
        {"emulator": "tinplate\n"},
        {"home": "a/b"},
        {"home": ""},
        {"home": "a\x1b[2J"},
        {"home": "h" * 256},
        {"part": "everything"},
        {"size": -1},
        {"size": 1 << 63},
        {"size": 1 << 70},
        {"size": 1.5},
        {"size": "7"},
        {"modified": 1 << 64},
        {"modified": None},
        {"sha256": "0" * 63},
        {"sha256": "0" * 64 + "\n"},
        {"sha256": "G" * 64},
        {"recipe": ""},
        {"recipe": "0" * 63},
        {"size": 0, "recipe": "0" * 64},
        {"game": "g" * 5000},
        {"game": "a\0"},
    ],
    ids=repr,
)
def test_entries_that_lie_are_refused(changed: dict[str, object]) -> None:
    with pytest.raises(ValueError):
        pages.decode(_line(**changed))


@pytest.mark.parametrize(
    "hurt", [b"", b"\n", b"[]\n", b"{}\n", b"null\n", b"{", b"\xff\xfe\n", b"[" * 100_000]
)
def test_what_is_no_page_is_refused(hurt: bytes) -> None:
    with pytest.raises(ValueError):
        pages.decode(hurt)


@given(_entries)
@settings(deadline=None, max_examples=100)
def test_in_order_is_by_emulator_home_and_path(entries: list[Entry]) -> None:
    ordered = pages.in_order(entries)
    assert ordered == sorted(entries, key=lambda one: (one.emulator, one.home, one.path))
    assert {id(one) for one in ordered} == {id(one) for one in entries}


def test_entries_out_of_order_or_twice_are_refused() -> None:
    a, b = entry("a", b"1"), entry("b", b"1")
    with pytest.raises(ValueError, match="order"):
        pages.decode(pages.encode([b, a]))
    with pytest.raises(ValueError, match="order"):
        pages.decode(pages.encode([a, a]))


@given(_path)
@settings(deadline=None, max_examples=200)
def test_the_quick_look_at_a_path_never_passes_what_the_full_one_refuses(path: str) -> None:
    for variant in (path, f"{path}/", f"/{path}", f"a/../{path}", f"{path}/.", path + "\n", path * 30):
        expected = names.trouble_with(variant) is None
        assert (pages.trouble_of(msgspec.structs.replace(entry("a", b"1"), path=variant)) is None) == expected


def test_lines_that_are_known_give_what_decoding_gives_and_the_same_entries() -> None:
    known, many = pages.KnownLines(), _many(40)
    first = known.decode(pages.encode(many))
    assert first == tuple(many)
    changed = [*many[:7], msgspec.structs.replace(many[7], size=77), *many[8:]]
    again = known.decode(pages.encode(changed))
    assert again == tuple(changed)
    assert [a is b for a, b in zip(first, again, strict=True)].count(False) == 1


def test_known_lines_refuse_what_decoding_refuses() -> None:
    known, (a, b, c) = pages.KnownLines(), map(pages.encode, ([one] for one in _many(3)))
    assert len(known.decode(a + b + c)) == 3
    for page in (
        b"",
        b"\n",
        b + a,
        a + a,
        b + c + a,
        a + b.replace(b'"size":', b'"size":-'),
        a + b + b"{}\n",
    ):
        with pytest.raises(ValueError, match=r"."):
            pages.decode(page)
        with pytest.raises(ValueError, match=r"."):
            known.decode(page)
        assert len(known.decode(a + b + c)) == 3


def test_two_entries_on_a_line_and_one_on_two_are_not_taken_for_each_other() -> None:
    known, (a, b, c) = pages.KnownLines(), map(pages.encode, ([one] for one in _many(3)))
    odd = a[:-1] + b + c[:1] + b"\n" + c[1:]
    for page in (odd, a + b + c, odd.replace(b"\n" + c[1:], c[1:]), a + b + c):
        assert known.decode(page) == pages.decode(page)


def test_what_is_wrong_with_a_page_is_told_alike_whatever_lines_are_known() -> None:
    """With its place in the page, not in what was new of it."""
    known, (a, b, c) = pages.KnownLines(), map(pages.encode, ([one] for one in _many(3)))
    known.decode(a + b)
    for broken in (
        b'{"emulator":nothing}\n',
        b"{}\n",
        c.replace(b'"size":', b'"size":"many",'),
        c[:40] + b"}\n",
    ):
        with pytest.raises(ValueError, match=r"byte|\$") as expected:
            pages.decode(a + b + broken)
        with pytest.raises(ValueError, match=r".") as told:
            known.decode(a + b + broken)
        assert str(told.value) == str(expected.value)


@pytest.mark.parametrize("known", [0, 1])
def test_no_more_lines_are_kept_than_may_be_however_long_a_page_is(known: int) -> None:
    """They are kept to the end of the program."""
    many = _many(20_000)
    lines, page = pages.KnownLines(most=600), pages.encode(many)
    tracemalloc.start()
    try:
        if known:
            lines.decode(pages.encode(many[:known]))
        before, _ = tracemalloc.get_traced_memory()
        lines.decode(page)
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert kept - before < 600 * 2000


@pytest.mark.parametrize(("bounds", "forgets"), [({}, False), ({"most": 90}, True), ({"room": 12_000}, True)])
def test_when_it_is_full_it_begins_afresh(bounds: dict[str, int], forgets: bool) -> None:
    """Full of lines, or of bytes: a line has 128 at least."""
    known = pages.KnownLines(**bounds)
    first, *others = (pages.encode(_many(100)[at : at + 10]) for at in range(0, 100, 10))
    entries = known.decode(first)
    assert known.decode(first)[0] is entries[0]
    for page in others:
        assert known.decode(page) == pages.decode(page)
    again = known.decode(first)
    assert again == entries
    assert (again[0] is not entries[0]) == forgets


_LIES: list[dict[str, object]] = [
    {"path": "m/../Ladder.sav"},
    {"path": "m\nn"},
    {"path": "m\\b"},
    {"path": "m" * 256},
    {"path": "m/"},
    {"emulator": "tinplate\n"},
    {"home": "a/b"},
    {"size": -1},
    {"modified": 1 << 63},
    {"sha256": "0" * 63},
    {"sha256": "0" * 65},
    {"sha256": "G" * 64},
    {"recipe": "0" * 63},
    {"size": 0, "recipe": "0" * 64},
    {"members": "x"},
    {"game": "g" * 5000},
    {"game": "a\0"},
]


@pytest.mark.parametrize("lie", _LIES, ids=repr)
def test_one_that_lies_among_others_is_refused(lie: dict[str, object]) -> None:
    before, after = (msgspec.structs.replace(entry("a", b"1"), path=path) for path in ("a", "z"))
    own = msgspec.structs.replace(entry("a", b"1"), path="m")
    assert len(pages.decode(pages.encode([before, own, after]))) == 3
    line = json.loads(pages.encode([own])) | lie
    page = pages.encode([before]) + json.dumps(line).encode() + b"\n" + pages.encode([after])
    with pytest.raises(ValueError, match=r"believed|order|read"):
        pages.decode(page)


@given(st.lists(_path, min_size=1, max_size=6, unique=True), st.integers(0, 6))
@settings(deadline=None, max_examples=200)
def test_the_look_at_a_whole_page_passes_just_what_the_look_at_a_path_does(paths: list[str], at: int) -> None:
    bent = [*paths]
    bent[at % len(bent)] += "\n" if at % 2 else "/"
    for some in (paths, bent):
        page = pages.encode([msgspec.structs.replace(entry("a", b"1"), path=path) for path in sorted(some)])
        if all(names.trouble_with(path) is None for path in some):
            assert [one.path for one in pages.decode(page)] == sorted(some)
        else:
            with pytest.raises(ValueError):
                pages.decode(page)


@pytest.mark.parametrize("line", [b"{}\n", b"\n"], ids=["objects", "blanks"])
def test_millions_of_lines_are_not_taken_apart(line: bytes) -> None:
    """Those of sixteen megabytes of a stranger, a kilobyte as they are stored, took 800."""
    one = entry("saves/a.sav", b"a")
    page = pages.encode([one]) + line * (1 << 20)
    tracemalloc.start()
    try:
        if line == b"\n":
            assert pages.KnownLines().decode(page) == (one,)
        else:
            with pytest.raises(ValueError, match="cannot be read"):
                pages.KnownLines().decode(page)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most < 4 << 20
