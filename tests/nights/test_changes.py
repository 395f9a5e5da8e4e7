"""What tells one night from the next, decided from values alone."""

from __future__ import annotations

import hashlib

import msgspec
import pytest

from handhold.archive.listed import Listed, Standing
from handhold.blank import blank
from handhold.changes import Covered, dropped, is_quiet, recorded, times_count, told_lost
from handhold.model import NS, Entry, Gap, HomeKind, Part, Site
from handhold.since import missing_from

DAY = 86_400 * NS
NIGHT = 1_772_000_000 * NS


def entry(path: str, data: bytes = b"save", *, home: str = "main", modified: int = 0) -> Entry:
    return Entry(
        "tinplate", Part.SAVES, home, path, len(data), modified, hashlib.sha256(data).hexdigest(), game="Frog"
    )


@pytest.mark.parametrize(
    ("last", "now", "count"),
    [
        (NIGHT, NIGHT + DAY, True),
        (NIGHT, NIGHT + 1, True),
        (NIGHT, NIGHT, False),
        (NIGHT, NIGHT - 1, False),  # set back a little
        (NIGHT, 0, False),  # woke up in 1970
        (NIGHT + 2 * DAY, NIGHT, False),  # the last night was taken with the clock ahead
        (0, NIGHT, True),  # there was none
    ],
)
def test_whether_times_count(last: int, now: int, count: bool) -> None:
    assert times_count(last, now) is count


@pytest.mark.parametrize(
    ("size", "modified", "step", "quiet"),
    [
        (4, NIGHT - DAY, NS, True),
        (5, NIGHT - DAY, NS, False),
        (4, NIGHT - DAY + 1, NS, False),
        (4, NIGHT - 2 * NS, 2 * NS, False),  # in the tick of that night
        (4, NIGHT - 120 * NS, NS, False),  # mapped, it can have changed since, unshown
        (4, NIGHT - 120 * NS - 1, NS, True),
        (4, 2**63 - 1, NS, False),  # any time after the year 2262
        (4, 1 - 2**63, NS, False),  # any time before 1677
        (4, 315_532_800 * NS, NS, False),  # 1980, as a clock that starts there says each time
        (4, 946_684_800 * NS, NS, True),  # 2000
    ],
)
def test_what_need_not_be_read_again(size: int, modified: int, step: int, quiet: bool) -> None:
    times = {NIGHT - DAY + 1: NIGHT - DAY}
    known = entry("a.sav", modified=times.get(modified, modified))
    assert is_quiet(known, size, modified, NIGHT, step) is quiet


def test_only_progress_is_read_again_for_an_unset_clock() -> None:
    """Texture packs out of zips are stamped 1980 as well, and are large."""
    old = entry("a.sav", modified=315_532_800 * NS)
    for part in Part:
        known = msgspec.structs.replace(old, part=part)
        quiet = part not in (Part.SAVES, Part.STATES)
        assert is_quiet(known, 4, known.modified, NIGHT, NS) is quiet


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "empty"),
        (b"\0", "all zero"),
        (b"\0" * 32_768, "all zero"),
        (b"\xff" * 100_001, "all 0xFF"),
        (b"\0" * 100 + b"\1", ""),
        (b"\xff\0", ""),
        (b"save", ""),
    ],
)
def test_blank(data: bytes, what: str) -> None:
    assert blank(entry("a.sav", data)) == what


SITES = (
    Site("tinplate", "main", HomeKind.FOLDER, "internal", "Tinplate"),
    Site("tinplate", "main@card", HomeKind.FOLDER, "card", ""),
)


@pytest.mark.parametrize(
    ("gap", "left"),
    [
        (None, {("internal", "Tinplate/a/b.sav"), ("card", "c.sav")}),
        (Gap("internal", "Tinplate/a/b.sav", "x"), {("card", "c.sav")}),
        (Gap("internal", "Tinplate/a", "x"), {("card", "c.sav")}),
        (Gap("internal", "Tinplate/a/b", "x"), {("internal", "Tinplate/a/b.sav"), ("card", "c.sav")}),
        (Gap("internal", "", "x"), {("card", "c.sav")}),
        (Gap("card", "", "x"), {("internal", "Tinplate/a/b.sav")}),
    ],
)
def test_what_dropped_out(gap: Gap | None, left: set[tuple[str, str]]) -> None:
    missing = [entry("a/b.sav"), entry("c.sav", home="main@card")]
    found = dropped(missing, SITES, [gap] if gap else [])
    assert {(volume, path) for _, volume, path in found} == left


def test_what_became_of_it() -> None:
    gone = [
        (entry("gone.sav"), False),
        (entry("there.sav", b"there"), True),
        (entry("old name.sav", b"named anew"), False),
        (entry("moved.sav", b"moved and played"), False),
        (entry("nothing.sav", b""), False),
    ]
    new = [entry("new name.sav", b"named anew"), entry("moved.sav", b"x", home="main@card"), entry("n", b"")]
    assert [(one.path, one.what.value) for one in told_lost(gone, new)] == [
        ("gone.sav", "gone"),
        ("there.sav", "unnamed"),
        ("old name.sav", "renamed"),
        ("moved.sav", "renamed"),
        ("nothing.sav", "gone"),
    ]


def test_only_sites_that_say_something_are_recorded() -> None:
    sites = [
        Site("tinplate", f"main@card@{n}", HomeKind.FOLDER, "card", f"Games/{n}/Saves") for n in range(6)
    ]
    gaps = [
        Gap("card", "Games/2", "above"),
        Gap("card", "Games/3/Saves/x", "in it"),
        Gap("card", "Games/4x", ""),
    ]
    kept = recorded(sites, {("tinplate", "main@card@1")}, gaps)
    assert [site.home[-1] for site in kept] == ["1", "2", "3"]
    assert not Covered([Gap("card", "a", "")]).covers("internal", "a")


@pytest.mark.parametrize(
    ("stand", "elsewhere", "left"),
    [
        ("abcd", "", ""),
        ("", "", "abcd"),
        ("bd", "", "ac"),
        ("ac", "b", "d"),
        ("d", "abc", ""),
        ("", "abcd", ""),
        ("a", "", "bcd"),
    ],
)
def test_what_is_missing_stands_neither_by_itself_nor_by_its_place(
    stand: str, elsewhere: str, left: str
) -> None:
    entries = {name: entry(f"{name}.sav") for name in "abcd"}
    listed = Listed.of(list(entries.values()))
    standing = Standing(listed)
    for name in stand:
        standing.add("abcd".index(name))
    others = {entries[name].key for name in elsewhere}
    expected = [entries[name] for name in left]
    assert missing_from(listed.entries(standing.others()), others) == expected
    assert missing_from(listed.entries(), others, standing) == expected
