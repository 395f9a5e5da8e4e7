"""Figures of the check, the return and the start: verify, restore, start-up, a thousand nights."""

from __future__ import annotations

import shlex
import shutil
import sys
from pathlib import Path

from handhold.archive import recipe
from handhold.archive.archive import Archive
from handhold.archive.storage import LocalStorage
from tests.benchmarks.speed import bare, bare_restore, barelists, bareone, corpora, measure
from tests.benchmarks.speed.bench import Bench, Row
from tests.benchmarks.speed.measure import Side, Took
from tests.benchmarks.years import Scale, build

#: Bytes of zstd's output through hashlib, on one line.
_DIGEST = (
    "import hashlib, sys; h = hashlib.sha256()\\n"
    "while run := sys.stdin.buffer.read(1 << 20): h.update(run)\\nprint(h.hexdigest())"
)


def verify(bench: Bench) -> None:
    """Checks the archive of the first night."""
    device, archive, packed = _first(bench)
    names = bench.work / "names"
    names.write_bytes(_names_in_large_files(archive))
    bench.time(
        "verify",
        Side(lambda: bench.handhold(device, archive, "verify"), reads=[archive]),
        Side(lambda: bench.shell("find . -type f -exec cat {} +", archive), reads=[archive]),
        1.5,
        floors={
            "... start, reading and XXH3-64 alone": Side(
                lambda: bench.program(bare.__file__, archive), reads=[archive]
            ),
        },
        both=True,
    )
    digest = f"zstd -dc {shlex.quote(str(packed))} | {shlex.quote(sys.executable)} -c $'{_DIGEST}'"
    bench.time(
        "verify --deep",
        Side(lambda: bench.handhold(device, archive, "verify", "--deep"), reads=[archive]),
        Side(lambda: bench.shell(f"bash -c {shlex.quote(digest)}", bench.work), reads=[packed]),
        0.7,
        floors={
            "... start, unpacking and both digests alone": Side(
                lambda: bench.program(bare.__file__, archive, names), reads=[archive]
            ),
        },
    )


def _names_in_large_files(archive: Path) -> bytes:
    """The names of the blocks of which files of several blocks are made, one behind the other."""
    opened = Archive.open(LocalStorage(str(archive)))
    names: set[bytes] = set()
    for snapshot in opened.snapshots():
        for entry in opened.entries(opened.read(snapshot)):
            if entry.recipe is not None:
                names.update(one.id for one in recipe.decode(opened.block(entry.recipe)))
    return b"".join(sorted(names))


def restore_everything(bench: Bench) -> None:
    """Puts the first night onto an empty volume."""
    device, archive, packed = _first(bench)
    kept, places = bench.work / "kept.archive", bench.work / "all back"
    corpora.copy(archive, kept)
    places.mkdir()

    def place() -> Path:
        """A folder for each run: where many files were just removed, some file systems are slow."""
        folder = places / str(len(list(places.iterdir())))
        folder.mkdir()
        return folder

    def ours() -> Took:
        command = ("restore", "latest", "--yes", "--to", f"internal={place()}")
        return bench.handhold(device, archive, *command, accept=(0, 3))

    unpack = f"zstd -dc {shlex.quote(str(packed))} | tar -xf -"
    bench.time(
        "restore everything",
        # A restore leaves its record in the archive.
        Side(ours, before=lambda: corpora.copy(kept, archive), reads=[archive]),
        Side(lambda: bench.shell(unpack, place()), reads=[packed]),
        1.0,
        floors={
            "... unpacking, SHA-256, writing and flushing alone": Side(
                lambda: bench.program(bare_restore.__file__, kept, place()), reads=[kept]
            ),
            "... the same, flushed and read back before names are given": Side(
                lambda: bench.program(bare_restore.__file__, kept, place(), "promised"), reads=[kept]
            ),
            # What a restore has told to be there is on the medium; the reference's is so once it is flushed.
            "... the reference, flushed as well": Side(
                lambda: bench.shell(f"{unpack} && sync -f .", place()), reads=[packed]
            ),
        },
    )
    # The first round: handhold and the reference; both floors, which know of no home.
    for at, whole in enumerate((device, device, device / "Tinplate", device / "Tinplate")):
        _same(whole, places / str(at))
    shutil.rmtree(places)


def restore_one(bench: Bench) -> None:
    """Puts one of many small files back, against tar looking for it in the file that holds all.

    The reference is two processes that hand each other 10 KiB at a time, tens of thousands of times: bound to
    one core it took 0.76 to 0.99 s, left to the system 0.5 to 1.3 s. To choose a core for it would be kind to
    one side or the other; so there are enough turns for the median to stay where it is.
    """
    device, archive, packed = (bench.work / name for name in ("quiet", "quiet.archive", "quiet.tar.zst"))
    if not archive.exists():
        corpora.quiet_night(device, bench.size.quiet, bench.seed)
        bench.setup(device, archive)
        bench.handhold(device, archive, "snapshot")
    bench.shell(f"tar -cf - . | zstd -q -3 -T2 -o {shlex.quote(str(packed))}", device)
    number = bench.size.quiet // 2 + 1
    path = next(device.glob(f"Tinplate/saves/*/*/Game {number:06}.sav"))
    inner = f"./{path.relative_to(device)}"
    only, single = bench.work / "single", bench.work / "single.archive"
    copy = only / path.relative_to(device)
    copy.parent.mkdir(parents=True)
    corpora.put(str(copy), path.read_bytes())
    bench.setup(only, single)
    bench.handhold(only, single, "snapshot")
    backs = {name: bench.work / f"back by {name}" for name in ("all", "single", "bare", "reference")}

    def ours(root: Path, held: Path, back: Path) -> Side:
        command = ("restore", "latest", "--yes", "--to", f"internal={back}", "--game", path.stem)
        before = {*held.rglob("*")}

        def undone() -> None:
            """Each turn is the first restore: one leaves its records in the archive."""
            corpora.empty(back)
            for added in {*held.rglob("*")} - before:
                if added.is_file():
                    added.unlink()

        return Side(lambda: bench.handhold(root, held, *command, accept=(0, 3)), before=undone)

    bench.time(
        "restore one game",
        ours(device, archive, backs["all"]),
        Side(
            lambda: bench.shell(
                f"tar -xf {shlex.quote(str(packed))} {shlex.quote(inner)}", backs["reference"]
            ),
            before=lambda: corpora.empty(backs["reference"]),
        ),
        0.2,
        floors={
            "... out of an archive of one file": ours(only, single, backs["single"]),
            "... by a bare program": Side(
                lambda: bench.program(bareone.__file__, archive, path.stem, backs["bare"]),
                before=lambda: corpora.empty(backs["bare"]),
            ),
        },
        least=15,
    )
    for back in backs.values():  # what the last turn of each brought
        (found,) = back.rglob(path.name)
        assert found.read_bytes() == path.read_bytes()


def start_up(bench: Bench) -> None:
    """What handhold needs before it does anything."""
    pair = measure.by_turns(
        max(bench.rounds, 9),
        Side(lambda: bench.bare("--version")),
        Side(
            lambda: measure.run((sys.executable, "-c", "pass"), at=bench.work, log=bench.log, env=bench.env)
        ),
    )
    more = (measure.seconds(pair.ours) - measure.seconds(pair.reference)) * 1000
    bench.limit("start-up, over python -c pass", f"+{more:.0f} ms", "<= +60 ms", more <= 60, pair.peak)


def years(bench: Bench) -> None:
    """The nights of years, of three devices: listed, and one save's versions over all of them."""
    folder = bench.work / "years"
    corpora.empty(folder)
    build(folder / "archive", Scale(bench.size.years, bench.size.years * 20))
    program = (sys.executable, barelists.__file__, str(folder / "archive"), "Game 17")
    sides = (
        Side(lambda: bench.handhold(folder, folder / "archive", "list", "--json")),
        Side(lambda: bench.handhold(folder, folder / "archive", "history", "Game 17", "--json")),
        Side(lambda: measure.run(program, at=bench.work, log=bench.log, env=bench.env)),
    )
    runs = measure.turns(bench.rounds, sides)
    assert runs is not None
    listed, history, floor = runs
    for figure, some, most in (("list of", listed, 1), ("history of one save over", history, 2)):
        spent = measure.seconds(some)
        peak = max(one.peak for one in some)
        figure = f"{figure} {bench.size.years:,} nights"
        bench.limit(figure, f"{spent:.2f} s", f"<= {most} s", spent <= most, peak)
    told = f"{measure.seconds(floor):.2f} s"
    bench.row(Row("... reading, unpacking, SHA-256 and looking alone", told, "", "", "", None))


def _first(bench: Bench) -> tuple[Path, Path, Path]:
    device, archive, packed = (bench.work / name for name in ("first", "first.archive", "first.tar.zst"))
    if not device.exists():
        corpora.first_night(device, bench.size, bench.seed)
        bench.setup(device, archive)
        bench.handhold(device, archive, "snapshot")
        bench.shell(f"tar -cf - . | zstd -q -3 -T2 -o {shlex.quote(str(packed))}", device)
    return device, archive, packed


def _same(device: Path, back: Path) -> None:
    """What came back is what there was: a fast restore of something else is no restore."""
    for path in device.rglob("*"):
        other = back / path.relative_to(device)
        if path.is_file() and path.read_bytes() != other.read_bytes():
            raise SystemExit(f"{path} did not come back as it was")
