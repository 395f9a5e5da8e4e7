"""Settings that name places, over the real command line: named, proposed, rewritten, recorded, taken back."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.storage import LocalStorage
from handhold.model import Kind
from tests.cli.world import Said, World


class Move:
    """A handheld whose settings name places, and a new one with the same emulator on it."""

    def __init__(self, folder: Path) -> None:
        self.world = world = World(folder)
        world.furnish()
        self.config = world.internal / "Tinplate/config"
        self.main = f"# at home\r\ngames={world.card}/Games\r\nlog=/var/log/x\r\nmore={world.card}inal\r\n"
        world.write(self.config / "main.ini", self.main)
        world.write(self.config / "list.json", json.dumps({"a": [str(world.internal / "Ä")], "n": 1}))
        world.write(self.config / "binary.cfg", b"\0" + str(world.card).encode())
        assert world.setup().status == 0
        assert world.run("snapshot").status == 0
        self.new = folder / "new"
        self.emulator = self.new / "internal/Tinplate"
        self.emulator.mkdir(parents=True)
        (self.new / "card/Lantern").mkdir(parents=True)
        self.card = f"--repoint={world.card}={self.new}/card"
        self.internal = f"--repoint={world.internal}={self.new}/internal"

    def run(self, *arguments: str) -> Said:
        return self.world.run(
            "--device", "meadow", "--volume", f"internal={self.new / 'internal'}",
            "--volume", f"card={self.new / 'card'}", *arguments,
        )  # fmt: skip


@pytest.fixture
def move(tmp_path: Path) -> Move:
    return Move(tmp_path)


def test_they_are_named_and_brought_as_they_are(move: Move) -> None:
    said = move.run("restore", "plover", "--yes")
    assert "Settings that name places of plover:" in said.out
    assert f"line2:{move.world.card}/Games" in "".join(said.out.split())
    assert "--repoint" in said.out and "Rewritten" not in said.out
    assert (move.emulator / "config/main.ini").read_bytes() == move.main.encode()
    document = move.run("restore", "plover", "--dry-run", "--json").document
    named = {(one["path"], one["line"], one["value"]) for one in document["named_places"]}
    assert named == {
        ("config/main.ini", 2, f"{move.world.card}/Games"),
        ("config/list.json", 1, f"{move.world.internal}/Ä"),
    }
    assert {(one["old"], one["new"]) for one in document["repoint_proposals"]} == {
        (str(move.world.card), str(move.new / "card")),
        (str(move.world.internal), str(move.new / "internal")),
    }


def test_rewritten_as_asked_on_record_and_taken_back(move: Move) -> None:
    plan = move.run("restore", "plover", "--dry-run", move.card)
    flat = "".join(plan.out.split())
    assert f"line2:games={move.world.card}/Gamesbecomesgames={move.new}/card/Games" in flat
    assert not (move.emulator / "config").exists()
    said = move.run("restore", "plover", "--yes", move.card, move.internal)
    assert said.status == 3 and "Settings that name places" not in said.out  # the controls are held back
    expected = move.main.replace(f"{move.world.card}/", f"{move.new}/card/").encode()
    written = move.emulator / "config/main.ini"
    assert written.read_bytes() == expected
    assert json.loads((move.emulator / "config/list.json").read_text()) == {
        "a": [f"{move.new}/internal/Ä"],
        "n": 1,
    }
    assert (move.emulator / "config/binary.cfg").read_bytes() == b"\0" + str(move.world.card).encode()
    # What stands there is what the record says, and the archive holds it.
    archive = Archive.open(LocalStorage(str(move.world.archive)))
    last = [one for one in archive.snapshots() if one.kind is Kind.RESTORED][-1]
    (entry,) = [e for e in archive.entries(archive.read(last)) if e.path == "config/main.ini"]
    assert (entry.sha256, entry.size) == (hashlib.sha256(expected).hexdigest(), len(expected))
    assert b"".join(archive.content(entry)) == expected
    assert move.run("verify", "--deep").status == 0
    # Again: it is all there.
    again = move.run("restore", "plover", "--dry-run", "--json", move.card, move.internal).document
    assert again["counts"] == {"same": 7, "held-back": 1}
    # Also where nothing is asked any more; what was written once is not a fork.
    plain = move.run("restore", "plover", "--dry-run", "--json").document
    assert plain["counts"] == {"same": 7, "held-back": 1} and plain["named_places"] == []
    elsewhere = f"--repoint={move.world.card}=/somewhere/else"
    other = move.run("restore", "plover", "--dry-run", "--json", elsewhere).document
    assert [step["decision"] for step in other["steps"] if step["path"] == "config/main.ini"] == ["forward"]
    (move.emulator / "config/main.ini").write_bytes(expected + b"x=1\n")
    changed = move.run("restore", "plover", "--dry-run", "--json", elsewhere).document
    assert [step["action"] for step in changed["steps"] if step["path"] == "config/main.ini"] == ["leave"]
    (move.emulator / "config/main.ini").write_bytes(expected)
    assert move.run("undo", "--yes").status == 0
    assert not written.exists()


def test_what_came_before_unchanged_is_rewritten_later_and_comes_back(move: Move) -> None:
    assert move.run("restore", "plover", "--yes").status == 3
    document = move.run("restore", "plover", "--yes", "--json", move.card).document
    changed = [step["path"] for step in document["steps"] if step["action"] == "write"]
    assert changed == ["config/main.ini"]
    written = move.emulator / "config/main.ini"
    assert str(move.new).encode() in written.read_bytes()
    assert move.run("undo", "--yes").status == 0
    assert written.read_bytes() == move.main.encode()


def test_a_copy_of_the_same_length_and_time_is_kept_by_the_next_night(move: Move) -> None:
    """As cards are mounted by their number: the new one has as many digits as the old one had."""
    assert move.run("restore", "plover", "--yes").status == 3
    move.world.next_evening()
    move.run("snapshot")
    written = move.emulator / "config/main.ini"
    before = written.stat()
    another = f"{str(move.world.card)[:-4]}9-AB"
    assert move.run("restore", "plover", "--yes", f"--repoint={move.world.card}={another}").status == 3
    assert another.encode() in written.read_bytes()
    after = written.stat()
    assert (after.st_size, after.st_mtime_ns) == (before.st_size, before.st_mtime_ns)
    move.world.next_evening()
    now = move.run("changes", "--files", "--json").document
    assert "config/main.ini" in json.dumps(now)
    archive = Archive.open(LocalStorage(str(move.world.archive)))
    for _ in range(2):
        move.run("snapshot")
        night = archive.nights()[-1]
        (entry,) = [e for e in archive.entries(archive.read(night)) if e.path == "config/main.ini"]
        assert b"".join(archive.content(entry)) == written.read_bytes()
        move.world.next_evening()


def test_what_the_device_has_newer_is_not_rewritten_unasked(move: Move) -> None:
    newer = move.world.write(move.emulator / "config/main.ini", f"games={move.world.card}/Mine\n", -10)
    move.world.next_evening()
    assert move.run("restore", "plover", "--yes", move.card).status == 3
    assert newer.read_text() == f"games={move.world.card}/Mine\n"


def test_another_spelling_of_the_card_shows_in_the_way_to_a_home(move: Move) -> None:
    move.world.write(
        move.config / "main.ini", "saves=/run/own/CARD/lantern/memory\ngames=/run/own/CARD/Games\n"
    )
    move.world.run("snapshot")
    document = move.run("restore", "plover", "--dry-run", "--json").document
    assert {"old": "/run/own/CARD", "new": str(move.new / "card")} in document["repoint_proposals"]
    assert "/run/own/CARD/Games" in [one["value"] for one in document["named_places"]]


def test_on_the_device_itself_nothing_is_named(move: Move) -> None:
    (move.config / "main.ini").unlink()
    document = move.world.run("restore", "latest", "--dry-run", "--json").document
    assert document["named_places"] == [] and document["counts"]["write"] == 1


@pytest.mark.parametrize("option", ["nope", "a=b", "/a=/a", "/=/b"])
def test_options_that_cannot_be(move: Move, option: str) -> None:
    said = move.run("restore", "plover", "--yes", "--repoint", option)
    assert said.status == 2 and "--repoint" in said.err


def test_an_option_that_fits_nothing_is_told(move: Move) -> None:
    said = move.run("restore", "plover", "--dry-run", "--repoint", "/nowhere/else=/b")
    assert "No settings name /nowhere/else" in " ".join(said.text.split())


def test_the_checklist_names_them(move: Move, tmp_path: Path) -> None:
    file = tmp_path / "move.md"
    move.run("restore", "plover", "--yes", "--checklist", str(file))
    assert "config/main.ini, line 2, names" in file.read_text()
    move.run("restore", "plover", "--yes", "--checklist", str(file), move.card, move.internal)
    assert "names" not in file.read_text()


def test_places_in_a_form_that_is_not_rewritten_are_named(move: Move, tmp_path: Path) -> None:
    encoded = str(move.world.card).replace("/", "%2F") + "%2FGames"
    text = f"games={encoded}\ntree=content://com.example.files/tree/7\nelse=%2Fusr%2Fshare\n"
    move.world.write(move.config / "encoded.ini", text)
    assert move.world.run("snapshot").status == 0
    file = tmp_path / "move.md"
    said = move.run("restore", "plover", "--yes", move.card, move.internal, "--checklist", str(file))
    assert "Settings that name a place of plover in a form that is not rewritten:" in said.out
    told = "".join(said.out.split())
    assert f"line1:{encoded}" in told and "line2:content://com.example.files/tree/7" in told
    assert "%2Fusr" not in said.out
    assert (move.emulator / "config/encoded.ini").read_text() == text
    assert "config/encoded.ini, line 2, names" in file.read_text()
    document = move.run("restore", "plover", "--dry-run", "--json").document
    forms = {one["line"]: one["rewritable"] for one in document["named_places"] if "encoded" in one["path"]}
    assert forms == {1: False, 2: False}
    at_home = move.world.run("restore", "plover", "--dry-run", "--json").document
    assert at_home["named_places"] == []
