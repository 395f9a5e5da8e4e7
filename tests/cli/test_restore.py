"""What restore and undo say, ask and end with, over the real command line."""

from __future__ import annotations

import io
import shutil
from pathlib import Path

import pytest

from handhold.cli import plans
from handhold.cli.console import Console
from handhold.restore.byhand import ByHand
from tests.cli.world import World


@pytest.fixture
def world(tmp_path: Path) -> World:
    world = World(tmp_path)
    world.furnish()
    assert world.setup().status == 0
    assert world.run("snapshot").status == 0
    world.next_evening()
    return world


def play(world: World) -> Path:
    """Newer progress in one save, and another save lost."""
    (world.card / "Lantern/memory/灯台.mcr").unlink()
    return world.write(world.internal / "Tinplate/saves/Mole Hollow.sav", b"chapter 2")


def flat(text: str) -> str:
    return " ".join(text.split())


def test_what_is_put_beside_counts_as_written_and_as_done(world: World) -> None:
    save = play(world)
    said = world.run("restore", "latest", "--on-newer", "both", "--yes")
    assert said.status == 0, said.text
    assert "Nothing is to be written" not in said.out
    assert "Will be written: 2 files" in said.out and "1 of them beside what stands there" in said.out
    assert "Close these emulators first: lantern and tinplate." in said.out
    assert len(list(save.parent.glob("Mole Hollow (from plover *).sav"))) == 1
    again = world.run("restore", "latest", "--on-newer", "both", "--yes")
    assert again.status == 0 and "Nothing is to be written." in again.out
    undone = world.run("undo", "--yes")
    assert "Mole Hollow (from plover 2026-03-01).sav" in undone.out
    assert "2 removed." in undone.out and "0 files" not in undone.out
    assert "Taking back the restore of 2026-03-02 22:00 (from plover.2026-03-01.220002)" in flat(undone.out)
    told = flat(world.run("undo", "--dry-run").out)
    assert "Taking back the undo of 2026-03-02 22:00" in told and "all is again as before it" in told


def test_the_plan_says_where_things_go(world: World) -> None:
    play(world)
    said = world.run("restore", "latest", "--dry-run", "--files")
    assert "tinplate -> internal:Tinplate" in said.out and "lantern -> card:Lantern" in said.out
    assert f"{world.card}/Lantern/memory/灯台.mcr" in said.out  # whole, in one line
    assert f"{world.internal}/Tinplate/config/main.ini" in said.out
    # The owner's layout is gone: what is stored with the snapshot is used, and said.
    (world.layouts / "lantern.yaml").unlink()
    said = world.run("restore", "latest", "--dry-run")
    assert "lantern -> card:Lantern (by the layout stored in the archive)" in flat(said.out)
    # An emulator that never had a layout.
    odd = world.card / "Odd" / "saves" / "Moss.srm"
    odd.parent.mkdir(parents=True)
    odd.write_bytes(b"1")
    world.run("snapshot")
    said = world.run("restore", "latest", "--emulator", "odd", "--dry-run")
    assert "odd -> card:Odd (recognised)" in flat(said.out)
    new = world.folder / "nope"
    said = world.run("restore", "latest", "--home", f"tinplate={new}", "--dry-run")
    assert f"{new} (the folder will be made)" in flat(said.out) and not new.exists()


def test_the_question_carries_the_sums(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    play(world)
    asked: list[str] = []
    monkeypatch.setattr(Console, "asks", property(lambda self: True))
    monkeypatch.setattr(Console, "agrees", lambda self, question: asked.append(question))
    assert world.run("restore", "latest").status == 0
    assert asked == ["\nWrite 1 file (7.8 KiB)? 1 newer here stays."]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--on-newer", "nope"), "--on-newer is keep, both or replace"),
        (("--to", "internl=/tmp"), "Did you mean internal?"),
        (("--to", "internal=/not/there"), "--to internal=/not/there: that folder does not exist."),
        (("--home", "tinplat=/tmp"), "Did you mean tinplate?"),
    ],
)
def test_options_that_cannot_be(world: World, options: tuple[str, str], words: str) -> None:
    said = world.run("restore", "latest", *options, "--yes")
    assert said.status == 2 and words in said.err


def test_an_older_night_is_not_taken_for_the_latest(world: World) -> None:
    first = world.run("list", "--json").document["snapshots"][0]["snapshot"]
    play(world)
    world.run("snapshot")
    (newest,) = (p for p in (world.archive / "manifests").iterdir() if ".20260302T" in p.name)
    data = bytearray(newest.read_bytes())
    data[40] ^= 0xFF
    newest.write_bytes(data)
    for name in ("latest", "plover", "plover.2026-03-02"):
        said = world.run("restore", name, "--yes")
        assert said.status == 4, said.text
        assert newest.name in flat(said.err) and "2026-03-02" in said.err and first in flat(said.err)
        assert world.run("show", name).status == 0  # looking goes on, with a warning
    assert world.run("restore", "plover.2026-03-01", "--dry-run").status in (0, 3)
    assert world.run("restore", first, "--dry-run").status in (0, 3)


def test_damage_ends_with_its_own_status(world: World) -> None:
    play(world)
    world.write(world.card / "Lantern/memory/new.mcr", b"new")
    before = set((world.archive / "bundles").rglob("*.bundle"))
    world.run("snapshot")
    (bundle,) = set((world.archive / "bundles").rglob("*.bundle")) - before
    shutil.rmtree(world.card / "Lantern/memory")
    data = bytearray(bundle.read_bytes())
    at = data.index(b"new")
    data[at] ^= 1
    bundle.write_bytes(data)
    said = world.run("restore", "latest", "--yes")
    assert said.status == 4, said.text
    assert "the archive cannot give its content any more" in flat(said.out)


def test_leftovers_are_tidied_but_not_on_a_dry_run(world: World) -> None:
    left = world.write(world.internal / "Tinplate/saves/.handhold-0123456789ab.part", b"half")
    assert world.run("restore", "latest", "--dry-run").status == 0 and left.exists()
    assert world.run("restore", "latest", "--yes").status == 0 and not left.exists()


def test_what_is_done_by_hand_afterwards_stands_at_the_end(world: World, tmp_path: Path) -> None:
    slate = tmp_path / "slate"
    (slate / "Tinplate").mkdir(parents=True)
    base = (
        "--config", str(tmp_path / "slate.yaml"), "--layouts", str(world.layouts), "--device", "slate",
        "--archive", str(world.archive), "--volume", f"internal={slate}", "restore", "plover",
    )  # fmt: skip
    said = world.bare(*base, "--emulator", "tinplate", "--dry-run").out
    assert "Afterwards, by hand:" in said
    assert "First, by hand:" not in said  # it is there: it was installed and started
    said = world.bare(*base, "--emulator", "tinplate", "--yes").out
    assert said.index("handhold undo takes this back") < said.index("Afterwards, by hand:")
    assert said.count("Afterwards, by hand:") == 1


def test_steps_that_many_share_are_said_once() -> None:
    out = io.StringIO()
    hands = [ByHand(name, "after", "Map the buttons.") for name in ("hayloft", "pedlar", "tinplate")]
    hands.append(ByHand("pedlar", "after", "Choose the games folder."))
    plans.show_hands(Console(out, out), "Afterwards, by hand:", hands)
    assert out.getvalue().splitlines() == [
        "",
        "Afterwards, by hand:",
        "  for hayloft, pedlar and tinplate",
        "    - Map the buttons.",
        "  pedlar",
        "    - Choose the games folder.",
    ]


def test_undo_says_what_a_second_one_does(world: World) -> None:
    assert "A second undo brings it back again." in flat(world.run("undo", "--help").out)
