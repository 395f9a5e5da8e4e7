"""Bombs: what says that it is small and is large, or that it is large and is nothing, takes little memory.

Each command runs as a program of its own with a limit to its memory; it ends with a status of its own.
"""

from __future__ import annotations

import hashlib
import json
import os
import resource
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
import xxhash
import zstandard

from handhold.archive import recipe
from handhold.archive.blocks import LARGEST, ZSTANDARD, Sealed, block_id
from handhold.archive.head import stamp, utc_stamp
from handhold.archive.recipe import Range
from tests.cli.world import World
from tests.hostile.forge import NOON, Forge, save

#: What the largest things that FORMAT.md allows take: a manifest of 128 MiB, packed and plain and in lines.
MOST_MIB = 700
LONGEST = 60.0

#: Tells its own high-water mark in KiB (proc(5): VmHWM): what the system counts for a child begins with what
#: the test itself took when it made the child.
_PROGRAM = """
import os, re
from handhold.cli import entry

def tell():
    with open("/proc/self/status") as status, open(os.environ["TOLD"], "w") as told:
        told.write(re.search("VmHWM:\\s*([0-9]+)", status.read())[1])

leave = entry._leave

def told(status):
    tell()
    leave(status)

entry._leave = told
entry.main()
"""


def peak(*command: str, most: int = MOST_MIB, home: Path) -> tuple[int, str, int]:
    """Runs handhold with little more address space than that; its status, its texts, its peak in MiB."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_AS, ((most + 400) << 20, (most + 400) << 20))

    begun = time.monotonic()
    told = home / "memory of the program"
    with subprocess.Popen(
        [sys.executable, "-c", _PROGRAM, *command],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        preexec_fn=limit,
        env={
            **os.environ,
            "LC_ALL": "C.UTF-8",
            "HOME": str(home),
            "XDG_STATE_HOME": str(home),
            "TOLD": str(told),
        },
    ) as child:
        assert child.stdout is not None
        text = child.stdout.read().decode("utf-8", "replace")
    assert time.monotonic() - begun < LONGEST
    assert "made a mistake" not in text and "Traceback" not in text, text
    assert child.returncode in range(6), text
    return child.returncode, text, int(told.read_text()) >> 10


def frame_that_lies(says: int, holds: int) -> bytes:
    """A Zstandard frame that says one size and holds another.

    Source: RFC 8878, 3.1.1.1 (the field of the content's size, of 4 bytes behind descriptor and window)
    """
    frame = bytearray(zstandard.ZstdCompressor(1, write_checksum=False).compress(bytes(holds)))
    assert frame[4] >> 6 == 2 and not frame[4] & 0x20
    frame[6:10] = says.to_bytes(4, "little")
    return bytes(frame)


def block_bomb(forge: Forge) -> None:
    frame = frame_that_lies(LARGEST, 600 << 20)
    data = bytes(LARGEST)
    bomb = Sealed(block_id(data), ZSTANDARD, frame, LARGEST, seal_check(frame))
    forge.night([save("saves/bomb.sav", data)], blocks=[bomb])


def seal_check(data: bytes) -> int:
    return xxhash.xxh3_64_intdigest(data)


def manifest_of_line_ends(forge: Forge) -> None:
    _manifest(forge, b"\n" * (126 << 20), pages=0, gaps=0, files=0)


def manifest_of_claimed_gaps(forge: Forge) -> None:
    _manifest(forge, b"{}\n" * (40 << 20), pages=0, gaps=40 << 20, files=0)


def manifest_of_blanks(forge: Forge) -> None:
    _manifest(forge, b" " * (120 << 20) + b"\n", pages=0, gaps=0, files=0)


def manifest_beyond(forge: Forge) -> None:
    _manifest(forge, b"\n" * (130 << 20), pages=0, gaps=0, files=0)


def head_of_nesting(forge: Forge) -> None:
    _manifest(forge, b"", pages=0, gaps=0, files=0, note="x", layouts=json.loads("[" * 900 + "]" * 900))


def _manifest(forge: Forge, body: bytes, **more: object) -> None:
    taken = NOON + timedelta(days=1)
    head = {"handhold": "manifest", "format": 1, "name": f"plover.{stamp(taken)}", "device": "plover"}
    head |= {"sequence": 9, "kind": "night", "taken": taken.isoformat(), "tool": "t", "files": 0, "bytes": 0}
    head |= {"pages": 0, "gaps": 0, "volumes": [], "sites": [], "layouts": {}, **more}
    line = json.dumps(head).encode() + b"\n"
    lines = line + json.dumps({"head": hashlib.sha256(line).hexdigest()}).encode() + b"\n" + body
    end = {"pages": head["pages"], "gaps": head["gaps"], "files": 0, "bytes": 0}
    lines += json.dumps({"end": end, "sha256": hashlib.sha256(lines).hexdigest()}).encode() + b"\n"
    packed = zstandard.ZstdCompressor(1, write_checksum=True).compress(lines)
    name = f"plover.{utc_stamp(taken)}.{hashlib.sha256(packed).hexdigest()[:8]}.manifest"
    (forge.root / "manifests").mkdir(exist_ok=True)
    (forge.root / "manifests" / name).write_bytes(packed)


def recipe_without_end(forge: Forge) -> None:
    """A file of terabytes out of one block of zeros."""
    zeros = bytes(LARGEST)
    rows = recipe.encode([Range(block_id(zeros), 0, LARGEST)] * 400_000)
    entry = save("saves/endless.sav", recipe=block_id(rows).hex()) | {"size": LARGEST * 400_000}
    forge.night([entry], blocks=[zeros, rows])


def size_beyond_all(forge: Forge) -> None:
    forge.night([save("saves/large.sav") | {"size": (1 << 63) - 1}], blocks=[b"stranger"])


def list_without_end(forge: Forge) -> None:
    """What lies in a zip: a list out of one block, 400,000 times."""
    blanks = b"\n" * LARGEST
    rows = recipe.encode([Range(block_id(blanks), 0, LARGEST)] * 400_000)
    forge.night([save("saves/x.zip", members=block_id(rows).hex())], blocks=[b"stranger", blanks, rows])


def page_of_nesting(forge: Forge) -> None:
    forge.night([save("saves/a.sav", game=json.loads("[" * 900 + "]" * 900))], blocks=[b"stranger"])


def layout_of_nesting(forge: Forge) -> None:
    layouts = {"tinplate": b"[" * 3_000_000}
    forge.night([save("saves/a.sav")], blocks=[b"stranger"], layouts=layouts)


def lists_of_blanks(forge: Forge) -> None:
    """Sixty lists of sixteen megabytes, each with one file."""
    forge.night_of(
        [[save(f"saves/{number:03}.sav")] for number in range(60)],
        blocks=[b"stranger"],
        blanks=LARGEST - 1000,
    )


def one_list_for_all(forge: Forge) -> None:
    forge.night_of([[save("saves/a.sav")]] * 60, blocks=[b"stranger"], blanks=LARGEST - 1000)


BOMBS: list[Callable[[Forge], None]] = [
    block_bomb,
    manifest_of_line_ends,
    manifest_of_claimed_gaps,
    manifest_of_blanks,
    manifest_beyond,
    head_of_nesting,
    recipe_without_end,
    size_beyond_all,
    list_without_end,
    page_of_nesting,
    layout_of_nesting,
    one_list_for_all,
    lists_of_blanks,
]
COMMANDS = [
    ("list",),
    ("show", "latest", "--files"),
    ("verify",),
    ("restore", "latest", "--dry-run"),
    ("snapshot",),
]


def explode(tmp_path: Path, bomb: Callable[[Forge], None], commands: list[tuple[str, ...]]) -> int:
    world = World(tmp_path)
    world.furnish()
    bomb(Forge(world.archive))
    assert world.setup().status == 0
    most = 0
    for command in commands:
        options = ["--config", str(world.config), "--layouts", str(world.layouts)]
        status, text, used = peak(*options, *command, home=tmp_path)
        most = max(most, used)
        assert used < MOST_MIB, (command, used, status, text)
        assert not text.startswith("There is not enough memory"), command
    return most


@pytest.mark.parametrize(
    "bomb",
    [one for one in BOMBS if one not in (manifest_beyond, manifest_of_blanks)],
    ids=lambda bomb: bomb.__name__,
)
def test_a_bomb_in_an_archive(tmp_path: Path, bomb: Callable[[Forge], None]) -> None:
    explode(tmp_path, bomb, [COMMANDS[(BOMBS.index(bomb) + 2) % len(COMMANDS)]])


@pytest.mark.long
@pytest.mark.timeout(900)
@pytest.mark.parametrize("bomb", BOMBS, ids=lambda bomb: bomb.__name__)
def test_every_command_with_every_bomb(tmp_path: Path, bomb: Callable[[Forge], None]) -> None:
    print(f"{bomb.__name__}: {explode(tmp_path, bomb, COMMANDS)} MiB")


def test_a_zip_that_unpacks_to_far_more(tmp_path: Path) -> None:
    """An export of a stranger: kept, looked into, and never unpacked beyond what is checked."""
    world = World(tmp_path)
    world.furnish()
    path = world.internal / "Tinplate/saves/bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
        for number in range(3):
            with file.open(f"saves/{number}.sav", "w") as stream:
                for _ in range(64):
                    stream.write(bytes(1 << 20))
    (world.layouts / "zips.yaml").write_text(
        "layout: 1\nid: zips\ntitle: Zips\n"
        "homes: [{name: main, kind: export, at: ['internal:Tinplate/saves']}]\n"
        "keep: [{part: saves, path: '*.zip'}]\n"
    )
    assert world.setup().status == 0
    status, text, used = peak(
        "--config", str(world.config), "--layouts", str(world.layouts), "snapshot", home=tmp_path
    )
    assert status == 0, text
    assert used < 250


YAML = {
    "aliases": "a: &a [x,x,x,x,x,x,x,x,x]\n"
    + "".join(
        f"{c}: &{c} [{','.join([f'*{b}'] * 9)}]\n" for b, c in zip("abcdefgh", "bcdefghi", strict=True)
    ),
    "merge keys": "config: 1\nx: &x {a: b}\ny:\n  <<: *x\n  <<: [*x, *x]\n",
    "tags": "config: !!python/object/apply:os.system ['touch /tmp/handhold-escaped']\n",
    "own tags": "!<tag:yaml.org,2002:python/name:os.system> x\n",
    "deep flow": "[" * 100_000,
    "deep tables": "{a: " * 60_000,
    "deep blocks": "".join(f"{' ' * n}a:\n" for n in range(600)),
    "huge numbers": f"config: {'9' * 200_000}\nnewest: 0x{'f' * 50_000}\n",
    "sexagesimal": "config: 1\nnewest: 190:20:30\n",
    "infinity": "config: .inf\nnewest: .nan\nparts: {saves: 1e999}\n",
    "many keys": "".join(f"k{n}: 1\n" for n in range(25_000)),
    "a long key": f"? {'k' * 200_000}\n: 1\n",
    "documents": "--- {}\n" * 30_000,
    "directives": "%YAML 9.9\n%TAG ! tag:x,2000:\n---\n!x {}\n",
    "anchors on keys": "&a config: 1\n*a : 2\n",
    "a bare alias": "*nothing\n",
    "control": 'config: 1\ndevice: "a\\x1b[2J\\u202eb"\n',
}


@pytest.mark.parametrize("trick", YAML)
def test_tricks_of_yaml(tmp_path: Path, trick: str) -> None:
    world = World(tmp_path)
    world.furnish()
    assert world.setup().status == 0
    begun = time.monotonic()
    good = world.config.read_text()
    world.config.write_text(YAML[trick])
    said = world.run("list")
    world.config.write_text(good)
    assert said.status == 2, said.text
    (world.layouts / "trick.yaml").write_text(YAML[trick].replace("config:", "layout:"))
    checked = world.run("layout", "check")
    assert checked.status == 2, checked.text
    for text in (said.text, checked.text):
        assert "made a mistake" not in text and "Traceback" not in text
        assert "\x1b" not in text and "\u202e" not in text
        assert len(text) < 60_000
    assert time.monotonic() - begun < 15
    assert not Path("/tmp/handhold-escaped").exists()
