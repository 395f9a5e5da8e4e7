"""Old exports are named, and the newest few are kept: tables of cases."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from handhold.device.claims import Claim
from handhold.device.exports import stale_exports, without_older
from handhold.layouts.layout import ALL, Layout
from handhold.model import NS, HomeKind, Part, Site, Traits, Volume
from tests.exports.world import hatbox

DAY = 86_400 * NS
NOW = 1_900_000_000 * NS
CARD = Volume("card", "/card", Traits("exfat"))
#: FAT keeps local time. Source: Microsoft, FAT: General Overview of On-Disk Format, version 1.03
FAT = Volume("card", "/card", Traits("fat", 2 * NS, local_time=True))


def claim(
    path: str,
    days_ago: float,
    kind: HomeKind = HomeKind.EXPORT,
    part: Part = Part.SAVES,
    size: int = 10,
    emulator: str = "hatbox",
) -> Claim:
    home = "export" if kind is HomeKind.EXPORT else "main"
    site = Site(emulator, home, kind, "card", "X")
    return Claim(site, part, None, path, size, NOW - int(days_ago * DAY), "/card/X")


def other(path: str, days_ago: float, part: Part = Part.STATES) -> Claim:
    return claim(path, days_ago, HomeKind.FOLDER, part)


@pytest.mark.parametrize(
    ("claims", "volume", "said"),
    [
        ([claim("a.zip", 1)], CARD, None),
        ([claim("a.zip", 13.9)], CARD, None),
        ([claim("a.zip", 14.1)], CARD, "14 days old"),
        ([claim("a.zip", 400)], CARD, "400 days old"),
        ([claim("old.zip", 400), claim("new.zip", 1)], CARD, None),  # older ones beside it are history
        ([claim("a.zip", 3), other("x.st1", 1)], CARD, "2 days after"),
        ([claim("a.zip", 1), other("x.st1", 3)], CARD, None),
        ([claim("a.zip", 1), other("x.st1", 0.5)], CARD, None),  # within a day: written when it was closed
        ([claim("a.zip", 2), other("x.st1", 0.5)], FAT, None),  # 36 hours, of which the clock can blur 14
        ([claim("a.zip", 2), other("x.st1", 0.5)], CARD, "1 day after"),
        ([claim("a.zip", 3), other("game.bin", 0, Part.GAMES)], CARD, None),  # a game was copied, not played
        ([claim("a.zip", 3), other("x.st1", -9)], CARD, None),  # a clock in the future tells nothing
        ([claim("a.zip", -9)], CARD, None),
        ([claim("a.zip", 20_000)], CARD, None),  # before 2000: the battery was empty
        ([other("x.st1", 300)], CARD, None),  # no export at all
        ([], CARD, None),
    ],
)
def test_stale(claims: Sequence[Claim], volume: Volume, said: str | None) -> None:
    found = stale_exports(claims, [hatbox()], [volume], NOW)
    if said is None:
        assert found == []
    else:
        (one,) = found
        assert (one.emulator, one.volume) == ("hatbox", "card")
        assert said in one.why
        assert "Hatbox" in one.why
        assert "export again" in one.why


def test_each_emulator_by_itself() -> None:
    claims = [claim("a.zip", 30), claim("b.zip", 1, emulator="pedlar"), claim("c.zip", 20, emulator="quill")]
    assert [one.emulator for one in stale_exports(claims, [], [CARD], NOW)] == ["hatbox", "quill"]


def left(
    claims: Sequence[Claim], layout: Layout, newest: int | None = None, otherwise: int = ALL
) -> set[str]:
    kept, older = without_older(claims, [layout], newest, otherwise)
    assert len(kept) + len(older) == len(claims)
    return {one.path.removeprefix("X/") for one in older}


FOUR = [claim("a.zip", 4), claim("b.zip", 1), claim("c.zip", 3), claim("d.zip", 2)]


@pytest.mark.parametrize(
    ("newest", "otherwise", "layout", "expected"),
    [
        (None, ALL, "", set()),
        (1, ALL, "", {"a.zip", "c.zip", "d.zip"}),
        (2, ALL, "", {"a.zip", "c.zip"}),
        (9, ALL, "", set()),
        (None, 3, "", {"a.zip"}),  # the config's
        (None, 3, "newest: 2\n", {"a.zip", "c.zip"}),  # the layout's own wins over it
        (3, 1, "newest: 2\n", {"a.zip"}),  # the option wins over both
        (None, ALL, "newest: 1\n", {"a.zip", "c.zip", "d.zip"}),
    ],
)
def test_the_newest(newest: int | None, otherwise: int, layout: str, expected: set[str]) -> None:
    assert left(FOUR, hatbox(layout), newest, otherwise) == expected


def test_where_each_file_is_a_games_own_all_are_kept() -> None:
    plain = Layout("hatbox", "Hatbox", (), hatbox().homes, (), (), (), {})
    assert left(FOUR, plain, 1) == set()


def test_pieces_and_checksums_stay_with_their_export() -> None:
    claims = [
        claim("a.zip", 4),
        claim("b.zip", 2),
        claim("b.zip.sha256", 1.9),
        claim("b.z01", 2),
        claim("c.zip", 3),
    ]
    assert left(claims, hatbox(), 1) == {"a.zip", "c.zip"}


def test_a_folder_of_plain_files_is_one_export() -> None:
    claims = [
        claim(f"{folder}/saves/{game}.sav", days)
        for folder, days in (("monday", 3), ("Tuesday", 2), ("wednesday", 1))
        for game in ("Moss", "Fern")
    ]
    assert left(claims, hatbox(), 2) == {"monday/saves/Moss.sav", "monday/saves/Fern.sav"}
    assert left(claims, hatbox(), 3) == set()


def test_a_folder_of_empty_files_is_no_export() -> None:
    claims = [claim("monday/saves/Moss.sav", 2), claim("tuesday/saves/Moss.sav", 1, size=0)]
    assert left(claims, hatbox(), 1) == set()


def test_an_empty_file_is_no_export() -> None:
    assert left([claim("a.zip", 2), claim("b.zip", 1, size=0)], hatbox(), 1) == set()


def test_other_homes_are_left_alone() -> None:
    assert left([*FOUR, other("x.st1", 900)], hatbox(), 1) == {"a.zip", "c.zip", "d.zip"}


EXCERPT = "all (only Moss and 2 more, from marten 2026-03-13).zip"


def test_what_a_restore_put_there_pushes_no_export_out() -> None:
    kept, older = without_older([claim("all.zip", 3), claim(EXCERPT, 1)], [hatbox()], 1)
    assert {one.path for one in kept} == {"all.zip", EXCERPT}
    assert older == []


def test_what_a_restore_put_there_makes_no_export_new() -> None:
    (found,) = stale_exports([claim("all.zip", 20), claim(EXCERPT, 1)], [hatbox()], [CARD], NOW)
    assert found.path.endswith("all.zip")
