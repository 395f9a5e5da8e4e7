"""The whole job over the real command line: survey, snapshot, list, show, verify, restore."""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from tests.cli import schemas
from tests.cli.world import World


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    world.furnish()
    said = world.setup()
    assert said.status == 0, said.text
    return world


def checked(document: Any, schema: dict[str, Any]) -> Any:
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(document)
    return document


def test_setup_makes_an_archive_and_a_second_device_joins_it(world: World) -> None:
    assert (world.archive / "archive.yaml").is_file()
    assert "right to copy" in world.setup().text
    said = world.bare(
        "--config", str(world.folder / "second.yaml"), "--device", "slate", "--volume", f"main={world.card}",
        "--archive", str(world.archive), "setup",
    )  # fmt: skip
    assert said.status == 0, said.text
    assert "Joined" in said.out


def test_survey(world: World) -> None:
    document = checked(world.run("survey", "--json").document, schemas.SURVEY)
    by_id = {one["id"]: one for one in document["emulators"]}
    assert {p: t["files"] for p, t in by_id["tinplate"]["parts"].items()} == {
        "saves": 2,
        "states": 1,
        "settings": 1,
        "controls": 1,
    }
    assert by_id["tinplate"]["state"] == "found"
    assert by_id["lantern"]["parts"]["saves"]["bytes"] == len(b"lighthouse" * 800)
    assert [u["path"] for u in document["unclaimed"] if u["volume"] == "card"] == ["Music"]
    said = world.run("survey")
    assert said.status == 0
    for word in ("Tinplate", "Lantern", "Music", "saves", "states"):
        assert word in said.out
    assert max(map(len, said.out.splitlines())) <= 80


def test_a_night_a_quiet_night_and_a_night_after_play(world: World) -> None:
    first = checked(world.run("snapshot", "--json").document, schemas.SNAPSHOT)
    assert (first["files"], first["new_files"]) == (6, 6)
    world.next_evening()
    second = checked(world.run("snapshot", "--json").document, schemas.SNAPSHOT)
    assert (second["files"], second["new_files"]) == (6, 0)
    assert second["stored_bytes"] < first["stored_bytes"] / 2
    world.next_evening()
    world.write(world.internal / "Tinplate/saves/Mole Hollow.sav", b"chapter 2" * 50)
    said = world.run("snapshot")
    assert said.status == 0
    assert "1 new or changed save" in said.out.splitlines()[-1]
    listed = checked(world.run("list", "--json").document, schemas.LIST)["snapshots"]
    assert [one["sequence"] for one in listed] == sorted(one["sequence"] for one in listed)
    assert [one["kind"] for one in listed] == ["night"] * 3


def test_show_agrees_with_sha256sum(world: World) -> None:
    world.run("snapshot")
    document = checked(world.run("show", "latest", "--json").document, schemas.SHOW)
    entry = next(e for e in document["entries"] if e["game"] == "灯台")
    file = world.card / "Lantern/memory/灯台.mcr"
    printed = subprocess.run(["sha256sum", file], capture_output=True, check=True).stdout.split()[0].decode()
    assert entry["sha256"] == printed
    assert not [e for e in document["entries"] if "shaders" in e["path"] or "song" in e["path"]]
    assert "Mole Hollow" in world.run("show", "plover").out
    only = world.run("show", "latest", "--game", "mole*", "--part", "saves", "--json").document["entries"]
    assert [e["path"] for e in only] == ["saves/Mole Hollow.sav"]


def test_a_lost_save_comes_back(world: World) -> None:
    world.run("snapshot")
    save = world.internal / "Tinplate/saves/Mole Hollow.sav"
    before = (save.read_bytes(), save.stat().st_mtime_ns)
    save.unlink()
    plan = checked(
        world.run("restore", "latest", "--game", "Mole Hollow", "--dry-run", "--json").document,
        schemas.RESTORE,
    )
    assert plan["dry_run"] is True
    assert plan["restore"] is None
    assert plan["counts"] == {"write": 1, "same": 1}
    assert not save.exists()
    done = checked(
        world.run("restore", "latest", "--game", "Mole Hollow", "--yes", "--json").document, schemas.RESTORE
    )
    assert done["restore"]
    assert (save.read_bytes(), save.stat().st_mtime_ns) == before


def test_a_restore_asks_before_it_writes(world: World) -> None:
    world.run("snapshot")
    save = world.internal / "Tinplate/saves/Mole Hollow.sav"
    save.unlink()
    said = world.run("restore", "latest")
    assert said.status == 2
    assert "--yes" in said.err
    assert not save.exists()


def test_everything_comes_back_into_a_new_place(world: World, tmp_path: Path) -> None:
    world.run("snapshot")
    new_internal, new_card = tmp_path / "new" / "internal", tmp_path / "new" / "card"
    new_internal.mkdir(parents=True)
    new_card.mkdir()
    said = world.run(
        "restore", "latest", "--to", f"internal={new_internal}", "--to", f"card={new_card}", "--yes"
    )
    assert said.status == 0, said.text
    shutil.rmtree(world.internal / "Tinplate/shaders")
    shutil.rmtree(world.card / "Music")
    for old, new in ((world.internal, new_internal), (world.card, new_card)):
        subprocess.run(["diff", "-r", old, new], check=True)
    sums = "".join(
        f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.relative_to(world.internal)}\n"
        for path in sorted(world.internal.rglob("*"))
        if path.is_file()
    )
    subprocess.run(["sha256sum", "-c", "--quiet"], input=sums.encode(), cwd=new_internal, check=True)


def test_newer_progress_stays(world: World) -> None:
    world.run("snapshot")
    world.next_evening()
    save = world.write(world.internal / "Tinplate/saves/Mole Hollow.sav", b"chapter 9, newest", 5)
    said = world.run("restore", "latest", "--yes", "--json")
    assert said.status == 3
    step = next(s for s in said.document["steps"] if s["game"] == "Mole Hollow" and s["part"] == "saves")
    assert step["decision"] == "newer"
    assert save.read_bytes() == b"chapter 9, newest"
    assert "--on-newer replace" in world.run("restore", "latest", "--yes").text


def test_going_back_on_purpose_can_be_undone(world: World) -> None:
    world.run("snapshot")
    world.next_evening()
    save = world.write(world.internal / "Tinplate/saves/Mole Hollow.sav", b"chapter 9, newest", 5)
    said = world.run("restore", "latest", "--game", "mole hollow", "--on-newer", "replace", "--yes")
    assert said.status == 0, said.text
    assert save.read_bytes() == b"mole hollow, chapter 1" * 40
    said = world.run("undo", "--yes")
    assert said.status == 0, said.text
    assert save.read_bytes() == b"chapter 9, newest"


def test_controls_are_held_back_on_another_device(world: World, tmp_path: Path) -> None:
    world.run("snapshot")
    slate = tmp_path / "slate"
    (slate / "Tinplate").mkdir(parents=True)
    (tmp_path / "slatecard" / "Lantern").mkdir(parents=True)
    base = (
        "--config", str(tmp_path / "slate.yaml"), "--layouts", str(world.layouts), "--device", "slate",
        "--archive", str(world.archive), "--volume", f"internal={slate}",
        "--volume", f"card={tmp_path / 'slatecard'}",
    )  # fmt: skip
    document = checked(world.bare(*base, "restore", "plover", "--yes", "--json").document, schemas.RESTORE)
    held = [s for s in document["steps"] if s["decision"] == "held-back"]
    assert [s["part"] for s in held] == ["controls"]
    assert not (slate / "Tinplate/config/pads").exists()
    assert (slate / "Tinplate/saves/Mole Hollow.sav").exists()
    hands = [(h["when"], h["what"]) for h in document["by_hand"] if h["emulator"] == "tinplate"]
    assert hands[:2] == [
        ("after", "Point Tinplate at the games folder."),
        ("after", "Map the buttons."),
    ]
    said = world.bare(*base, "restore", "plover", "--part", "controls", "--yes")
    assert said.status == 0, said.text
    assert (slate / "Tinplate/config/pads/pad.ini").exists()


def test_verify(world: World) -> None:
    world.run("snapshot")
    assert checked(world.run("verify", "--json").document, schemas.VERIFY)["ok"] is True
    assert checked(world.run("verify", "--deep", "--json").document, schemas.VERIFY)["ok"] is True
    bundle = next((world.archive / "bundles").rglob("*.bundle"))
    data = bytearray(bundle.read_bytes())
    data[len(data) // 3] ^= 4
    bundle.write_bytes(data)
    said = world.run("verify", "--json")
    assert said.status == 4
    report = checked(said.document, schemas.VERIFY)
    assert report["ok"] is False
    assert {a["emulator"] for d in report["damage"] for a in d["affects"]} <= {"tinplate", "lantern", None}
    assert world.run("verify").status == 4


def test_what_cannot_be_kept_is_said_and_ends_with_its_own_status(world: World) -> None:
    os.symlink("/etc/hostname", world.internal / "Tinplate/saves/Linked.sav")
    os.mkfifo(world.internal / "Tinplate/saves/Pipe.sav")
    said = world.run("snapshot", "--json")
    assert said.status == 3
    assert {os.path.basename(gap["path"]) for gap in said.document["gaps"]} == {"Linked.sav", "Pipe.sav"}
    assert {gap["emulator"] for gap in said.document["gaps"]} == {"tinplate"}
    text = world.run("snapshot")
    assert "Linked.sav" in text.out
    assert "2 gaps" in text.out.splitlines()[-1]


def test_a_missing_card_is_not_now_for_what_needs_it(world: World) -> None:
    assert world.run("snapshot").status == 0
    world.card.rename(world.folder / "away")
    for command in (("restore", "latest", "--yes"), ("undo", "--yes"), ("carry", "--yes")):
        said = world.run(*command)
        assert (said.status, "card" in said.err) == (5, True), said.text
    assert world.run("snapshot").status == 3


def test_games_and_textures_follow_the_owner(world: World) -> None:
    (world.layouts / "shelf.yaml").write_text(
        "layout: 1\nid: shelf\ntitle: Shelf\nhomes: [{name: g, kind: games, at: ['card:Games']}]\n"
        "keep:\n- {part: games, path: '**'}\n"
    )
    world.write(world.card / "Games/Mole Hollow.bin", os.urandom(1000))
    assert world.run("snapshot", "--json").document["files"] == 6
    assert world.run("snapshot", "--keep", "games", "--json").document["files"] == 7
    assert world.run("snapshot", "--leave", "states", "--json").document["files"] == 5


def _written(archive: Path) -> int:
    """The bytes of the bundles that are there or being written."""
    total = 0
    for path in (archive / "bundles").rglob("*"):
        try:
            total += path.stat().st_size if path.is_file() else 0
        except FileNotFoundError:
            continue  # it has its name by now
    return total


def test_ctrl_c_ends_in_words_and_leaves_the_archive_whole(world: World) -> None:
    """The real program, stopped as a person stops it while it reads."""
    for number in range(24):
        world.write(world.internal / f"Tinplate/states/Long {number}.st1", os.urandom(4 << 20))
    command = [
        sys.executable, "-c", "from handhold.cli.entry import main; main()", "--config", str(world.config),
        "--layouts", str(world.layouts), "snapshot",
    ]  # fmt: skip
    running = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # A shell has what it starts in the background ignore Ctrl-C, and that is handed on (POSIX, sh, 2.11).
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    deadline = time.monotonic() + 30
    while not _written(world.archive) > 4 << 20 and time.monotonic() < deadline:
        time.sleep(0.01)
    running.send_signal(signal.SIGINT)
    _, err = running.communicate(timeout=60)
    assert running.returncode == 1
    assert "Stopped" in err
    assert "Traceback" not in err
    assert world.run("verify", "--deep").status == 0
    assert world.run("list", "--json").document["snapshots"] == []
    assert world.run("snapshot").status == 0
    assert world.run("verify", "--deep").status == 0
    assert list(world.archive.rglob("*.part")) == []


def test_a_higher_level_packs_smaller_and_comes_out_the_same(world: World) -> None:
    text = " ".join(str(number * number) for number in range(40_000)).encode()
    stored = {}
    for level in (1, 19):
        world.write(world.internal / "Tinplate/states/Long.st1", b"%d " % level + text)
        stored[level] = world.run("snapshot", "--level", str(level), "--json").document["stored_bytes"]
    assert stored[19] < 0.9 * stored[1]
    assert world.run("verify", "--deep").status == 0
    assert world.run("snapshot", "--level", "0").status == 2


def test_a_card_that_the_emulators_first_start_made(world: World, tmp_path: Path) -> None:
    """It is newer than the archived one and has nothing on it: the plan says what puts that one back."""
    world.setup()
    world.run("snapshot")
    world.next_evening()
    fresh = tmp_path / "heron" / "internal"
    world.write(fresh / "Tinplate/saves/Mole Hollow.sav", b"formatted".ljust(8192, b"\0"), 5)
    (tmp_path / "heron/card").mkdir()
    heron = ("--device", "heron", "--volume", f"internal={fresh}", "--volume", f"card={tmp_path}/heron/card")
    said = world.run(*heron, "restore", "plover", "--part", "saves", "--dry-run")
    assert "made at its first start" in said.out, said.out
    assert "--emulator tinplate --part saves --on-newer replace" in said.out
    assert "--device heron" in said.out  # else the command would act on another device
    taken = ("restore", "plover", "--emulator", "tinplate", "--part", "saves", "--on-newer", "replace")
    assert world.run(*heron, *taken, "--yes").status in (0, 3)
    saved = (world.internal / "Tinplate/saves/Mole Hollow.sav").read_bytes()
    assert (fresh / "Tinplate/saves/Mole Hollow.sav").read_bytes() == saved
    assert "made at its first start" not in world.run("restore", "plover", "--dry-run").out


def test_a_night_after_a_bundle_was_lost_says_so(world: World) -> None:
    world.setup()
    world.run("snapshot")
    world.next_evening()
    world.write(world.internal / "Tinplate/saves/Mole Hollow.sav", b"chapter 9", 5)
    second = world.run("snapshot", "--json").document
    assert second["unread"] == []
    world.next_evening()
    bundles = sorted((world.archive / "bundles").rglob("*.bundle"), key=lambda one: one.stat().st_mtime_ns)
    bundles[-1].unlink()
    said = world.run("snapshot")
    assert f"{second['snapshot']} cannot be read any more" in " ".join(said.err.split()), said.text
    world.next_evening()
    assert "cannot be read any more" not in world.run("snapshot").text
