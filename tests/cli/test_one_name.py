"""Two handhelds that their owner gave one name, over the real command line."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from tests.cli.test_carry import SAVE, Handheld, handheld
from tests.cli.world import Said, World


class Own(Handheld):
    """A handheld with a config of its own, made by ``setup`` on it."""

    def run(self, *arguments: str) -> Said:
        return self.world.bare("--config", str(self.config), "--layouts", str(self.world.layouts), *arguments)

    def setup(self, name: str) -> Said:
        said = self.world.bare(
            "--config", str(self.config), "--layouts", str(self.world.layouts), "--device", name,
            "--volume", f"internal={self.internal}", "--volume", f"card={self.card}",
            "--archive", str(self.world.archive), "setup", "--yes",
        )  # fmt: skip
        assert said.status == 0, said.text
        return said

    @property
    def config(self) -> Path:
        return self.internal.parent / "config.yaml"

    def kept(self) -> Said:
        said = self.run("snapshot")
        self.world.next_evening()
        return said


def own(world: World, folder: str) -> Own:
    made = handheld(world, folder)
    return Own(world, made.name, made.internal, made.card)


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


@pytest.fixture
def blue(world: World) -> Own:
    made = own(world, "blue")
    made.setup("plover")
    return made


@pytest.fixture
def red(world: World, blue: Own) -> Own:
    made = own(world, "red")
    blue.play("blue 1")
    assert blue.kept().status == 0
    assert "another handheld" in made.setup("plover").text
    return made


def test_it_is_told_once_both_have_written(blue: Own, red: Own) -> None:
    red.play("red 1")
    first = red.kept()
    assert first.status == 0 and "Two handhelds" not in first.text  # it could be blue, set up anew
    told = blue.kept()
    assert told.status == 3
    assert "Two handhelds keep their nights here as plover" in told.text
    assert all(len(line) <= 80 for line in told.text.splitlines())
    assert blue.kept().status == 0  # it is not told again before the other one writes again
    again = red.run("snapshot", "--json")
    assert again.status == 3 and again.document["other"].startswith("plover.")


def test_neither_overwrites_the_other(blue: Own, red: Own) -> None:
    red.play("red 1")
    red.kept()
    blue.kept()
    red.play("red 2")
    red.kept()
    # Blue has progress of its own, and so has red: a fork, whatever the order of the nights.
    assert blue.here() == {"saves/Mole Hollow.sav": "fork"}
    assert red.here() == {"saves/Mole Hollow.sav": "fork"}
    blue.run("carry", "--yes")
    assert blue.read() == "blue 1"
    # The latest night of the name is one's own.
    red.run("restore", "plover", "--yes", "--on-newer", "replace")
    assert red.read() == "red 2"
    blue.run("restore", "plover", "--yes", "--on-newer", "replace")
    assert blue.read() == "blue 1"
    # It can be chosen, under the name that it is told by.
    versions = blue.carry("--dry-run", status=3)["saves"][0]["versions"]
    (other,) = {one["device"] for one in versions} - {"plover"}
    assert other.startswith("plover~")
    blue.carry("--take", other)
    assert blue.read() == "red 2"


def test_a_third_device_is_shown_both(world: World, blue: Own, red: Own) -> None:
    red.play("red 1")
    red.kept()
    blue.kept()
    heron = own(world, "heron")
    heron.setup("heron")
    heron.play("heron 1")
    heron.kept()
    (save,) = heron.carry("--dry-run", status=3)["saves"]
    assert save["here"] == "fork" and len({one["device"] for one in save["versions"]}) == 3


def test_the_same_size_and_time_on_the_other_is_read_all_the_same(blue: Own, red: Own) -> None:
    red.play("red  1")  # as long as "blue 1"
    stands = (blue.internal / SAVE).stat()
    os.utime(red.internal / SAVE, ns=(stands.st_atime_ns, stands.st_mtime_ns))
    red.kept()
    (save,) = red.run("show", "plover", "--json").document["entries"]
    assert save["sha256"] == hashlib.sha256(b"red  1").hexdigest()


def test_a_device_that_is_set_up_anew_is_not_accused(world: World, blue: Own) -> None:
    blue.play("chapter 1")
    blue.kept()
    blue.config.unlink()
    blue.setup("plover")
    blue.play("chapter 2")
    for _ in range(2):
        said = blue.kept()
        assert said.status == 0 and "Two handhelds" not in said.text
    heron = own(world, "heron")
    heron.setup("heron")
    heron.carry()
    assert heron.read() == "chapter 2"  # one history, and no fork


@pytest.mark.parametrize("what", ["setup again", "card changed", "volumes moved", "layouts changed"])
def test_nothing_else_accuses(blue: Own, what: str) -> None:
    blue.play("chapter 1")
    blue.kept()
    if what == "setup again":
        blue.setup("plover")
    elif what == "card changed":
        blue.card.rename(blue.card.with_name("old card"))
        (blue.card / "Lantern").mkdir(parents=True)
    elif what == "volumes moved":
        blue.internal.rename(blue.internal.with_name("elsewhere"))
        blue.internal = blue.internal.with_name("elsewhere")
        blue.setup("plover")
    else:
        (blue.world.layouts / "lantern.yaml").unlink()
    for _ in range(2):
        assert "Two handhelds" not in blue.kept().text


def test_another_name_ends_it(blue: Own, red: Own) -> None:
    red.play("red 1")
    red.kept()
    blue.kept()
    red.setup("heron")
    assert red.kept().status == 0
    assert [blue.kept().status for _ in range(2)] == [0, 0]


def test_one_handheld_that_is_kept_from_two_places_ends_it_with_one_origin(blue: Own, red: Own) -> None:
    red.play("red 1")
    red.kept()
    blue.kept()
    mine = next(line for line in blue.config.read_text().splitlines() if line.startswith("origin:"))
    text = red.config.read_text().splitlines()
    red.config.write_text("\n".join(mine if line.startswith("origin:") else line for line in text) + "\n")
    assert [red.kept().status, blue.kept().status, red.kept().status] == [0, 0, 0]
