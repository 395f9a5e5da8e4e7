"""The table of who wins, row by row, and what a plan sees beyond a single file. Every expectation by hand."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime
from typing import Any

import pytest

from handhold.archive.standing import ELSEWHERE, Line, Span
from handhold.model import NS, Entry, HomeKind, Part, Site, Traits
from handhold.restore.clock import Stamps
from handhold.restore.found import NOTHING, Found, NoTarget, Room, Target, What, Wish
from handhold.restore.plan import plan, running
from handhold.restore.steps import Action, Decision, OnNewer, Plan, Scene, Source, Step

NOW = int(datetime(2026, 11, 25, 20, 0, tzinfo=UTC).timestamp()) * NS
HOUR, DAY = 3600 * NS, 86_400 * NS
EXT = Traits("ext4")
# Source: Microsoft, FAT: General Overview of On-Disk Format, version 1.03 (2 seconds, local time, 4 GiB - 1)
FAT = Traits(
    "vfat",
    step_ns=2 * NS,
    local_time=True,
    folds_case=True,
    refused='"*:<>?\\|',
    largest_file=(1 << 32) - 1,
    cluster=32768,
)
EXFAT = Traits("exfat", step_ns=10_000_000, folds_case=True, refused='"*:<>?\\|', cluster=131072)


def digest(text: str) -> str:
    """Any 64 digits that differ for different texts."""
    return text.encode().hex().ljust(64, "0")


def target(traits: Traits = EXT, *, volume: str = "card", home: str = "main", **more: Any) -> Target:
    site = Site("tinplate", home, HomeKind.FOLDER, volume, "Tinplate")
    return Target(site, "/mnt/card", "Tinplate", traits, "storage", **more)


def entry(content: str = "archived", *, path: str = "saves/A.sav", **more: Any) -> Entry:
    given: dict[str, Any] = {"emulator": "tinplate", "part": Part.SAVES, "home": "main", "game": "A"}
    given |= {"size": 100, "modified": NOW - 10 * DAY} | more
    return Entry(path=path, sha256=digest(content), **given)


def file(content: str = "unknown", *, modified: int = NOW - 20 * DAY, size: int = 100) -> Found:
    return Found(What.FILE, size, modified, digest(content), 1)


def scene(**more: Any) -> Scene:
    given: dict[str, Any] = {
        "device": "plover",
        "source": Source("plover.2026-11-24.213000", "plover", date(2026, 11, 24), NOW - DAY),
        "now": NOW,
    }
    return Scene(**(given | more))


def one(wish: Wish, **more: Any) -> Step:
    (step,) = plan([wish], scene(**more)).steps
    return step


def history(**lines: Mapping[str, int]) -> dict[Any, Any]:
    """The history of the save: device -> content -> when it last stood there."""
    stood = {
        Line(name, "card", "tinplate"): {digest(content): Span(at, at) for content, at in line.items()}
        for name, line in lines.items()
    }
    return {entry().identity: stood}


#: What stands there, what the archive knows, the decision, and what the reason says.
ROWS: dict[str, tuple[Found, dict[Any, Any], Decision, Action, str]] = {
    "nothing": (NOTHING, {}, Decision.WRITE, Action.WRITE, "nothing stands there"),
    "the same content": (file("archived"), {}, Decision.SAME, Action.LEAVE, "there already"),
    "the same content, whatever its time": (
        file("archived", modified=NOW + 400 * DAY),
        {},
        Decision.SAME,
        Action.LEAVE,
        "there already",
    ),
    "an older version that the archive knows": (
        file("old"),
        history(plover={"old": 1, "archived": 2}),
        Decision.FORWARD,
        Action.WRITE,
        "older version",
    ),
    "an older version, although its time is later": (
        file("old", modified=NOW),
        history(plover={"old": 1, "archived": 2}),
        Decision.FORWARD,
        Action.WRITE,
        "older version",
    ),
    "an older version, known from another device": (
        file("old"),
        history(lantern={"old": 1, "archived": 2}),
        Decision.FORWARD,
        Action.WRITE,
        "older version",
    ),
    "a newer version that the archive knows": (
        file("new"),
        history(plover={"archived": 1, "new": 2}),
        Decision.NEWER,
        Action.LEAVE,
        "newer version",
    ),
    "a newer version, although its time is earlier": (
        file("new", modified=NOW - 900 * DAY),
        history(lantern={"archived": 1, "new": 2}),
        Decision.NEWER,
        Action.LEAVE,
        "newer version",
    ),
    "known, without an order": (
        file("theirs"),
        history(plover={"archived": 1}, lantern={"theirs": 2}),
        Decision.FORK,
        Action.LEAVE,
        "neither came after the other",
    ),
    "known, with opposite orders": (
        file("theirs"),
        history(plover={"archived": 1, "theirs": 2}, lantern={"theirs": 3, "archived": 4}),
        Decision.FORK,
        Action.LEAVE,
        "neither came after the other",
    ),
    "unknown, later by more than the blur": (
        file(modified=NOW - 10 * DAY + 3 * NS),
        {},
        Decision.NEWER,
        Action.LEAVE,
        "later by 3 seconds",
    ),
    "unknown, within the blur": (
        file(modified=NOW - 10 * DAY + 2 * NS),
        {},
        Decision.UNSURE,
        Action.LEAVE,
        "too close",
    ),
    "unknown, earlier within the blur": (
        file(modified=NOW - 10 * DAY - 2 * NS),
        {},
        Decision.UNSURE,
        Action.LEAVE,
        "too close",
    ),
    "unknown, in the future": (
        file(modified=NOW + DAY + NS),
        {},
        Decision.UNSURE,
        Action.LEAVE,
        "its time lies in the future",
    ),
    "unknown, less than a day ahead": (
        file(modified=NOW + DAY - NS),
        {},
        Decision.NEWER,
        Action.LEAVE,
        "later by 10 days",
    ),
    "unknown, before 2000": (
        # 30 years from 1970 to 2000 with 7 leap days: (30 * 365 + 7) * 86400 = 946684800 seconds, by hand.
        file(modified=946_684_800 * NS - 1),
        {},
        Decision.UNSURE,
        Action.LEAVE,
        "before the year 2000",
    ),
    "unknown, from the first second of 2000": (
        file(modified=946_684_800 * NS),
        {},
        Decision.OLDER,
        Action.WRITE,
        "older by",
    ),
    "unknown, clearly older": (
        file(modified=NOW - 11 * DAY),
        {},
        Decision.OLDER,
        Action.WRITE,
        "older by 1 day; it is kept in the archive first",
    ),
    "unknown, changed since this very version stood here": (
        file(modified=NOW - 900 * DAY),
        history(plover={"archived": 7}),
        Decision.NEWER,
        Action.LEAVE,
        "after its last snapshot",
    ),
    "unknown, changed since a newer version stood here": (
        file(modified=NOW - 900 * DAY),
        history(plover={"archived": 7, "later": 8}),
        Decision.NEWER,
        Action.LEAVE,
        "after its last snapshot",
    ),
    "unknown, changed here while another device went on": (
        file(modified=NOW - 900 * DAY),
        history(plover={"start": 1}, lantern={"start": 2, "archived": 3}),
        Decision.FORK,
        Action.LEAVE,
        "from elsewhere",
    ),
    "unknown, on a device that the archive knows nothing of: time decides": (
        file(modified=NOW - 11 * DAY),
        history(lantern={"start": 2, "archived": 3}),
        Decision.OLDER,
        Action.WRITE,
        "older by",
    ),
    "a folder": (Found(What.FOLDER), {}, Decision.BLOCKED, Action.LEAVE, "a folder of that name"),
    "a link": (Found(What.LINK), {}, Decision.BLOCKED, Action.LEAVE, "link"),
    "a pipe": (Found(What.OTHER), {}, Decision.BLOCKED, Action.LEAVE, "no file"),
    "a file that cannot be read": (
        Found(What.UNREADABLE, why="it may not be read"),
        {},
        Decision.BLOCKED,
        Action.LEAVE,
        "cannot be kept first",
    ),
}


@pytest.mark.parametrize("row", ROWS)
def test_the_table(row: str) -> None:
    found, histories, decision, action, why = ROWS[row]
    step = one(Wish(entry(), target(), found), histories=histories)
    assert (step.decision, step.action) == (decision, action)
    assert why in step.why


@pytest.mark.parametrize("row", ROWS)
@pytest.mark.parametrize("on_newer", OnNewer)
def test_on_newer_touches_only_what_is_kept(row: str, on_newer: OnNewer) -> None:
    found, histories, decision, action, _ = ROWS[row]
    step = one(Wish(entry(), target(), found), histories=histories, on_newer=on_newer)
    assert step.decision is decision
    kept = decision in (Decision.NEWER, Decision.FORK, Decision.UNSURE)
    asked = {OnNewer.KEEP: Action.LEAVE, OnNewer.BOTH: Action.BESIDE, OnNewer.REPLACE: Action.WRITE}
    assert step.action is (asked[on_newer] if kept else action)
    # Whatever is overwritten is a plain file whose content the plan saw, so that it can be kept first.
    if step.replaces:
        assert found.what is What.FILE and found.sha256
    if step.action is Action.BESIDE:
        assert step.path == "saves/A (from plover 2026-11-24).sav"


@pytest.mark.parametrize(
    ("hours", "there", "blur", "decision"),
    [
        # Local time moves by up to 14 hours with the zone; the larger blur of the two counts.
        (13, FAT, 2 * NS, Decision.UNSURE),
        (-13, FAT, 2 * NS, Decision.UNSURE),
        (15, FAT, 2 * NS, Decision.NEWER),
        (-15, FAT, 2 * NS, Decision.OLDER),
        (13, EXT, 14 * HOUR, Decision.UNSURE),
        (-15, EXT, 14 * HOUR, Decision.OLDER),
        (-1, EXFAT, 2 * NS, Decision.OLDER),
    ],
)
def test_the_blur_of_a_volume(hours: int, there: Traits, blur: int, decision: Decision) -> None:
    found = file(modified=NOW - 10 * DAY + hours * HOUR)
    assert one(Wish(entry(), target(there), found, blur_ns=blur)).decision is decision


def test_an_archived_time_that_cannot_be_decides_nothing() -> None:
    future = one(Wish(entry(modified=NOW + 2 * DAY), target(), file()))
    assert (
        future.decision is Decision.UNSURE and "archived file's time is later than the snapshot" in future.why
    )
    # Later than a snapshot that was taken after it: one of the two clocks was wrong.
    source = Source("x", "lantern", date(2026, 11, 1), NOW - 30 * DAY)
    assert one(Wish(entry(), target(), file()), source=source).decision is Decision.UNSURE
    assert one(Wish(entry(modified=0), target(), file())).decision is Decision.UNSURE


def test_a_copys_time_decides_nothing() -> None:
    home = ("tinplate", "main")
    wish = Wish(entry(), target(), file(modified=NOW - 20 * DAY))
    few = Stamps([(NOW - 20 * DAY, "a"), (NOW - 20 * DAY + 30 * NS, "b"), (NOW - 20 * DAY + 61 * NS, "c")])
    many = Stamps([(NOW - 20 * DAY, "a"), (NOW - 20 * DAY + 30 * NS, "b"), (NOW - 20 * DAY - 59 * NS, "c")])
    one_game = Stamps([(NOW - 20 * DAY + n * NS, "a") for n in range(50)])
    assert one(wish, found_stamps={home: few}).decision is Decision.OLDER
    assert one(wish, found_stamps={home: one_game}).decision is Decision.OLDER
    copied = one(wish, found_stamps={home: many})
    assert copied.decision is Decision.UNSURE and "copy" in copied.why
    four = Stamps([(NOW - 10 * DAY, str(n)) for n in range(4)])
    five = Stamps([(NOW - 10 * DAY, str(n)) for n in range(5)])
    assert one(wish, entry_stamps={home: four}).decision is Decision.OLDER
    assert one(wish, entry_stamps={home: five}).decision is Decision.UNSURE


def test_a_place_elsewhere_is_not_where_the_device_last_had_it() -> None:
    """What stands in some other folder did not come after what stood on the device."""
    there = target(volume=ELSEWHERE)
    step = one(Wish(entry(), there, file(modified=NOW - 11 * DAY)), histories=history(plover={"archived": 7}))
    assert step.decision is Decision.OLDER


def test_held_back_and_by_hand() -> None:
    controls = entry(part=Part.CONTROLS, path="config/pads/a.cfg", game=None)
    assert one(Wish(controls, target(), NOTHING, carried=False)).decision is Decision.HELD_BACK
    assert one(Wish(controls, target(), file("archived"), carried=False)).decision is Decision.SAME
    assert one(Wish(controls, target(), NOTHING, carried=True)).decision is Decision.WRITE
    by_hand = one(Wish(entry(), NoTarget("start it once")))
    assert (by_hand.decision, by_hand.why, by_hand.place) == (Decision.BY_HAND, "start it once", "")


@pytest.mark.parametrize(
    ("path", "traits", "why"),
    [
        ("saves/a:b.sav", FAT, "takes no :"),
        ("saves/a:b.sav", EXT, None),
        ('sa"ves/a.sav', EXFAT, 'takes no "'),
        ("saves/caf\\xe9.sav", EXFAT, "proper text"),
        ("saves/caf\\xe9.sav", EXT, None),
        ("saves/dots.", FAT, "at the end"),
        ("saves/dots.", EXT, None),
        # 255 units of UTF-16 are 255 Japanese characters, and 765 bytes, which ext4 does not take.
        ("saves/" + "あ" * 255, EXFAT, None),
        ("saves/" + "あ" * 256, EXFAT, "too long"),
        ("saves/" + "あ" * 255, EXT, "too long"),
    ],
)
def test_names_that_a_card_cannot_hold(path: str, traits: Traits, why: str | None) -> None:
    step = one(Wish(entry(path=path), target(traits), NOTHING))
    assert step.decision is (Decision.BLOCKED if why else Decision.WRITE)
    assert why is None or why in step.why


def test_files_that_are_too_large_for_the_card() -> None:
    large = entry(size=1 << 32)
    assert one(Wish(large, target(FAT), NOTHING)).decision is Decision.BLOCKED
    assert one(Wish(entry(size=(1 << 32) - 1), target(FAT), NOTHING)).decision is Decision.WRITE
    assert one(Wish(large, target(EXFAT), NOTHING)).decision is Decision.WRITE


def test_a_place_that_can_only_be_read() -> None:
    assert one(Wish(entry(), target(read_only=True), NOTHING)).decision is Decision.BLOCKED
    assert one(Wish(entry(), target(read_only=True), file("archived"))).decision is Decision.SAME


def _decided(made: Plan) -> list[str]:
    return [step.decision.value for step in made.steps]


def test_a_game_whose_name_a_card_cannot_hold_can_be_given_another() -> None:
    step = one(Wish(entry(path="saves/What?.sav", game="What?"), target(FAT)))
    assert step.decision is Decision.BLOCKED and "--rename 'What?=NAME'" in step.why
    assert "--rename" not in one(Wish(entry(path="sa?/What.sav", game="What"), target(FAT))).why


def test_two_names_that_differ_only_by_case() -> None:
    upper, lower = entry("one", path="saves/A.sav"), entry("two", path="SAVES/a.sav")
    both = [Wish(upper, target(FAT)), Wish(lower, target(FAT))]
    made = plan(both, scene())
    assert _decided(made) == ["blocked", "blocked"]
    assert '"SAVES/a.sav" differs from it only by case' in made.steps[0].why
    assert _decided(plan([Wish(upper, target()), Wish(lower, target())], scene())) == ["write", "write"]
    twin = entry("one", path="SAVES/a.sav")
    assert _decided(plan([Wish(upper, target(FAT)), Wish(twin, target(FAT))], scene())) == ["write", "same"]


def test_two_entries_of_one_identity_that_want_one_place() -> None:
    first, second = entry("one"), entry("two", home="main@card")
    made = plan([Wish(first, target()), Wish(second, target())], scene())
    assert _decided(made) == ["blocked", "blocked"] and '"main@card"' in made.steps[0].why
    same = entry("one", home="main@card")
    assert _decided(plan([Wish(first, target()), Wish(same, target())], scene())) == ["write", "same"]


def test_two_entries_of_one_identity_in_two_homes_say_nothing_about_each_other() -> None:
    """One stood on unchanged while the other was played on: that makes neither newer than the other."""
    histories = {
        entry().identity: {
            Line("lantern", "card", "tinplate"): {digest("archived"): Span(1, 5)},
            Line("lantern", "internal", "tinplate"): {
                digest("elsewhere"): Span(3, 3),
                digest("later"): Span(5, 5),
            },
        }
    }
    step = one(Wish(entry(), target(), file("elsewhere")), histories=histories)
    assert step.decision is Decision.FORK


def test_a_file_where_another_needs_a_folder() -> None:
    wishes = [Wish(entry("one", path="a"), target()), Wish(entry("two", path="a/b"), target())]
    made = plan(wishes, scene())
    assert _decided(made) == ["blocked", "write"]
    assert 'folder of "a/b"' in made.steps[0].why


def test_room_counts_clusters() -> None:
    """A thousand saves of 100 bytes take a thousand clusters, not 100 kilobytes."""
    wishes = [Wish(entry(str(n), path=f"saves/{n}.sav"), target(EXFAT)) for n in range(1000)]
    needed = 1000 * 131072 + 131072  # and one for their folder
    enough = plan(wishes, scene(rooms={"storage": Room("card", needed)}))
    assert set(_decided(enough)) == {"write"} and enough.bytes == 100_000
    short = plan(wishes, scene(rooms={"storage": Room("card", needed - 1)}))
    assert set(_decided(short)) == {"blocked"} and "no room on card" in short.steps[0].why
    assert short.bytes == 0


def test_room_counts_what_stands_beside_its_replacement_and_the_safety_snapshot() -> None:
    large = 100 << 20
    records = 64 << 10
    wish = Wish(entry(size=large), target(), file(modified=NOW - 11 * DAY, size=large))
    assert one(wish, rooms={"storage": Room("card", large)}).decision is Decision.OLDER
    assert one(wish, rooms={"storage": Room("card", large - 1)}).decision is Decision.BLOCKED
    on_card: dict[str, Any] = {"archive_room": Room("archive", 0), "archive_storage": "storage"}
    assert (
        one(wish, rooms={"storage": Room("card", 2 * large + records - 1)}, **on_card).decision
        is Decision.BLOCKED
    )
    assert (
        one(wish, rooms={"storage": Room("card", 2 * large + records)}, **on_card).decision is Decision.OLDER
    )
    off_card: dict[str, Any] = {"archive_room": Room("archive", large - 1), "archive_storage": "other"}
    step = one(wish, rooms={"storage": Room("card", 2 * large)}, **off_card)
    assert step.decision is Decision.BLOCKED and "no room in the archive" in step.why


def test_what_fits_is_not_blocked_by_another_card() -> None:
    there = Target(Site("tinplate", "main", HomeKind.FOLDER, "b", ""), "/mnt/b", "", EXT, "other")
    wishes = [Wish(entry(), target()), Wish(entry(), there)]
    made = plan(wishes, scene(rooms={"storage": Room("card", 1), "other": Room("b", 1 << 30)}))
    assert _decided(made) == ["blocked", "write"]


def test_beside_names_avoid_what_stands_there_and_what_is_planned() -> None:
    taken = {("/mnt/card", "Tinplate/saves"): frozenset({"A (FROM PLOVER 2026-11-24).SAV"})}
    wish = Wish(entry(), target(FAT), file(modified=NOW))
    step = one(wish, on_newer=OnNewer.BOTH, names=taken)
    assert step.path == "saves/A (from plover 2026-11-24 2).sav"
    planned = Wish(entry("x", path="saves/a (From plover 2026-11-24).sav"), target(FAT), NOTHING)
    made = plan([wish, planned], scene(on_newer=OnNewer.BOTH))
    assert made.steps[0].path == "saves/A (from plover 2026-11-24 2).sav"
    long = Wish(entry(path=f"saves/{'あ' * 80}.sav"), target(EXT), file(modified=NOW))
    name = one(long, on_newer=OnNewer.BOTH).path.rpartition("/")[2]
    assert name.endswith("あ (from plover 2026-11-24).sav") and len(name.encode()) <= 255


def test_counts_and_what_is_left() -> None:
    wishes = [
        Wish(entry("1", path="1"), target()),
        Wish(entry("2", path="2"), target(), file("2")),
        Wish(entry("3", path="3"), target(), file(modified=NOW)),
        Wish(entry("4", path="4"), NoTarget("by hand")),
    ]
    made = plan(wishes, scene())
    assert made.counts == {"write": 1, "same": 1, "newer": 1, "by-hand": 1}
    assert [step.entry.path for step in made.left] == ["3", "4"]
    assert (len(made.writes), made.bytes) == (1, 100)


@pytest.mark.parametrize(
    ("seconds", "expected"), [(0, True), (119, True), (121, False), (-1, False), (-86_400, False)]
)
def test_a_running_emulator(seconds: int, expected: bool) -> None:
    fresh = Wish(entry(), target(), file(modified=NOW - seconds * NS))
    # It matters only where something is written.
    assert running(plan([fresh], scene()).steps, NOW) == []
    steps = plan([fresh, Wish(entry(path="saves/B.sav"), target())], scene()).steps
    assert running(steps, NOW) == (["tinplate"] if expected else [])


def test_what_the_archive_cannot_give_is_blocked_before_anything_is_written() -> None:
    lost = one(Wish(entry(), target(), held=False))
    assert lost.decision is Decision.BLOCKED and lost.damage and "cannot give" in lost.why
    there = one(Wish(entry(), target(), file("archived"), held=False))
    assert there.decision is Decision.SAME and not there.damage


def test_an_archive_that_cannot_be_written_blocks_only_what_would_be_replaced() -> None:
    wishes = [Wish(entry(), target(), file()), Wish(entry(path="saves/B.sav"), target())]
    made = plan(wishes, scene(archive_trouble="the archive can only be read"))
    assert _decided(made) == ["blocked", "write"] and "can only be read" in made.steps[0].why


def test_what_both_has_put_beside_is_no_longer_left() -> None:
    wish = Wish(entry(), target(), file(modified=NOW))
    assert len(plan([wish], scene()).left) == 1
    made = plan([wish], scene(on_newer=OnNewer.BOTH))
    assert made.steps[0].action is Action.BESIDE and made.left == ()


def test_no_hidden_folder_in_a_home_that_only_the_archive_names() -> None:
    hidden = entry(path=".config/autostart/run.sh")
    assert one(Wish(hidden, target(own_layout=False))).decision is Decision.BLOCKED
    assert one(Wish(hidden, target())).decision is Decision.WRITE
    assert one(Wish(entry(path="saves/.A.sav"), target(own_layout=False))).decision is Decision.WRITE


def test_a_plan_is_the_same_for_the_same_values() -> None:
    wishes = [Wish(entry(str(n), path=str(n)), target(), file()) for n in range(3)]
    assert plan(wishes, scene()) == plan(wishes, scene())
