"""The twelve patterns: what they make of the files that emulators write.

Which files there are is common practice, no source; the names are invented.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.layouts.catalogue import read_catalogue
from handhold.layouts.layout import Layout
from handhold.model import HomeKind, Part
from handhold.resources import patterns_folder

CATALOGUE = read_catalogue([])
IDS = [
    "beside-games",
    "chosen-folder",
    "folder-export",
    "front-end",
    "game-data-export",
    "games-folder",
    "id-tree",
    "many-cores",
    "moved-folder",
    "numbered-users",
    "private-storage",
    "zip-export",
]

#: path, what it is ("skip": left out, "-": nobody claims it), the game
SIDE_BY_SIDE = [
    ("saves/Lamp Oil.sav", "saves", "Lamp Oil"),
    ("SAVES/LAMP OIL.SRM", "saves", "LAMP OIL"),
    ("saves/Lamp Oil.sav.bak", "saves", "Lamp Oil"),
    ("saves/Lamp Oil v1.2.rtc", "saves", "Lamp Oil v1.2"),
    ("saves/Lamp Oil.xyz", "saves", "Lamp Oil"),
    ("saves/no ending", "saves", None),
    ("saves/Feldspar/Lamp Oil.eep", "saves", "Lamp Oil"),
    ("saves/a/b/c/d/e/Lamp Oil.bin", "saves", "Lamp Oil"),
    ("saves/cache/Lamp Oil.sav", "saves", "Lamp Oil"),
    ("save data/Lamp Oil.dat", "saves", "Lamp Oil"),
    ("battery/Lamp Oil.sav", "saves", "Lamp Oil"),
    ("memory cards/card 1.card", "saves", None),
    ("MemCards/1.mcr", "saves", None),
    ("Lamp Oil.srm", "saves", "Lamp Oil"),
    ("deep/down/Lamp Oil.sav", "saves", "Lamp Oil"),
    ("Feldspar/saves/x.bin", "saves", None),
    ("nvram/a/b", "saves", None),
    ("states/Lamp Oil.st1", "states", "Lamp Oil"),
    ("states/Lamp Oil.state", "states", "Lamp Oil"),
    ("states/Lamp Oil.state.auto", "states", "Lamp Oil"),
    ("states/Lamp Oil.state12.png", "states", "Lamp Oil"),
    ("states/Feldspar/Lamp Oil.state1", "states", "Lamp Oil"),
    ("savestates/Lamp Oil.ss0", "states", "Lamp Oil"),
    ("save states/Lamp Oil.st1.png", "states", "Lamp Oil"),
    ("save-states/Lamp Oil.xyz", "states", "Lamp Oil"),
    ("states/no ending", "states", None),
    ("Lamp Oil.state3", "states", "Lamp Oil"),
    ("cheats/Lamp Oil.txt", "cheats", "Lamp Oil"),
    ("cheats/Feldspar/Lamp Oil.cht", "cheats", "Lamp Oil"),
    ("config/main.ini", "settings", None),
    ("settings/games/Lamp Oil.ini", "settings", "Lamp Oil"),
    ("main.cfg", "settings", None),
    ("textures/4c41/wall.png", "textures", "4c41"),
    ("screenshots/Lamp Oil 1.png", "pictures", None),
    ("recordings/1.mp4", "pictures", None),
    ("system/start-up.rom", "firmware", None),
    ("firmware/a/b.bin", "firmware", None),
    ("system/Gneiss/memory cards/1.bin", "saves", None),
    ("system/Gneiss/saves/1.bin", "saves", None),
    ("cache/1.bin", "skip", None),
    ("shader cache/1.bin", "skip", None),
    ("shaders/1.bin", "skip", None),
    ("logs/today.txt", "skip", None),
    ("readme.txt", "-", None),
    ("Lamp Oil.bin", "-", None),
]
TABLE: dict[str, list[tuple[str, str, str | None]]] = {
    "chosen-folder main": [
        *SIDE_BY_SIDE,
        ("config/pads/1.ini", "controls", None),
        ("config/input profiles/pad 1.ini", "controls", None),
        ("config/gamepad.ini", "controls", None),
        ("controllers/1.xml", "controls", None),
        ("input.cfg", "controls", None),
    ],
    "moved-folder main": [*SIDE_BY_SIDE, ("settings/pads/pad 1.ini", "controls", None)],
    "moved-folder inside": SIDE_BY_SIDE,
    "private-storage main": SIDE_BY_SIDE,
    "many-cores main": [
        *SIDE_BY_SIDE[:31],
        ("config/main.cfg", "settings", None),
        ("config/Feldspar/Lamp Oil.ini", "settings", "Lamp Oil"),
        ("config/Feldspar/Feldspar.cfg", "settings", "Feldspar"),
        ("config/remaps/Feldspar/Lamp Oil.map", "controls", "Lamp Oil"),
        ("config/remaps/all.map", "controls", "all"),
        ("config/Feldspar/remaps/Lamp Oil.map", "controls", None),
        ("remaps/Lamp Oil.map", "controls", "Lamp Oil"),
        ("system/Gneiss/flash/x", "saves", None),
        ("system/Gneiss/Lamp Oil.sav", "saves", "Lamp Oil"),
        ("system/rom.bin", "firmware", None),
        ("thumbnails/a.png", "pictures", None),
        ("game lists/all.txt", "library", None),
        ("cores/1.so", "skip", None),
        ("shaders/cache/1.bin", "skip", None),
    ],
    "folder-export export": [
        ("Lamp Oil/save.dat", "saves", "Lamp Oil"),
        ("Lamp Oil/save 2/a.bin", "saves", "Lamp Oil"),
        ("Lamp Oil/anything", "saves", "Lamp Oil"),
        ("Lamp Oil/state 1.dat", "states", "Lamp Oil"),
        ("Lamp Oil/savestate1", "states", "Lamp Oil"),
        ("Lamp Oil/states/1.dat", "states", "Lamp Oil"),
        ("Lamp Oil/cheats.txt", "cheats", "Lamp Oil"),
        ("Lamp Oil/settings.ini", "settings", "Lamp Oil"),
        ("Lamp Oil/controls.ini", "controls", "Lamp Oil"),
        ("saves/Lamp Oil.sav", "saves", "Lamp Oil"),
        ("states/Lamp Oil.st1", "states", "Lamp Oil"),
        ("cheats/Lamp Oil.txt", "cheats", "Lamp Oil"),
        ("Lamp Oil.sav", "saves", "Lamp Oil"),
        ("Lamp Oil.zip", "saves", "Lamp Oil"),
        ("Lamp Oil.state1", "states", "Lamp Oil"),
        ("no ending", "saves", None),
    ],
    "zip-export export": [
        ("nightly.zip", "saves", None),
        ("2022/old.7z", "saves", None),
        ("nightly.zip.sha256", "saves", None),
        ("nightly.z01", "saves", None),
        ("manual.pdf", "-", None),
    ],
    "game-data-export export": [
        ("data/Lamp Oil/progress.bin", "saves", "Lamp Oil"),
        ("data/Lamp Oil/a/b", "saves", "Lamp Oil"),
        ("data/Lamp Oil.zip", "saves", "Lamp Oil"),
        ("game data/Lamp Oil/a", "saves", "Lamp Oil"),
        ("Lamp Oil/a", "saves", "Lamp Oil"),
        ("Lamp Oil.zip", "saves", "Lamp Oil"),
        ("cheats/Lamp Oil.txt", "cheats", "Lamp Oil"),
        ("all cheats.zip", "cheats", None),
        ("profiles/pad 1.txt", "controls", None),
        ("controller profiles.zip", "controls", None),
        ("anything", "saves", None),
    ],
    "beside-games games": [
        ("Lamp Oil.sav", "saves", "Lamp Oil"),
        ("Fieldfare/Lamp Oil.srm", "saves", "Lamp Oil"),
        ("Fieldfare/Lamp Oil.sav.bak", "saves", "Lamp Oil"),
        ("Fieldfare/saves/Lamp Oil.bin", "saves", "Lamp Oil"),
        ("Fieldfare/memory cards/1.bin", "saves", None),
        ("Lamp Oil.st1", "states", "Lamp Oil"),
        ("Lamp Oil.st1.png", "states", "Lamp Oil"),
        ("Lamp Oil.state.auto", "states", "Lamp Oil"),
        ("states/Lamp Oil.x", "states", "Lamp Oil"),
        ("Lamp Oil.cht", "cheats", "Lamp Oil"),
        ("Lamp Oil.bin", "-", None),
        ("Lamp Oil.zip", "-", None),
        ("Lamp Oil.st", "-", None),
        ("Stately Homes.iso", "-", None),
    ],
    "beside-games folder": [
        ("Lamp Oil.sav", "saves", "Lamp Oil"),
        ("Fieldfare/Lamp Oil.anything", "saves", "Lamp Oil"),
        ("no ending", "saves", None),
        ("Lamp Oil.st1", "states", "Lamp Oil"),
        ("states/Lamp Oil.x", "states", "Lamp Oil"),
    ],
    "id-tree main": [
        (f"card/{'0' * 16}/{'0' * 31}1/4c414d50/data/slot1.bin", "saves", "4c414d50"),
        (f"card/{'0' * 16}/{'0' * 31}1/4c414d50/icon.png", "saves", "4c414d50"),
        (f"card/{'0' * 16}/{'9f' * 16}/4c414d50/a/b/c", "saves", "4c414d50"),
        ("memory/shelf/00010000/4c414d50/data/a", "-", None),
        ("flash/shelf/00010000/4c414d50/data/a", "saves", "4c414d50"),
        ("flash/system/contents/a.bin", "firmware", None),
        ("flash/system/save/1/a", "saves", None),
        ("anywhere/00000000/x", "saves", None),
        ("states/Lamp Oil.1", "states", "Lamp Oil"),
        ("config/main.ini", "settings", None),
        ("config/pads/1.ini", "controls", None),
        ("keys/a.key", "firmware", None),
        ("textures/4c41/a.png", "textures", "4c41"),
        ("cache/a", "skip", None),
    ],
    "numbered-users main": [
        ("users/1/saves/4c414d50/save.bin", "saves", "4c414d50"),
        ("users/12/saves/4c414d50/a/b/c", "saves", "4c414d50"),
        ("user/save/0001/00000001/4c414d50/save.bin", "saves", "4c414d50"),
        ("user/save/0000000000000000/00000002/4c414d50/a/b", "saves", "4c414d50"),
        ("save/1/4c414d50/save.bin", "saves", "4c414d50"),
        ("users/1/saves/odd", "saves", None),
        ("users/1/awards/list.bin", "saves", None),
        ("users/1/user.ini", "settings", None),
        ("user/cache/a", "skip", None),
        ("user/shaders/a", "skip", None),
        ("user/textures/4c41/a.png", "textures", "4c41"),
        ("user/config/pads.ini", "controls", None),
    ],
    "front-end main": [
        ("lists/Fieldfare.xml", "library", None),
        ("collections/rainy days.txt", "library", None),
        ("favourites.txt", "library", None),
        ("play times.json", "library", None),
        ("games.db", "library", None),
        ("settings/main.ini", "settings", None),
        ("settings/pads.ini", "controls", None),
        ("artwork/Fieldfare/Lamp Oil.png", "pictures", None),
        ("saves/Lamp Oil.bin", "saves", "Lamp Oil"),
        ("themes/wool/a.png", "skip", None),
        ("cache/1", "skip", None),
    ],
    "games-folder games": [
        ("Fieldfare/Lamp Oil.bin", "games", "Lamp Oil"),
        ("Lamp Oil (Disc 2).iso", "games", "Lamp Oil (Disc 2)"),
        ("no ending", "games", None),
        ("Fieldfare/Lamp Oil.sav", "saves", "Lamp Oil"),
        ("Fieldfare/Lamp Oil.st1", "states", "Lamp Oil"),
        ("Fieldfare/saves/a.bin", "saves", None),
    ],
}
ROWS = [(key, *row) for key, rows in TABLE.items() for row in rows]


def pattern_and_home(key: str) -> tuple[Layout, str]:
    name, home = key.split(" ")
    return CATALOGUE.patterns[name], home


@pytest.mark.parametrize(("key", "path", "what", "game"), ROWS)
def test_what_it_makes_of_a_file(key: str, path: str, what: str, game: str | None) -> None:
    layout, home = pattern_and_home(key)
    verdict = layout.verdict(home, path)
    if verdict is None:
        found: tuple[str, str | None] = ("-", None)
    else:
        found = (verdict.part.value if verdict.part else "skip", verdict.game)
    if what == "saves" and game is None:
        found = (found[0], None)  # which game a file without a clear name is of is nobody's business here
    assert found == (what, game)


def test_which_there_are() -> None:
    assert sorted(CATALOGUE.patterns) == IDS == sorted(file.stem for file in patterns_folder().glob("*"))
    assert not CATALOGUE.layouts
    assert {name.split(" ")[0] for name in TABLE} == set(IDS)
    homes = {f"{p.id} {h.name}" for p in CATALOGUE.patterns.values() for h in p.homes}
    assert set(TABLE) == homes


def test_kinds_of_homes() -> None:
    kinds = {p.id: [h.kind for h in p.homes] for p in CATALOGUE.patterns.values()}
    assert kinds["beside-games"] == [HomeKind.GAMES, HomeKind.FOLDER]
    assert kinds["games-folder"] == [HomeKind.GAMES]
    assert kinds["private-storage"] == [HomeKind.PRIVATE]
    assert {i for i, k in kinds.items() if HomeKind.EXPORT in k} == {
        "folder-export",
        "zip-export",
        "game-data-export",
    }


@pytest.mark.parametrize("name", IDS)
def test_it_says_what_is_to_do_by_hand(name: str) -> None:
    pattern = CATALOGUE.patterns[name]
    assert pattern.before
    assert "install" in " ".join(pattern.before).lower() or name == "games-folder"
    if name != "games-folder":
        after = " ".join(pattern.after)
        assert "games folder" in after or "Point it at the games folder" in " ".join(pattern.before)
        assert "buttons" in after


@pytest.mark.parametrize("name", IDS)
def test_the_lines_shown_at_its_top_work(name: str, tmp_path: Path) -> None:
    text = (patterns_folder() / f"{name}.yaml").read_text("utf-8")
    top = text[: text.index("\n\n")]
    shown = top[top.index("#     layout: 1") :]
    lines = [re.sub(r"^# {0,5}", "", line) for line in shown.splitlines()]
    (tmp_path / "shown.yaml").write_text("\n".join(lines))
    (layout,) = read_catalogue([tmp_path]).layouts.values()
    assert layout.like[0] == name
    assert len(lines) < 14
    assert layout.homes[0].at


names = st.text(
    st.characters(exclude_characters="/\\\0", exclude_categories=["Cs"]), min_size=1, max_size=12
).filter(lambda n: n not in (".", ".."))


@given(
    st.sampled_from(["chosen-folder", "many-cores", "moved-folder", "private-storage", "folder-export"]),
    st.sampled_from(["saves", "Save", "SAV", "save data", "memory cards", "saved games"]),
    st.lists(names, max_size=3),
    names,
)
@settings(deadline=None, max_examples=300)
def test_nothing_in_a_folder_for_saves_is_lost(
    pattern: str, folder: str, between: list[str], name: str
) -> None:
    layout = CATALOGUE.patterns[pattern]
    verdict = layout.verdict(layout.homes[0].name, "/".join([folder, *between, name]))
    assert verdict is not None
    assert verdict.part is not None and verdict.part.kept
    if pattern != "folder-export":
        assert verdict.part is Part.SAVES


@given(st.sampled_from(["folder-export", "game-data-export"]), st.lists(names, min_size=1, max_size=4))
@settings(deadline=None)
def test_everything_in_an_export_is_kept(pattern: str, path: list[str]) -> None:
    verdict = CATALOGUE.patterns[pattern].verdict("export", "/".join(path))
    assert verdict is not None and verdict.part is not None and verdict.part.kept


@given(st.sampled_from(IDS), st.sampled_from(["sav", "srm", "SAV"]), st.lists(names, max_size=2), names)
@settings(deadline=None, max_examples=300)
def test_usual_saves_are_found_wherever_they_lie(
    pattern: str, ending: str, folders: list[str], name: str
) -> None:
    layout = CATALOGUE.patterns[pattern]
    for home in layout.homes:
        verdict = layout.verdict(home.name, "/".join([*folders, f"{name}.{ending}"]))
        skipped = verdict is not None and verdict.part is None
        assert skipped or pattern == "zip-export" or (verdict is not None and verdict.part is not None)
        assert not skipped or folders, "nothing at the top of a home is left out"
