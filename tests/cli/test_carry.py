"""Playing on two and three handhelds, over the real command line."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.cli.world import Said, World

SAVE = "Tinplate/saves/Mole Valley.sav"


@dataclass
class Handheld:
    """One of several handhelds that share an archive and layouts."""

    world: World
    name: str
    internal: Path
    card: Path

    def run(self, *arguments: str) -> Said:
        return self.world.run(
            "--device", self.name, "--volume", f"internal={self.internal}",
            "--volume", f"card={self.card}", "--archive", str(self.world.archive), *arguments,
        )  # fmt: skip

    def play(self, content: str, path: str = SAVE, minutes_ago: float = 60) -> None:
        base = self.card if path.startswith("Lantern") else self.internal
        self.world.write(base / path, content, minutes_ago)

    def read(self, path: str = SAVE) -> str:
        base = self.card if path.startswith("Lantern") else self.internal
        return (base / path).read_text()

    def night(self) -> None:
        said = self.run("snapshot")
        assert said.status == 0, said.text
        self.world.next_evening()

    def carry(self, *arguments: str, status: int = 0) -> Any:
        """Carries, with the document of it."""
        said = self.run("carry", "--json", *([] if "--dry-run" in arguments else ["--yes"]), *arguments)
        assert said.status == status, said.text
        return said.document

    def here(self, *arguments: str) -> dict[str, str]:
        """How this one stands, by path of the save."""
        said = self.run("carry", "--json", "--dry-run", *arguments)
        return {save["path"]: save["here"] for save in said.document["saves"]}


def handheld(world: World, name: str) -> Handheld:
    made = Handheld(world, name, world.folder / name / "internal", world.folder / name / "card")
    for folder in (made.internal / "Tinplate", made.card / "Lantern"):
        folder.mkdir(parents=True)
    return made


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


@pytest.fixture
def pebble(world: World) -> Handheld:
    made = handheld(world, "pebble")
    assert world.run(
        "--device", "pebble", "--volume", f"internal={made.internal}", "--volume", f"card={made.card}",
        "--archive", str(world.archive), "setup",
    ).status == 0  # fmt: skip
    return made


@pytest.fixture
def heron(world: World, pebble: Handheld) -> Handheld:
    return handheld(world, "heron")


def both_have(pebble: Handheld, heron: Handheld) -> None:
    """The same save on both, by a carry."""
    pebble.play("chapter 1")
    pebble.night()
    assert heron.carry()["counts"] == {"write": 1}
    heron.night()


def test_to_and_fro(pebble: Handheld, heron: Handheld) -> None:
    both_have(pebble, heron)
    assert heron.read() == "chapter 1"
    heron.play("chapter 2", minutes_ago=60 * 24 * 900)  # that clock is years behind
    heron.night()
    document = pebble.carry()
    assert document["counts"] == {"forward": 1}
    assert document["saves"][0]["here"] == "older"
    assert document["saves"][0]["newest"]["device"] == "heron"
    assert pebble.read() == "chapter 2"
    pebble.play("chapter 3")
    pebble.night()
    heron.carry()
    assert heron.read() == "chapter 3"
    assert heron.here() == {"saves/Mole Valley.sav": "same"}
    assert heron.carry()["counts"] == {"same": 1}


def test_what_was_played_here_since_the_last_night_counts(pebble: Handheld, heron: Handheld) -> None:
    both_have(pebble, heron)
    heron.play("chapter 2", minutes_ago=60 * 24 * 900)
    document = heron.carry()
    assert document["counts"] == {"newer": 1}
    assert heron.read() == "chapter 2"
    said = heron.run("carry", "--dry-run")
    assert "1 save of this device is in no snapshot yet" in said.out
