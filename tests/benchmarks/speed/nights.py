"""Figures of snapshots: first, quiet and busy nights, thirty of them, a large file, a million files."""

from __future__ import annotations

import shlex
import subprocess
import time
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from types import MappingProxyType

import zstandard

from handhold.device.reading import YOUNG_NS
from tests.benchmarks.speed import corpora, measure
from tests.benchmarks.speed.bench import Bench, Row
from tests.benchmarks.speed.measure import Pair, Side, Took

KIBI = 1 << 10
#: What a first night cannot be without, as a program.
BARE_NIGHT = Path(__file__).with_name("bare_night.py")
#: The same of a quiet night, whatever its layouts.
BARE_QUIET = Path(__file__).with_name("bare_quiet.py")
#: What takes a second by itself is disturbed by little: it has so many turns at least.
_TURNS = 15
CLUSTER = 32 << 10  # bytes, as large cards with FAT32 have them
#: The least that looks at every file below: each folder is listed, each file's status is asked for.
LOOK = """\
import os
folders = ["."]
while folders:
    with os.scandir(folders.pop()) as names:
        for name in names:
            if name.is_dir(follow_symlinks=False):
                folders.append(name.path)
            else:
                name.stat(follow_symlinks=False)
"""


def first_night(bench: Bench) -> None:
    """A device that was never kept."""
    corpora.first_night(bench.work / "first", bench.size, bench.seed)
    bare = bench.work / "first.bare"
    alone = Side(
        lambda: bench.program(str(BARE_NIGHT), bench.work / "first", bare),
        before=lambda: bare.unlink(missing_ok=True),
        reads=[bench.work / "first"],
    )
    _first(bench, "first night", "first", 0.75, {"... reading, SHA-256, zstd and writing alone": alone})
    bare.unlink()


def packed_night(bench: Bench) -> None:
    """The same of a device whose emulators pack what they write."""
    corpora.packed_night(bench.work / "packed", bench.size, bench.seed)
    _first(bench, "first night of packed data", "packed", None)


def _first(
    bench: Bench,
    figure: str,
    name: str,
    target: float | None,
    floors: Mapping[str, Side] = MappingProxyType({}),
) -> None:
    """The rows of a first night."""
    device, archive, packed = (bench.work / f"{name}{end}" for end in ("", ".archive", ".tar.zst"))
    bench.time(
        figure,
        Side(
            lambda: bench.handhold(device, archive, "snapshot"),
            before=lambda: bench.setup(device, archive),
            reads=[device],
        ),
        Side(
            lambda: bench.shell(f"tar -cf - . | zstd -q -3 -T2 -o {shlex.quote(str(packed))}", device),
            before=lambda: packed.unlink(missing_ok=True),
            reads=[device],
        ),
        target,
        floors=floors,
        both=True,
    )
    bench.amount(f"{figure}, size", corpora.room(archive), packed.stat().st_size, 1.02)


def quiet_night(bench: Bench) -> None:
    """Nothing has changed; then one file in a hundred."""
    device, archive = bench.work / "quiet", bench.work / "quiet.archive"
    changing = corpora.quiet_night(device, bench.size.quiet, bench.seed)
    bench.setup(device, archive)
    first = bench.handhold(device, archive, "snapshot")
    bench.row(Row("quiet night's first one", f"{first.seconds:.2f} s", "", "", "", None, "", first.peak))
    before = corpora.room(archive), corpora.room(archive, CLUSTER)
    bench.handhold(device, archive, "snapshot")
    grown = corpora.room(archive) - before[0], corpora.room(archive, CLUSTER) - before[1]
    ours = Side(lambda: bench.handhold(device, archive, "snapshot"))
    listing = Side(lambda: bench.shell("find . -printf '%s %T@ %p\\n'", device))
    floors = _quiet_floor(bench, device, archive)
    bench.time("quiet night", ours, listing, 2.5, floors=floors, both=True, least=_TURNS)
    bench.limit("quiet night, growth", f"{grown[0] / KIBI:.1f} KiB", "<= 100 KB", grown[0] <= 100_000)
    bench.limit("... on 32 KiB clusters", f"{grown[1] / KIBI:.0f} KiB", "<= 200 KB", grown[1] <= 200_000)
    archive_unnamed = bench.work / "unnamed.archive"
    bench.setup(device, archive_unnamed)
    layouts, bench.layouts = bench.layouts, bench.work / "no layouts"
    bench.layouts.mkdir()
    bench.handhold(device, archive_unnamed, "snapshot")
    bench.time(
        "quiet night, no layout",
        Side(lambda: bench.handhold(device, archive_unnamed, "snapshot")),
        listing,
        2.5,
        floors={f"{_ALONE}, no layout": _bare_quiet(bench, device, archive_unnamed)},
        least=_TURNS,
    )
    bench.layouts = layouts
    _busy_night(bench, device, archive, changing)


_ALONE = "... reading the lists of the last night and a look at each file alone"


def _bare_quiet(bench: Bench, device: Path, archive: Path) -> Side:
    return Side(lambda: bench.program(str(BARE_QUIET), device, archive))


def _quiet_floor(bench: Bench, device: Path, archive_of_all: Path) -> Mapping[str, Side]:
    """What a quiet night cannot be without in this language: lists and files, its start, files alone."""
    alone, archive = bench.work / "alone", bench.work / "alone.archive"
    save = alone / "Tinplate" / "saves" / "Game.sav"
    save.parent.mkdir(parents=True)
    corpora.put(str(save), b"1")
    bench.setup(alone, archive)
    return {
        _ALONE: _bare_quiet(bench, device, archive_of_all),
        "... a night of one file": Side(lambda: bench.handhold(alone, archive, "snapshot")),
        "... a bare look at each file": Side(lambda: bench.python(LOOK, device)),
    }


def _busy_night(bench: Bench, device: Path, archive: Path, changing: list[Path]) -> None:
    turn, turns = 0, bench.turns(_TURNS)

    def play() -> None:
        nonlocal turn
        turn += 1
        corpora.change(changing, turn)

    names = bench.work / "changing"
    names.write_text("\0".join(map(str, changing)))
    reading = [bench.shell(f"xargs -0 cat < {shlex.quote(str(names))}", bench.work) for _ in range(turns)]
    bare = bench.work / "busy.bare"
    night = Side(lambda: bench.handhold(device, archive, "snapshot"))
    alone = Side(lambda: bench.program(str(BARE_QUIET), device, archive, bare), before=play)
    runs = measure.turns(turns, (alone, night, night, _bare_quiet(bench, device, archive)))
    assert runs is not None
    floor, busy, quiet, still = runs
    more = measure.seconds(reading)
    bench.add("busy night", Pair(busy, quiet), 1.2, more=more)
    bench.add(
        "... lists and a look as above, what changed read, packed and written alone",
        Pair(floor, quiet),
        None,
        more,
    )
    # A night that does no more beyond a quiet one than that program does.
    least = [
        Took(
            night.seconds + one.seconds - other.seconds, night.processor + one.processor - other.processor, 0
        )
        for night, one, other in zip(quiet, floor, still, strict=True)
    ]
    bench.add(
        "... a quiet night, and what that takes beyond its own quiet one", Pair(least, quiet), None, more
    )
    bare.unlink()


def thirty_nights(bench: Bench) -> None:
    """Thirty evenings of play; only sizes are told, so nights follow each other without waiting."""
    from handhold.archive.archive import Archive
    from handhold.archive.storage import LocalStorage
    from handhold.device.volumes import open_device
    from handhold.layouts.catalogue import read_catalogue
    from handhold.snapshot import Options, take

    device, folder = bench.work / "evenings", bench.work / "evenings.archive"
    device.mkdir()
    evenings = corpora.Evenings(device, bench.size, bench.seed)
    corpora.empty(folder)
    start = datetime.fromtimestamp(corpora.LONG_AGO, UTC)
    archive = Archive.create(LocalStorage(str(folder)), lambda: start)
    layouts = tuple(read_catalogue([bench.layouts]).layouts.values())
    changed = alone = first = 0
    for night in range(bench.size.nights):
        if night:
            changed += len(zstandard.compress(evenings.play(), 3))
        when = start + timedelta(days=night, hours=2)
        take(
            archive,
            open_device("lamp", {"internal": str(device)}),
            layouts,
            Options(),
            partial(datetime.fromtimestamp, when.timestamp(), UTC),
        )
        if not night:
            first = corpora.room(folder)
        alone += int(subprocess.check_output("tar -cf - . | zstd -q -3 -T2 | wc -c", shell=True, cwd=device))
    total = corpora.room(folder)
    bench.amount("thirty nights, size", total, first + changed, 1.25)
    bench.amount("thirty nights against tar files", total, alone, 1 / 15)


def large_file(bench: Bench) -> None:
    """A virtual card that is a hole nearly everywhere."""
    device, archive, packed = (bench.work / name for name in ("large", "large.archive", "large.tar.zst"))
    corpora.sparse_card(device / "Tinplate" / "memcards" / "card.img", bench.size.large, bench.seed)
    if bench.size.large >= 1 << 30:
        time.sleep(YOUNG_NS / 1e9)  # until nothing can write to it unseen, as on a card that was put aside
    bench.time(
        "one large sparse file",
        Side(
            lambda: bench.handhold(device, archive, "snapshot"),
            before=lambda: bench.setup(device, archive),
            reads=(),  # the holes as well would fill the memory
        ),
        Side(
            lambda: bench.shell(f"tar -cf - . | zstd -q -3 -T2 -o {shlex.quote(str(packed))}", device),
            before=lambda: packed.unlink(missing_ok=True),
            reads=(),
        ),
        None,
        most=3,  # a run of eight GiB takes long
    )


def many_files(bench: Bench) -> None:
    """How the time of a file grows with their number, the start-up taken off."""
    start = [bench.handhold(bench.work, bench.work, "--version") for _ in range(bench.rounds)]
    taken: dict[int, tuple[Took, list[Took]]] = {}
    for count in (bench.size.few, bench.size.many):
        device, archive = bench.work / f"files {count}", bench.work / f"files {count}.archive"
        corpora.many(device, count)
        bench.setup(device, archive)
        first = bench.handhold(device, archive, "snapshot")
        rounds = bench.rounds if count == bench.size.few else min(bench.rounds, 3)
        taken[count] = first, [bench.handhold(device, archive, "snapshot") for _ in range(rounds)]
    (few_first, few), (many_first, many) = taken[bench.size.few], taken[bench.size.many]
    base = measure.seconds(start)
    for figure, small, large in (("first night", [few_first], [many_first]), ("quiet night", few, many)):
        each = [
            (measure.seconds(side) - base) / count * 1e6
            for side, count in ((large, bench.size.many), (small, bench.size.few))
        ]
        peak = max(one.peak for one in large)
        ratio = each[0] / each[1]
        bench.row(
            Row(
                f"{bench.size.many:,} files against {bench.size.few:,}, {figure}",
                f"{each[0]:.0f} us a file",
                f"{each[1]:.0f} us",
                f"{ratio:.2f}",
                "<= 1.2; <= 600 MB",
                ratio <= 1.2 and peak <= 600e6,
                "",
                peak,
            )
        )
