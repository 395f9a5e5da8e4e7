"""When each device was last kept, what needs its owner, and which saves have one copy only."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from handhold.archive.head import Snapshot
from handhold.archive.standing import Line
from handhold.archive.timeline import Moment
from handhold.condition.copies import sole
from handhold.condition.mirrors import Mirror, remember, remembered
from handhold.condition.troubles import of_medium
from handhold.model import Entry, Kind, Part
from tests.cli.world import World
from tests.exports.world import HATBOX


def lately(world: World) -> dict[str, Any]:
    done = world.run("list", "--last", "--json")
    assert done.status == 0, done.err
    found = done.document
    assert isinstance(found, dict)
    return found


def needs(world: World) -> list[str]:
    return [trouble["kind"] for one in lately(world)["devices"] for trouble in one["troubles"]]


def test_all_is_well(world: World) -> None:
    assert world.run("snapshot").status == 0
    found = lately(world)
    assert (found["needs_owner"], found["archive"]["troubles"]) == (False, [])
    (one,) = found["devices"]
    assert (one["device"], one["days"], one["snapshot"]) == ("plover", 0, "plover.2026-03-01.220002")
    said = world.run("list", "--last")
    assert "today" in said.out
    assert "all is well" in said.out
    assert all(len(line) <= 80 for line in said.out.splitlines())


def test_an_archive_without_nights(world: World) -> None:
    assert lately(world)["devices"] == []
    assert "holds no night yet" in world.run("list", "--last").out


def test_a_week_without_a_night(world: World) -> None:
    assert world.run("snapshot").status == 0
    world.next_evening(6)
    assert needs(world) == []
    world.next_evening(1)
    assert needs(world) == ["overdue"]
    assert "plover: not kept for 7 days." in world.run("list", "--last").out


def test_gaps_and_saves_that_were_emptied(world: World) -> None:
    assert world.run("snapshot").status == 0
    world.next_evening()
    world.write(world.internal / "Tinplate/saves/Mole Hollow.sav", b"")
    os.symlink("/etc/hostname", world.internal / "Tinplate/saves/Linked.sav")
    assert world.run("snapshot").status == 3
    world.next_evening()
    assert world.run("snapshot").status == 3  # and it is told as long as it stays so
    assert sorted(needs(world)) == ["emptied", "gaps"]
    said = world.run("list", "--last").out
    assert "plover.2026-03-01.220002 has the last good one" in said
    assert "internal:Tinplate/saves/Linked.sav" in said


def test_an_old_export(world: World) -> None:
    (world.layouts / "hatbox.yaml").write_text(HATBOX, "utf-8")
    export = world.card / "Exports/Hatbox/hatbox.zip"
    world.write(export, b"PK\x05\x06" + bytes(18), minutes_ago=60)
    assert world.run("snapshot").status == 0
    for _ in range(14):
        world.next_evening()
        assert world.run("snapshot").status == 0
    world.next_evening()
    assert needs(world) == ["stale"]
    assert "the newest export of hatbox is 15 days old" in world.run("list", "--last").out


def test_a_manifest_that_cannot_be_read(world: World) -> None:
    assert world.run("snapshot").status == 0
    world.next_evening()
    assert world.run("snapshot").status == 0
    newest = max((world.archive / "manifests").iterdir())
    newest.write_bytes(b"rotten")
    found = lately(world)
    assert [trouble["kind"] for trouble in found["archive"]["troubles"]] == ["hurt"]
    assert found["needs_owner"]


GB = 10**9


#: By hand: a twentieth of 64 GB is 3.2 GB.
@pytest.mark.parametrize(
    ("free", "total", "full"),
    [(32 * GB // 10 - 1, 64 * GB, True), (32 * GB // 10, 64 * GB, False), (0, 0, False), (0, GB, True)],
)
def test_a_card_that_is_nearly_full(free: int, total: int, full: bool) -> None:
    assert [trouble.need for trouble in of_medium(free, total, ())] == (["full"] if full else [])


# -- one copy -----------------------------------------------------------------------------------------------

PLOVER = Line("plover", "card", "Tinplate")
CURLEW = Line("curlew", "card", "Tinplate")


def moment(line: Line, sequence: int, content: str | None) -> Moment:
    taken = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=sequence)
    one = Snapshot(f"{line.device}.{sequence}", line.device, sequence, Kind.NIGHT, taken, 1, 1, 0, "", "")
    entry = None
    if content is not None:
        entry = Entry("tinplate", Part.SAVES, "main", "a.sav", len(content), 0, content)
    return Moment(one, entry, None)


#: What stood when on two devices, up to which night a mirror has all, and whether one medium alone has the
#: newest version. By hand.
@pytest.mark.parametrize(
    ("plover", "curlew", "mirrored", "shared", "only"),
    [
        ([(1, "one")], [], -1, False, False),  # on the device and in the archive
        ([(1, "one")], [], -1, True, True),  # both on one medium
        ([(1, "one")], [], 1, True, False),  # and in a mirror
        ([(1, "one")], [], 0, True, True),  # in a mirror of before
        ([(1, "one"), (2, None)], [], -1, False, True),  # deleted since
        ([(1, "one"), (2, None)], [], 1, False, False),
        ([(1, "one"), (2, None)], [(3, "one")], -1, False, False),  # the other device has it
        ([(1, "one"), (3, "two")], [(2, "one")], -1, False, False),
        ([(1, "one"), (3, "two"), (4, None)], [(2, "one")], -1, False, True),  # which has the older one
        ([(1, "one"), (2, None)], [(1, "one"), (3, None)], -1, False, True),
        ([(2, None)], [], -1, False, False),  # it never was
        ([(1, "one"), (2, "")], [], -1, False, True),  # emptied since
    ],
)
def test_one_copy_only(
    plover: list[tuple[int, str | None]],
    curlew: list[tuple[int, str | None]],
    mirrored: float,
    shared: bool,
    only: bool,
) -> None:
    lines = {
        line: [moment(line, *one) for one in course] for line, course in ((PLOVER, plover), (CURLEW, curlew))
    }
    found = sole(
        {("tinplate", Part.SAVES, "a.sav"): lines}, mirrored, {("plover", "card")} if shared else set()
    )
    assert bool(found) is only


def test_saves_with_and_without_a_game_stand_in_order() -> None:
    """A zip of saves is recognised as such, and what game they are of is not told."""
    taken = moment(PLOVER, 1, None).snapshot
    games = {"a.sav": "Ladder", "b.sav": None, "c.sav": "Kite Weather", "d.sav": None}
    lines = {
        ("tinplate", Part.SAVES, path): {
            PLOVER: [Moment(taken, Entry("tinplate", Part.SAVES, "main", path, 3, 0, path, game), None)]
        }
        for path, game in games.items()
    }
    found = sole(lines, -1, {("plover", "card")})
    assert [(one.game, one.path) for one in found] == [
        (None, "b.sav"),
        (None, "d.sav"),
        ("Kite Weather", "c.sav"),
        ("Ladder", "a.sav"),
    ]


def test_the_line_of_saves_with_one_copy(world: World) -> None:
    """The whole of this test lies on one file system, as a card with the archive on it does."""
    first = world.run("snapshot")
    assert "same medium as card and internal" in " ".join(first.out.split())
    assert "handhold mirror" in first.out
    world.next_evening()
    assert "same medium" not in world.run("snapshot").out  # once
    found = lately(world)
    assert found["archive"]["same_medium"] == ["card", "internal"]
    assert {one["game"] for one in found["one_copy"]} >= {"Mole Hollow"}
    said = " ".join(world.run("list", "--last").out.split())
    assert "3 saves have one copy only, in this archive" in said
    remember(archive_id(world), Mirror("/media/other/handhold", world.time, 2))
    assert lately(world)["one_copy"] == []
    said = " ".join(world.run("list", "--last").out.split())
    assert "Second archive: /media/other/handhold, brought up to date today." in said
    remember(archive_id(world), Mirror(str(world.archive), world.time, 2))  # mirrored here, from there
    assert [one["path"] for one in lately(world)["mirrors"]] == ["/media/other/handhold"]


def test_an_archive_is_no_second_copy_of_itself(world: World) -> None:
    """It was once brought up to date from its second copy."""
    assert world.run("snapshot").status == 0
    disk = world.folder / "disk"
    disk.mkdir()
    assert world.run("mirror", str(disk)).status == 0
    assert world.run("--archive", str(disk), "mirror", str(world.archive)).status == 0
    assert [one["path"] for one in lately(world)["mirrors"]] == [str(disk)]


def test_what_was_adopted_since_is_not_in_the_second_copy(world: World) -> None:
    """It stands among nights that are there, by its date, and yet it is not."""
    assert world.run("snapshot").status == 0
    disk = world.folder / "disk"
    disk.mkdir()
    assert world.run("mirror", str(disk)).status == 0
    world.write(world.folder / "plover 2021-05-03/Tinplate/saves/Kite Weather.sav", b"of years ago")
    assert world.run("adopt", str(world.folder / "plover 2021-05-03"), "--yes").status == 0
    assert [one["game"] for one in lately(world)["one_copy"]] == ["Kite Weather"]
    assert world.run("mirror", str(disk)).status == 0
    assert lately(world)["one_copy"] == []


def archive_id(world: World) -> str:
    (line,) = [x for x in (world.archive / "archive.yaml").read_text().splitlines() if x.startswith("id:")]
    return line.partition(":")[2].strip().strip('"')


def test_mirrors_are_remembered_by_archive_and_place(own_state: Path) -> None:
    at = datetime(2026, 3, 1, tzinfo=UTC)
    assert remember("a" * 32, Mirror("/one", at, 1))
    assert remember("a" * 32, Mirror("/two", at + timedelta(days=1), 2))
    assert remember("a" * 32, Mirror("/one", at + timedelta(days=2), 3))
    two, one = Mirror("/two", at + timedelta(days=1), 2), Mirror("/one", at + timedelta(days=2), 3)
    assert remembered("a" * 32) == (two, one)
    assert remembered("b" * 32) == ()
    (note,) = (own_state / "handhold/mirrors").iterdir()
    without_offset = b'[{"place": "/x", "when": "2026-03-01T00:00:00", "sequence": 1}]'
    for content in (b"", b"[1]", b"{}", b"\xff", without_offset):
        note.write_bytes(content)
        assert remembered("a" * 32) == ()
