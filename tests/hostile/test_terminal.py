"""No name and no text of a stranger plays tricks on a terminal, in any command that prints them."""

from __future__ import annotations

import json
import os
import unicodedata
from pathlib import Path

import pytest

from handhold.model import Gap, HomeKind, Site
from tests.cli.world import World
from tests.hostile.forge import HOME, Forge, save

# Source: Unicode Standard Annex 9, section 2 (explicit directional formatting characters, implicit marks)
DIRECTIONS = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c"
#: Clears the screen, changes its title, answers for the owner, in forms of 7 and 8 bits; then what hides.
# Source: ECMA-48, sections 5.3 and 8.3 (control functions in 7-bit and 8-bit codes)
TRICKS = ["\x1b[2J", "\x1b]0;title\x07", "\x9b2J", "\x90q\x9c", "\r", "\x08\x08", "\x85", "\u2028", "\u2029"]
HIDING = ["\u200b", "\u2060", "\ufeff", "\u00ad", "\U000e0041", *DIRECTIONS]
FAKE = "whole\n\nThe archive is whole. Nothing is hurt."


def tricks_in(text: str) -> list[str]:
    """What of a text must not reach a terminal; the line feed ends lines."""
    return [
        ascii(char)
        for char in text
        if (unicodedata.category(char) in ("Cc", "Cf", "Zl", "Zp") and char != "\n") or char in DIRECTIONS
    ]


@pytest.fixture
def world(tmp_path: Path) -> World:
    """A device with every kind of name on it, and an archive with every kind of text in it."""
    world = World(tmp_path)
    world.furnish()
    for number, trick in enumerate([*TRICKS, *HIDING]):
        world.write(world.internal / f"Tinplate/saves/g{number}{trick}h.sav", b"LEVEL 1" * 20)
        world.write(world.internal / f"Other{trick}/save/f{number}.sav", bytes(8192))
    os.symlink("nowhere", world.internal / f"Tinplate/saves/link{TRICKS[0]}.sav")
    forge = Forge(world.archive)
    every = "".join([*TRICKS, *HIDING])
    entries = [save(f"saves/{number:02}{t}x.sav", game=f"G{t}") for number, t in enumerate(HIDING)]
    entries += [save(f"saves/c{number}{t}.sav", game=f"C{t}") for number, t in enumerate(["\x80", "\x9b2J"])]
    gap = Gap(f"internal{every}", "Tinplate/x", f"{FAKE}{every}", f"tin{every}", f"Do this{every}{FAKE}")
    forge.night(
        sorted(entries, key=lambda one: str(one["path"])),
        blocks=[b"stranger"],
        gaps=[gap],
        note=f"note {every}{FAKE}",
        sites=[HOME, Site("other", "main", HomeKind.FOLDER, "internal", f"Other{HIDING[4]}")],
    )
    forge.night([save("saves/a.sav", game=FAKE)], blocks=[b"stranger"])
    (world.archive / f"stray{TRICKS[0]}{HIDING[4]}.txt").write_bytes(b"x")
    (world.archive / "bundles" / f"stray{TRICKS[0]}{HIDING[4]}.bundle").write_bytes(b"x")
    assert world.setup().status == 0
    return world


COMMANDS = [
    ("list",),
    ("list", "--all"),
    ("show", "latest"),
    ("show", "plover.2031-04-05.120100"),
    ("show", "plover.2031-04-05.120100", "--files"),
    ("survey",),
    ("survey", "--why"),
    ("snapshot",),
    ("history",),
    ("history", "G"),
    ("changes",),
    ("verify",),
    ("verify", "--deep"),
    ("restore", "plover.2031-04-05.120100", "--dry-run"),
    ("restore", "plover.2031-04-05.120100", "--yes", "--on-newer", "both"),
    ("restore", "plover.2031-04-05.120100", "--game", "nothing\x1b[2J\u202e", "--dry-run"),
    ("carry", "--dry-run"),
    ("undo", "--yes"),
    ("mend", "--dry-run"),
    ("thin", "--dry-run"),
    ("layout", "list"),
    ("layout", "draft", "{internal}/Tinplate"),
    ("show", "no\x1b[2J\u202esuch"),
    ("\x1b[2J\u202e",),
]


def test_every_command(world: World) -> None:
    told: dict[str, list[str]] = {}
    for command in COMMANDS:
        for more in ((), ("--json",)):
            words = [word.replace("{internal}", str(world.internal)) for word in command]
            said = world.run(*words, *more)
            assert "made a mistake" not in said.text and "Traceback" not in said.text, said.text
            if tricks := tricks_in(said.text):
                told[" ".join((*command, *more))] = tricks
            if more and said.out.startswith("{"):
                json.loads(said.out)
            assert "\nThe archive is whole. Nothing is hurt" not in said.text, said.text
    assert told == {}


def test_the_names_come_through_json_as_they_are(world: World) -> None:
    """Escaped for the eye, the same for a program."""
    world.run("snapshot")
    shown = world.run("show", "latest", "--json")
    paths = {entry["path"] for entry in shown.document["entries"]}
    assert "saves/g0\\x1b[2Jh.sav" in paths  # the written form
    assert {f"saves/g{len(TRICKS) + number}{trick}h.sav" for number, trick in enumerate(HIDING)} <= paths
