"""Drafts: which rules they propose, and that they lose nothing. All names are invented."""

from __future__ import annotations

from pathlib import Path

import pytest

from handhold.layouts.catalogue import check_files, read_catalogue
from handhold.layouts.draft.likeness import Evidence
from handhold.model import HomeKind, Part
from tests.layouts.sightings import drafted, paths, seen

SAVES, STATES = Part.SAVES, Part.STATES
GAMES = ("Lamplighter", "Salt Road", "Thimble Fleet")


def test_what_the_pattern_has_right_needs_no_rule() -> None:
    proposal = drafted(
        *(seen(f"saves/{game}.sav", SAVES, game) for game in GAMES),
        *(seen(f"states/{game}.st1", STATES, game) for game in GAMES),
        seen("config/main.ini", Part.SETTINGS),
    )
    assert proposal.like.pattern == "chosen-folder"
    assert paths(proposal) == []
    assert proposal.missed == ()
    assert proposal.claimed == {SAVES: 3, STATES: 3, Part.SETTINGS: 1}


@pytest.mark.parametrize(
    ("part", "names", "rule"),
    [
        (SAVES, [(f"{g}.qqz", g) for g in GAMES], "fortschritt/{game}.qqz"),
        (SAVES, [(f"{g} ({n}).qqz", g) for g in GAMES for n in (1, 2)], "fortschritt/{game} ({slot}).qqz"),
        (SAVES, [(f"{g}_{n}.qqz", g) for g in GAMES for n in (1, 12)], "fortschritt/{game}_{slot}.qqz"),
        (STATES, [(f"{g}.qq{n}", g) for g in GAMES for n in (1, 2)], "fortschritt/{game}.qq{slot}"),
        (STATES, [(f"{g}-auto.qqz", g) for g in GAMES], "fortschritt/{game}-{slot}.qqz"),
        (SAVES, [(f"block {n}.qqz", None) for n in (1, 2, 3)], "fortschritt/block {slot}.qqz"),
        (SAVES, [(f"{n}.qqz", None) for n in ("one", "two", "more")], "fortschritt/*.qqz"),
        (SAVES, [(f"{g}.{e}", g) for g in GAMES for e in ("qqz", "qx")], "fortschritt/{game}.{qqz,qx}"),
        (STATES, [(f"{g}.qq1{e}", g) for g in GAMES for e in ("", ".png")],
         "fortschritt/{game}.{qq{slot}.png,qq{slot}}"),
        (STATES, [(f"{g} {n}.{e}", g) for g in GAMES for n in (1, 2) for e in ("qqz", "bmp")],
         "fortschritt/{game} {slot}.{bmp,qqz}"),
        (SAVES, [("Lamplighter, part 2.q,z", "Lamplighter, part 2"), ("Lamplighter.qz", "Lamplighter")],
         "fortschritt/{game}.{q\\,z,qz}"),
    ],
)  # fmt: skip
def test_names_in_a_folder(part: Part, names: list[tuple[str, str | None]], rule: str) -> None:
    proposal = drafted(*(seen(f"fortschritt/{name}", part, game) for name, game in names))
    assert paths(proposal) == [(part, rule)]
    for name, game in names:
        verdict = proposal.layout.verdict(proposal.like.home, f"fortschritt/{name}")
        assert verdict is not None
        assert verdict.part is part
        assert game is None or verdict.game == game


def test_the_game_as_a_folder() -> None:
    proposal = drafted(
        *(seen(f"fortschritt/{game}/{name}", SAVES, game) for game in GAMES for name in ("a.qq", "b/c"))
    )
    assert paths(proposal) == [(SAVES, "fortschritt/{game}/**")]


def test_many_folders_of_the_same_kind_are_one_rule() -> None:
    proposal = drafted(
        *(
            seen(f"fortschritt/{core}/{game}.qqz", SAVES, game)
            for core in ("Gneiss", "Marl")
            for game in GAMES
        )
    )
    assert paths(proposal) == [(SAVES, "fortschritt/*/{game}.qqz")]


def test_ids_and_numbers_are_not_named() -> None:
    proposal = drafted(
        *(seen(f"fortschritt/{n:08x}/data.qqz", SAVES) for n in range(0xA0000000, 0xA0000004)),
    )
    assert paths(proposal) == [(SAVES, "fortschritt/*/*.qqz")]


def test_other_files_of_a_folder_are_not_taken_along() -> None:
    proposal = drafted(
        *(seen(f"play/{game}.qqz", SAVES, game) for game in GAMES),
        *(seen(f"play/{game}.rom", Part.GAMES) for game in GAMES),
        *(seen(f"play/{game}.txt", None, confidence=0) for game in GAMES),
        seen("play/Lamplighter.qq1", STATES, "Lamplighter"),
    )
    assert proposal.missed == ()
    home = proposal.like.home
    for game in GAMES:
        rom, text = (proposal.layout.verdict(home, f"play/{game}.{e}") for e in ("rom", "txt"))
        assert rom is None or rom.part in (None, Part.GAMES)
        assert text is None or text.part not in (SAVES, STATES)


def test_two_parts_with_one_ending_are_told_apart_by_name() -> None:
    proposal = drafted(
        seen("play/a.qqz", SAVES),
        seen("play/b.qqz", STATES),
        seen("play/c.qqz", SAVES),
        seen("play/d.qqz", STATES),
    )
    assert proposal.missed == ()
    assert sorted(paths(proposal)) == [
        (SAVES, "play/a.qqz"), (SAVES, "play/c.qqz"), (STATES, "play/b.qqz"), (STATES, "play/d.qqz"),
    ]  # fmt: skip


def test_a_title_that_the_pattern_does_not_tell() -> None:
    """The slot stands in the name: without a rule of its own each slot would be a game."""
    proposal = drafted(
        *(seen(f"states/{game} {n}.st", STATES, game) for game in GAMES for n in (1, 2)),
    )
    assert paths(proposal) == [(STATES, "states/{game} {slot}.st")]


def test_caches_are_left_out_by_name() -> None:
    proposal = drafted(
        seen("saves/Lamplighter.sav", SAVES, "Lamplighter"),
        *(seen(f"made anew/{n}/x.bin", Part.CACHE) for n in range(10)),
        *(seen(f"shaders/{n}.bin", Part.CACHE) for n in range(10)),
    )
    assert [(rule.part, rule.path) for rule in proposal.skip] == [(None, "made anew/**")]
    verdict = proposal.layout.verdict("main", "made anew/11/y.bin")
    assert verdict is not None and verdict.part is None


def test_a_save_in_a_cache_is_kept() -> None:
    proposal = drafted(
        *(seen(f"cache/{n}.bin", Part.CACHE) for n in range(10)),
        seen("cache/Lamplighter.sav", SAVES, "Lamplighter"),
        seen("my cache/Lamplighter.sav", SAVES, "Lamplighter"),
    )
    assert proposal.missed == ()


def test_what_it_was_unsure_of_stands_in_comments() -> None:
    proposal = drafted(
        seen("saves/Lamplighter.sav", SAVES, "Lamplighter"),
        *(seen(f"odd/{n}.xx", SAVES, confidence=45) for n in range(7)),
        seen("odd/readme", None, confidence=0),
    )
    comments = [line for line in proposal.text.splitlines() if line.startswith("#")]
    text = " ".join(" ".join(comments).replace("#", "").split())
    assert '7 files, such as "odd/0.xx" and "odd/1.xx": the test says so (45 of 100)' in text
    assert '#   - {part: saves, path: "odd/*.xx"}' in comments
    assert 'odd/: 1 file, such as "odd/readme"' in text
    assert proposal.layout.verdict("main", "odd/0.xx") is None


def test_unlikely_saves_are_told_beside_their_rule() -> None:
    proposal = drafted(*(seen(f"odd/{n}.xx", SAVES, confidence=61) for n in range(7)))
    text = " ".join(proposal.text.replace("#", "").split())
    assert "not very sure, 61 of 100" in text


@pytest.mark.parametrize(
    ("evidence", "files", "pattern", "kind"),
    [
        (Evidence(private=True), ["saves/a.sav"], "private-storage", HomeKind.PRIVATE),
        (Evidence(moved=True), ["saves/a.sav"], "moved-folder", HomeKind.FOLDER),
        (Evidence(exports=True), ["nightly.zip"], "zip-export", HomeKind.EXPORT),
        (Evidence(exports=True), ["a/save.dat", "b/save.dat"], "folder-export", HomeKind.EXPORT),
        (Evidence(saves=True), ["a.xyz", "b.xyz"], "beside-games", HomeKind.FOLDER),
        (Evidence(), ["users/1/saves/4c414d50/s.bin"], "numbered-users", HomeKind.FOLDER),
        (Evidence(), [f"card/{'0' * 16}/{'0' * 16}/4c414d50/s.bin"], "id-tree", HomeKind.FOLDER),
        (Evidence(), ["saves/Gneiss/a.srm", "saves/Marl/b.srm"], "many-cores", HomeKind.FOLDER),
    ],
)  # fmt: skip
def test_which_pattern(evidence: Evidence, files: list[str], pattern: str, kind: HomeKind) -> None:
    proposal = drafted(*(seen(path, SAVES) for path in files), evidence=evidence)
    assert (proposal.like.pattern, proposal.like.kind) == (pattern, kind)
    assert proposal.layout.like[0] == pattern


def test_saves_beside_games() -> None:
    files = [
        *(seen(f"{game}.rom", Part.GAMES) for game in GAMES),
        *(seen(f"{game}.sav", SAVES, game) for game in GAMES),
    ]
    proposal = drafted(*files, evidence=Evidence(games=True))
    assert (proposal.like.pattern, proposal.like.home) == ("beside-games", "games")
    assert drafted(*files, evidence=Evidence(games=True, shelf=True)).like.pattern == "games-folder"


def test_the_text_is_a_layout_file(tmp_path: Path) -> None:
    proposal = drafted(*(seen(f"fortschritt/{game}.qqz", SAVES, game) for game in GAMES))
    file = tmp_path / "tinplate.yaml"
    file.write_text(proposal.text, "utf-8")
    assert check_files([file], []).mistakes == ()
    layout = read_catalogue([tmp_path]).layouts["tinplate"]
    assert layout.title == "Tinplate"
    assert [str(place) for home in layout.homes for place in home.at] == ["card:Tinplate"]


@pytest.mark.parametrize("id", ["null", "true", "007", "0x1f", "1-2", "no", "5e3"])
def test_ids_that_yaml_could_take_for_something_else(id: str) -> None:
    assert drafted(seen("saves/a.sav", SAVES), id=id).layout.id == id


def test_names_that_a_card_holds_for_one() -> None:
    """Nothing can tell them apart; both are kept all the same."""
    proposal = drafted(seen("odd/a.xx", SAVES), seen("odd/A.xx", STATES))
    for name in ("a.xx", "A.xx"):
        verdict = proposal.layout.verdict(proposal.like.home, f"odd/{name}")
        assert verdict is not None and verdict.part in (SAVES, STATES)
    assert len(proposal.missed) == 1


def test_a_front_end_has_lists() -> None:
    """Its pattern has saves right too; but what has none of a front end's files is none."""
    files = [seen("saves/a.sav", SAVES, "a"), seen("artwork/a.png", Part.PICTURES)]
    assert drafted(*files).like.pattern != "front-end"
    lists = [seen(f"lists/{n}.xml", Part.LIBRARY) for n in range(3)]
    assert drafted(*lists, seen("artwork/a.png", Part.PICTURES)).like.pattern == "front-end"
