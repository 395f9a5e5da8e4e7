"""A large archive as real nights make it, and damage to it by luck."""

from __future__ import annotations

import random
import shutil
from collections.abc import Iterator
from pathlib import Path

from handhold.archive.archive import Archive
from handhold.archive.verify import verify
from handhold.device.volumes import open_device
from handhold.model import Kind
from handhold.restore.apply import apply
from handhold.restore.prepare import prepare
from tests.archive.damaged import World, local
from tests.archive.fixtures import files
from tests.restore import world as handhelds
from tests.restore.world import EVENING, TINPLATE, tree
from tests.rot.counting import Changes, Counts

SECTOR = 4096


def grown(folder: Path, megabytes: int, chance: random.Random) -> World:
    """Three nights of one device through the real snapshot: small saves, large cards and states."""
    folder.mkdir()
    device = handhelds.World(folder)
    made = World({}, {}, {}, {}, {})
    room = megabytes << 20
    names = [f"saves/Game {n}.sav" for n in range(min(2000, room // 30_000))]
    saves = {name: chance.randbytes(chance.randrange(1, 20_000)) for name in names}
    saves |= {f"states/Game {n}.st1": chance.randbytes(room // 8) for n in range(4)}
    for night in range(3):
        if night:
            for name in chance.sample(sorted(saves), len(saves) // 10):
                saves[name] = chance.randbytes(len(saves[name]))
            half = len(saves["states/Game 0.st1"]) // 2
            saves["states/Game 0.st1"] = saves["states/Game 0.st1"][:half] + chance.randbytes(half)
        for name, data in saves.items():
            device.put("plover", name, data)
        taken = device.night("plover")
        made.saves[taken.name] = dict(saves)
        made.kinds[taken.name] = Kind.NIGHT
        made.stamped[f"plover.{taken.file.split('.')[1]}"] = taken.name
        made.manifests[taken.name] = taken.file
        device.later(days=1)
    made.files = files(device.archive)
    return made


def by_luck(world: World, chance: random.Random, times: int) -> Iterator[tuple[str, Changes]]:
    """Damage as cards, people and programs do it."""
    names = sorted(world.files)
    for _ in range(times):
        file, other = chance.sample(names, 2)
        data, kind = bytearray(world.files[file]), chance.choice(KINDS)
        at = chance.randrange(len(data))
        begin = at // SECTOR * SECTOR
        if kind == "flips":
            data[at] ^= 1 << chance.randrange(8)
        elif kind == "cuts":
            del data[at:]
        elif kind == "dead sectors":
            data[begin : begin + SECTOR] = chance.choice((b"\0", b"\xff")) * len(data[begin : begin + SECTOR])
        elif kind == "dead runs":
            length = chance.choice((64 << 10, 1 << 20, 4 << 20))
            data[begin : begin + length] = bytes(len(data[begin : begin + length]))
        elif kind == "swapped sectors":
            to = chance.randrange(len(data)) // SECTOR * SECTOR
            one, two = bytes(data[begin : begin + SECTOR]), bytes(data[to : to + SECTOR])
            if len(one) == len(two):
                data[begin : begin + SECTOR], data[to : to + SECTOR] = two, one
        elif kind == "insertions":
            data[at:at] = chance.randbytes(chance.randrange(1, 100))
        elif kind == "swaps":
            yield kind, {file: world.files[other], other: world.files[file]}
            continue
        elif kind == "duplicates":
            yield kind, {file: world.files[other]}
            continue
        elif kind == "deletions" and not file.endswith(
            ".manifest"
        ):  # nights can be let go of: that one is not there is no damage
            yield "deletions", {file: None}
            continue
        if bytes(data) != world.files[file]:
            yield kind, {file: bytes(data)}


KINDS = (
    "flips",
    "cuts",
    "dead sectors",
    "dead runs",
    "swapped sectors",
    "insertions",
    "swaps",
    "duplicates",
    "deletions",
)


def restores(counts: Counts, world: World, damage: Iterator[tuple[str, Changes]], folder: Path) -> None:
    """After each damage the real restore puts every whole night into an empty folder, byte for byte."""
    for number, (kind, changed) in enumerate(damage):
        root = folder / str(number)
        hurt = World(dict(world.memory(changed).files), {}, {}, {}, {})
        storage = local(str(root / "archive"), hurt)
        report = verify(storage, False)
        if report.ok:
            counts.missed.append(f"{kind} {list(changed)}: not told")
        archive = Archive(storage, "0" * 32)  # not opened: its description may be what is hurt
        nights = {one.name: one for one in archive.nights()}
        for name in report.whole:
            target = root / "target"
            (target / "Tinplate").mkdir(parents=True)
            device = open_device("plover", {"card": str(target)})
            plan = prepare(archive, device, {TINPLATE.id: TINPLATE}, nights[name], clock=lambda: EVENING).plan
            apply(archive, device, plan, clock=lambda: EVENING)
            if tree(target / "Tinplate") != world.saves[name]:
                counts.missed.append(f"{kind} {list(changed)}: {name} does not come back")
            counts.nights += 1
            shutil.rmtree(target)
        counts.kinds[f"restored after {kind}"] += 1
        shutil.rmtree(root)
