"""Playing on two and three handhelds, over the real command line."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from tests.cli.schemas import CARRY
from tests.cli.world import Said, World

SAVE = "Tinplate/saves/Mole Hollow.sav"


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
def plover(world: World) -> Handheld:
    made = handheld(world, "plover")
    assert world.run(
        "--device", "plover", "--volume", f"internal={made.internal}", "--volume", f"card={made.card}",
        "--archive", str(world.archive), "setup",
    ).status == 0  # fmt: skip
    return made


@pytest.fixture
def heron(world: World, plover: Handheld) -> Handheld:
    return handheld(world, "heron")


def all_have(plover: Handheld, *others: Handheld) -> None:
    """The same saves on all, by a carry."""
    plover.play("chapter 1")
    plover.night()
    for other in others:
        assert set(other.carry()["counts"]) == {"write"}
        assert other.read() == "chapter 1"
        other.night()


def test_to_and_fro(plover: Handheld, heron: Handheld) -> None:
    all_have(plover, heron)
    assert heron.read() == "chapter 1"
    heron.play("chapter 2", minutes_ago=60 * 24 * 900)  # that clock is years behind
    heron.night()
    document = plover.carry()
    assert document["counts"] == {"forward": 1}
    assert document["saves"][0]["here"] == "older"
    assert document["saves"][0]["newest"]["device"] == "heron"
    assert plover.read() == "chapter 2"
    plover.play("chapter 3")
    plover.night()
    heron.carry()
    assert heron.read() == "chapter 3"
    assert heron.here() == {"saves/Mole Hollow.sav": "same"}
    assert heron.carry()["counts"] == {"same": 1}


def test_what_was_played_here_since_the_last_night_counts(plover: Handheld, heron: Handheld) -> None:
    all_have(plover, heron)
    heron.play("chapter 2", minutes_ago=60 * 24 * 900)
    document = heron.carry()
    assert document["counts"] == {"newer": 1}
    assert heron.read() == "chapter 2"
    said = heron.run("carry", "--dry-run")
    assert "1 save of this device is in no snapshot yet" in said.out


def forked(plover: Handheld, heron: Handheld) -> None:
    """Both played on from the same save: two evenings on heron, one on plover."""
    all_have(plover, heron)
    heron.play("chapter 2 on heron")
    heron.night()
    heron.play("chapter 3 on heron")
    heron.night()
    plover.play("chapter 2 on plover")
    plover.night()


def test_a_fork_is_shown_and_nothing_is_overwritten(plover: Handheld, heron: Handheld) -> None:
    forked(plover, heron)
    said = plover.run("carry", "--yes")
    assert said.status == 3
    assert plover.read() == "chapter 2 on plover"
    lines = [" ".join(line.split()) for line in said.out.splitlines()]
    # first of all, and with device, time, size and evenings; times as above, in the owner's offset
    assert lines.index("Mole Hollow (tinplate)") < lines.index("The newest of each:")
    assert "heron 2026-03-04 21:00 18 B 2 evenings" in lines
    assert "plover (this one) 2026-03-05 21:00 19 B 1 evening" in lines
    assert "handhold carry --take heron --game" in said.out
    assert max(map(len, said.out.splitlines())) <= 80

    document = plover.carry(status=3)
    (save,) = document["saves"]
    assert (save["here"], save["newest"], save["taken"]) == ("fork", None, None)
    sides = {v["device"]: (v["size"], v["evenings"], v["here"]) for v in save["versions"] if v["newest"]}
    assert sides == {"heron": (18, 2, False), "plover": (19, 1, True)}
    assert document["counts"] == {"fork": 1}


def test_the_owner_takes_one_and_the_other_stays_in_the_archive(plover: Handheld, heron: Handheld) -> None:
    forked(plover, heron)
    document = plover.carry("--take", "heron")
    assert document["saves"][0]["taken"] == "heron"
    assert plover.read() == "chapter 3 on heron"
    listed = plover.run("list", "--json").document["snapshots"]
    assert [one["note"] for one in listed if one["kind"] == "restored"][-1] == "carried from heron"
    assert plover.run("undo", "--yes").status == 0
    assert plover.read() == "chapter 2 on plover"
    assert plover.here() == {"saves/Mole Hollow.sav": "fork"}  # as before


def test_taking_this_ones_own_leaves_it_for_the_other_to_take(plover: Handheld, heron: Handheld) -> None:
    forked(plover, heron)
    assert plover.carry("--take", "plover")["counts"] == {"same": 1}
    assert plover.read() == "chapter 2 on plover"
    assert heron.carry("--take", "plover")["restore"] is not None
    assert heron.read() == "chapter 2 on plover"
    assert plover.here() == {"saves/Mole Hollow.sav": "same"}


def test_forks_are_chosen_game_by_game(plover: Handheld, heron: Handheld) -> None:
    other = "Tinplate/saves/Salt Road.sav"
    plover.play("salt 1", other)
    forked(plover, heron)
    plover.play("salt 2 on plover", other)
    plover.night()
    heron.play("salt 2 on heron", other)
    heron.night()
    document = plover.carry("--take", "heron", "--game", "salt*")
    assert [save["path"] for save in document["saves"]] == ["saves/Salt Road.sav"]
    assert (plover.read(), plover.read(other)) == ("chapter 2 on plover", "salt 2 on heron")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--take", "herron"), ['no device named "herron"', "Did you mean heron?"]),
        (("--game", "Mole Hill"), ['no game named "Mole Hill"', "Did you mean Mole Hollow?"]),
        (("--emulator", "tinplates"), ['no emulator named "tinplates"', "That archive holds no other."]),
        (("--part", "saved"), ['no part named "saved"', "Did you mean saves or states?"]),
    ],
)
def test_names_that_are_not_there(
    plover: Handheld, heron: Handheld, arguments: tuple[str, ...], words: list[str]
) -> None:
    all_have(plover, heron)
    said = plover.run("carry", "--dry-run", *arguments)
    assert said.status == 2
    assert all(word in said.err for word in words), said.err


def test_an_empty_archive(plover: Handheld) -> None:
    said = plover.run("carry", "--dry-run")
    assert said.status == 2
    assert "holds no snapshot yet" in said.err


def test_one_device_alone(plover: Handheld) -> None:
    plover.play("chapter 1")
    plover.night()
    said = plover.run("carry", "--dry-run")
    assert said.status == 0
    assert "from no other device yet" in said.out
    assert plover.here() == {"saves/Mole Hollow.sav": "newer"}


def test_what_was_removed_here_stays_away_until_the_other_plays_on(plover: Handheld, heron: Handheld) -> None:
    all_have(plover, heron)
    (plover.internal / SAVE).unlink()
    document = plover.carry(status=3)  # done, but not everything
    assert (document["counts"], document["saves"][0]["here"]) == ({"held-back": 1}, "removed")
    assert not (plover.internal / SAVE).exists()
    said = plover.run("carry", "--dry-run")
    assert "it was removed here since; --take heron brings it" in " ".join(said.out.split())

    plover.carry("--take", "heron")
    assert plover.read() == "chapter 1"
    (plover.internal / SAVE).unlink()
    heron.play("chapter 2")
    heron.night()
    assert plover.carry()["counts"] == {"write": 1}
    assert plover.read() == "chapter 2"


def test_a_carry_that_was_taken_back_stays_taken_back(plover: Handheld, heron: Handheld) -> None:
    plover.play("chapter 1")
    plover.night()
    heron.carry()
    assert heron.run("undo", "--yes").status == 0
    assert heron.here() == {"saves/Mole Hollow.sav": "removed"}
    assert heron.run("undo", "--yes").status == 0  # and that taken back as well
    assert heron.here() == {"saves/Mole Hollow.sav": "same"}


def test_states_come_with_their_save_only(plover: Handheld, heron: Handheld) -> None:
    state, other = "Tinplate/states/Mole Hollow.st1", "Tinplate/states/Salt Road.st1"
    plover.play("state 1", state)
    plover.play("salt state 1", other)
    plover.play("salt", "Tinplate/saves/Salt Road.sav")
    both = {"saves/Mole Hollow.sav", "states/Mole Hollow.st1", "saves/Salt Road.sav", "states/Salt Road.st1"}
    plover.play("chapter 1")
    plover.night()
    assert {step["path"] for step in heron.carry()["steps"]} == both
    heron.night()
    heron.play("state 2", state)
    heron.play("salt state 2", other)
    heron.play("chapter 2")
    heron.night()
    document = plover.carry()
    assert {s["path"]: s["decision"] for s in document["steps"]} == {
        "saves/Mole Hollow.sav": "forward",
        "states/Mole Hollow.st1": "forward",
        "saves/Salt Road.sav": "same",
    }
    assert (plover.read(state), plover.read(other)) == ("state 2", "salt state 1")
    assert [one["emulator"] for one in document["by_hand"] if "save state" in one["what"]] == ["tinplate"]
    plover.carry("--part", "states")
    assert plover.read(other) == "salt state 2"


def test_a_state_of_another_device_than_the_save_does_not_come(plover: Handheld, heron: Handheld) -> None:
    state = "Tinplate/states/Mole Hollow.st1"
    otter = handheld(heron.world, "otter")
    plover.play("state 1", state)
    all_have(plover, heron, otter)
    otter.play("state 2", state)
    otter.night()
    heron.play("chapter 2")
    heron.night()
    plover.carry()
    assert (plover.read(), plover.read(state)) == ("chapter 2", "state 1")


def test_settings_and_controls_only_when_asked(plover: Handheld, heron: Handheld) -> None:
    pads, settings = "Tinplate/config/pads/pad.ini", "Tinplate/config/main.ini"
    plover.play("a=1", pads)
    plover.play("volume=3", settings)
    all_have(plover, heron)
    assert not (heron.internal / pads).exists() and not (heron.internal / settings).exists()
    heron.carry("--part", "settings")
    assert heron.read(settings) == "volume=3" and not (heron.internal / pads).exists()
    heron.carry("--part", "controls")
    assert heron.read(pads) == "a=1"


def test_a_copy_of_settings_with_other_places_is_no_progress(plover: Handheld, heron: Handheld) -> None:
    settings = "Tinplate/config/main.ini"
    plover.play("games=/storage/card/Games", settings)
    all_have(plover, heron)
    move = ("restore", "plover", "--part", "settings", "--repoint", "/storage/card=/mnt/sd", "--yes")
    assert heron.run(*move).status == 0
    assert heron.read(settings) == "games=/mnt/sd/Games"
    heron.night()
    asked = ("--part", "settings")
    assert plover.here(*asked) == {"config/main.ini": "same"}
    assert heron.here(*asked) == {"config/main.ini": "same"}
    heron.play("games=/mnt/sd/Games\nsound=9", settings)
    heron.night()
    assert plover.here(*asked) == {"config/main.ini": "older"}
    assert plover.carry(*asked)["counts"] == {"forward": 1}


def test_three_devices(plover: Handheld, heron: Handheld) -> None:
    otter = handheld(heron.world, "otter")
    all_have(plover, heron, otter)
    heron.play("chapter 2")
    heron.night()
    otter.carry()
    otter.play("chapter 3")
    otter.night()
    document = plover.carry()
    assert document["saves"][0]["newest"]["device"] == "otter"
    assert plover.read() == "chapter 3"
    assert {v["device"]: v["newest"] for v in document["saves"][0]["versions"]} == {
        "otter": True,
        "heron": False,
        "plover": False,
    }


def test_several_devices_at_once(plover: Handheld, heron: Handheld) -> None:
    """One carry draws from two devices, and one undo takes it back."""
    otter = handheld(heron.world, "otter")
    salt = "Tinplate/saves/Salt Road.sav"
    plover.play("salt 1", salt)
    all_have(plover, heron, otter)
    heron.play("chapter 2")
    heron.night()
    otter.play("salt 2", salt)
    otter.night()
    said = plover.run("carry", "--yes")
    assert said.status == 0, said.text
    assert (plover.read(), plover.read(salt)) == ("chapter 2", "salt 2")
    listed = plover.run("list", "--json").document["snapshots"]
    assert listed[-1]["note"] == "carried from heron, otter"
    assert plover.run("undo", "--yes").status == 0
    assert (plover.read(), plover.read(salt)) == ("chapter 1", "salt 1")


def test_a_fork_among_others_is_the_owners_too(plover: Handheld, heron: Handheld) -> None:
    otter = handheld(heron.world, "otter")
    all_have(plover, heron, otter)
    heron.play("chapter 2 on heron")
    heron.night()
    otter.play("chapter 2 on otter")
    otter.night()
    assert plover.carry(status=3)["counts"] == {"fork": 1}
    assert plover.read() == "chapter 1"
    plover.carry("--take", "otter")
    assert plover.read() == "chapter 2 on otter"


def test_an_emulator_that_is_not_there_is_a_step_by_hand(plover: Handheld, heron: Handheld) -> None:
    (heron.card / "Lantern").rmdir()
    plover.play("storm", "Lantern/memory/Storm.mcr")
    plover.night()
    document = heron.carry(status=3)
    assert document["counts"] == {"by-hand": 1}
    (heron.card / "Lantern").mkdir()
    assert heron.carry()["counts"] == {"write": 1}
    assert heron.read("Lantern/memory/Storm.mcr") == "storm"


def test_the_answer_to_which_device_has_my_newest_save(plover: Handheld, heron: Handheld) -> None:
    salt = "Tinplate/saves/Salt Road.sav"
    plover.play("salt 1", salt)
    all_have(plover, heron)
    heron.play("salt 2", salt)
    heron.night()
    plover.play("eleven", "Tinplate/saves/Eleven Bells.sav")
    before = {path: path.stat().st_mtime_ns for path in plover.internal.rglob("*")}
    said = plover.run("carry", "--dry-run")
    assert said.status == 0
    rows = [" ".join(line.split()) for line in said.out.splitlines()]
    at = rows.index("Game Emulator Newest on Played Here")
    assert rows[at + 1 : at + 3] == [
        "Salt Road tinplate heron 2026-03-03 21:00 older",
        "Mole Hollow tinplate plover 2026-03-01 21:00 the same",
    ]
    assert "nothing was written" in said.out
    assert {path: path.stat().st_mtime_ns for path in plover.internal.rglob("*")} == before


def test_running_again_changes_nothing(plover: Handheld, heron: Handheld) -> None:
    all_have(plover, heron)
    heron.play("chapter 2")
    heron.night()
    assert plover.carry()["restore"] is not None
    again = plover.carry()
    assert (again["restore"], again["counts"]) == (None, {"same": 1})


def test_nobody_to_say_yes(plover: Handheld, heron: Handheld) -> None:
    all_have(plover, heron)
    heron.play("chapter 2")
    heron.night()
    said = plover.run("carry")
    assert said.status == 2 and "nobody is here to say yes" in said.err
    assert plover.run("carry", "--json").status == 2
    assert plover.read() == "chapter 1"


def test_an_emulator_that_may_be_running_is_named(plover: Handheld, heron: Handheld) -> None:
    all_have(plover, heron)
    plover.play("chapter 1", minutes_ago=1)
    heron.play("chapter 2")
    heron.night()
    plover.play("chapter 1", minutes_ago=1)
    assert "Caution: files of tinplate changed within the last two minutes" in " ".join(
        plover.run("carry", "--dry-run").out.split()
    )


def test_the_document(plover: Handheld, heron: Handheld) -> None:
    forked(plover, heron)
    jsonschema.validate(plover.carry(status=3), CARRY, cls=jsonschema.Draft202012Validator)
    jsonschema.validate(plover.carry("--take", "heron"), CARRY, cls=jsonschema.Draft202012Validator)


# -- what is told ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("part", "words"),
    [
        ("games", "The archive holds no games"),
        ("cache", "Caches are never kept"),
        ("cheats", "The archive holds no cheats yet."),
    ],
)
def test_a_part_of_which_there_is_nothing(plover: Handheld, heron: Handheld, part: str, words: str) -> None:
    all_have(plover, heron)
    said = heron.run("carry", "--dry-run", "--part", part)
    assert said.status == 0
    assert words in said.out and "no saves" not in said.out


def test_what_was_removed_elsewhere_is_told_and_stays(plover: Handheld, heron: Handheld) -> None:
    plover.play("salt 1", "Tinplate/saves/Salt Road.sav")
    all_have(plover, heron)
    (plover.internal / SAVE).unlink()
    plover.night()
    said = heron.run("carry", "--yes")
    assert said.status == 0
    assert "Removed on plover, and stays here: Mole Hollow." in said.out
    assert heron.read() == "chapter 1"
    saves = {save["path"]: save["removed_on"] for save in heron.carry()["saves"]}
    assert saves == {"saves/Mole Hollow.sav": ["plover"], "saves/Salt Road.sav": []}


def test_a_fork_that_comes_where_nothing_stands_replaces_nothing(plover: Handheld, heron: Handheld) -> None:
    forked(plover, heron)
    otter = handheld(heron.world, "otter")
    said = otter.run("carry", "--take", "heron", "--dry-run")
    assert said.status == 0
    assert "Will be written: 1 file, 18 B" in said.out
    assert "in place of" not in said.out and "-1" not in said.out


def test_undo_tells_of_a_carry_from_a_device_that_carried_itself(plover: Handheld, heron: Handheld) -> None:
    """What is brought was last put there by a carry; that makes this one no undo."""
    otter = handheld(heron.world, "otter")
    plover.play("chapter 1")
    plover.night()
    heron.carry()
    otter.carry()
    said = otter.run("undo", "--dry-run")
    assert "Taking back what was carried from plover on" in said.out, said.out
    assert otter.run("undo", "--yes").status == 0
    assert "Taking back the undo of" in otter.run("undo", "--dry-run").out


def test_a_device_of_which_there_is_only_an_old_backup(plover: Handheld, heron: Handheld) -> None:
    plover.play("chapter 1")
    plover.night()
    old = heron.world.folder / "old backup"
    (old / "Tinplate/saves").mkdir(parents=True)
    (old / "Tinplate/saves/Mole Hollow.sav").write_text("chapter 0")
    said = heron.run("--device", "siskin", "adopt", str(old), "--date", "2026-02-01", "--yes")
    assert said.status in (0, 3), said.text
    told = heron.run("carry", "--dry-run")
    assert "from no other device yet" not in told.out
    assert "siskin" in told.out.split("\n\n")[0], told.out


def test_nothing_written_is_nothing_to_take_back(
    plover: Handheld, heron: Handheld, monkeypatch: pytest.MonkeyPatch
) -> None:
    all_have(plover, heron)
    heron.play("chapter 2")
    heron.night()

    def fails(*_: object, **__: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("handhold.restore.writing._write_all", fails)
    said = plover.run("carry", "--yes")
    assert said.status == 1
    assert "Nothing written" in said.out and "takes this back" not in said.out
    assert plover.read() == "chapter 1"


@pytest.mark.parametrize("name", ["carry.md", "carry.html"])
def test_a_checklist_of_a_carry(plover: Handheld, heron: Handheld, name: str) -> None:
    forked(plover, heron)
    heron.play("salt 1", "Tinplate/saves/Salt Road.sav")
    heron.night()
    path = heron.world.folder / name
    assert plover.run("carry", "--yes", "--checklist", str(path)).status == 3
    text = path.read_text()
    assert "The newest of all devices to plover" in text
    assert "Salt Road" in text and "more than one device has progress of its own" in text


def test_a_device_that_answers_with_name_and_path(world: World, tmp_path: Path) -> None:
    """In setup's questions, as on the command line."""
    from handhold.cli.setup import _named_folder

    (tmp_path / "a=b").mkdir()
    assert _named_folder(f"card={tmp_path}") == ("card", str(tmp_path))
    assert _named_folder(str(tmp_path / "a=b")) == ("", str(tmp_path / "a=b"))
    assert _named_folder("") == ("", "")


def test_what_an_emulator_may_have_made_at_its_first_start_is_said(plover: Handheld, heron: Handheld) -> None:
    plover.play("chapter 7")
    plover.night()
    heron.play("formatted, and never played")
    said = heron.run("carry", "--yes")
    assert said.status == 3 and heron.read() == "formatted, and never played"
    told = " ".join(said.out.split())
    assert "No night knows what stands here of Mole Hollow." in told
    assert "at its first start (an empty memory card), take the other one" in told
    assert 'handhold carry --take plover --game "Mole Hollow"' in told
    assert max(map(len, said.out.splitlines())) <= 80
    heron.night()
    assert "No night knows" not in heron.run("carry", "--dry-run").out
