"""The list of the games of a night: as FORMAT.md shows it, checked when it comes back, free when quiet."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from handhold.archive import inventory
from handhold.archive import manifest as manifests
from handhold.archive.archive import Archive
from handhold.archive.head import GamesNote
from handhold.archive.inventory import Game
from handhold.archive.storage import LocalStorage
from handhold.errors import Damaged
from handhold.model import Kind
from tests.archive.fixtures import EVENING

FORMAT = Path(manifests.__file__).with_name("FORMAT.md")
GAMES = [
    Game("my-games", "games", "Fieldfare/Ladder.bin", 65536, "Ladder"),
    Game("my-games", "games", "Dunlin/caf\\xe9.iso", 0),
]


def test_it_is_as_the_format_shows_it() -> None:
    shown = re.search("```json-lines games\n(.*?)```", FORMAT.read_text(), re.DOTALL)
    assert shown is not None
    assert inventory.encode(GAMES[:1]).decode() == shown[1]
    assert inventory.decode(shown[1].encode()) == (GAMES[0],)


def test_it_comes_back_in_order() -> None:
    data = inventory.encode(GAMES)
    assert [json.loads(line)["path"] for line in data.splitlines()] == [
        "Dunlin/caf\\xe9.iso",
        "Fieldfare/Ladder.bin",
    ]
    assert inventory.decode(data) == (GAMES[1], GAMES[0])


@pytest.mark.parametrize(
    "line",
    [
        b"nonsense",
        b"[" * 100_000,
        b'{"emulator":"a","home":"b","path":"../c","size":1}',
        b'{"emulator":"a","home":"b","path":"/c","size":1}',
        b'{"emulator":"A b","home":"b","path":"c","size":1}',
        b'{"emulator":"a","home":"b/c","path":"c","size":1}',
        b'{"emulator":"a","home":"b","path":"c","size":-1}',
        b'{"emulator":"a","home":"b","path":"c","size":1}\n{"emulator":"a","home":"b","path":"c","size":1}',
        b'{"emulator":"a","home":"b","path":"d","size":1}\n{"emulator":"a","home":"b","path":"c","size":1}',
    ],
)
def test_what_cannot_be_is_not_believed(line: bytes) -> None:
    with pytest.raises(ValueError):
        inventory.decode(line + b"\n")


def test_no_longer_list_is_believed() -> None:
    with pytest.raises(ValueError, match="too long"):
        inventory.decode(b" " * (inventory.LARGEST + 1))


def _night(archive: Archive, games: list[Game], number: int) -> manifests.Manifest:
    with archive.locked("test"), archive.writer() as writer:
        snapshot = writer.finish(
            device="meadow",
            kind=Kind.NIGHT,
            taken=EVENING.replace(minute=number),
            volumes=[],
            sites=[],
            layouts={},
            entries=[],
            gaps=[],
            games=games,
            versions={"tinplate": "1.4"},
        )
    return archive.read(snapshot)


def _bytes(archive: Path) -> int:
    return sum(file.stat().st_size for file in (archive / "bundles").rglob("*") if file.is_file())


def test_a_night_with_the_same_games_stores_no_list_anew(tmp_path: Path) -> None:
    archive = Archive.create(LocalStorage(str(tmp_path / "a")), lambda: EVENING)
    games = [Game("my-games", "games", f"Fieldfare/{n:06}.bin", n, f"{n:06}") for n in range(20_000)]
    first = _night(archive, games, 1)
    assert first.games is not None and first.games.count == 20_000
    assert first.versions == {"tinplate": "1.4"}
    assert archive.games(first) == tuple(games)
    before = _bytes(tmp_path / "a")
    assert _night(archive, games[::-1], 2).games == first.games
    assert _bytes(tmp_path / "a") == before
    # One more of many costs little: the list is cut by its content.
    third = _night(archive, [*games, Game("my-games", "games", "A.bin", 1)], 3)
    assert _bytes(tmp_path / "a") - before < before / 3
    assert len(archive.games(third)) == 20_001
    assert _night(archive, [], 4).games is None


def test_a_lost_list_is_damage_that_costs_no_file(tmp_path: Path) -> None:
    from handhold.archive.verify import verify

    archive = Archive.create(LocalStorage(str(tmp_path / "a")), lambda: EVENING)
    manifest = _night(archive, GAMES, 1)
    assert verify(archive.storage, deep=True).ok
    for bundle in (tmp_path / "a/bundles").rglob("*.bundle"):
        bundle.unlink()
    archive = Archive.open(LocalStorage(str(tmp_path / "a")))
    with pytest.raises(Damaged):
        archive.games(manifest)
    report = verify(archive.storage, deep=False)
    assert not report.ok and any("games on meadow" in damage.what for damage in report.damage)
    assert report.whole == (manifest.snapshot.name,)


@pytest.mark.parametrize(
    "changed",
    [
        {"games": GamesNote("x" * 64, 1)},
        {"games": GamesNote("a" * 64, 0)},
        {"versions": {"tinplate": ""}},
        {"versions": {"tinplate": "1" * 61}},
        {"versions": {"tinplate": "1\x1b"}},
        {"versions": {"Tin Plate": "1"}},
    ],
)
def test_heads_that_cannot_be(changed: dict[str, object]) -> None:
    from tests.archive.test_manifest import _GAPS, _PAGES, _file, _head

    with pytest.raises(ValueError):
        manifests.decode(*_file(manifests.encode(_head(**changed), _PAGES, _GAPS)))
