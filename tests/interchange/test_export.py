"""What is exported is what the snapshot holds, as tools that know nothing of handhold read it."""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import sys
import tarfile
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import bagit
import pytest

from handhold.cli.words import stamp
from tests.cli.world import World
from tests.exports.test_ziptree import MEMBERS
from tests.exports.world import HATBOX
from tests.exports.writers import python

SUMS = "SHA256SUMS.txt"


@pytest.fixture
def world(tmp_path: Path) -> World:
    made = World(tmp_path)
    made.furnish()
    odd = made.internal / "Tinplate/saves"
    made.write(odd / "100% back\\slash.sav", b"odd name" * 9)
    made.write(Path(os.fsdecode(os.fsencode(odd) + b"/caf\xe9.sav")), b"not UTF-8")
    made.write(odd / "Nothing Yet.sav", b"")
    made.write(odd / "Large.sav", os.urandom(3 << 20))
    precise = made.write(odd / "Precise.sav", b"to the nanosecond")
    os.utime(precise, ns=(0, 1_700_000_000_123_456_789))
    before = made.write(odd / "Before.sav", b"before 1970")
    os.utime(before, ns=(0, -2_000_000_000))
    assert made.setup("plover").status == 0
    assert made.run("snapshot").status in (0, 3)
    return made


def shown(world: World) -> dict[str, Any]:
    """What ``show`` says of each file, by its place in an export."""
    entries = world.run("show", "--json").document["entries"]
    assert len(entries) >= 12
    return {f"{e['emulator']}/{e['home']}/{e['path']}": e for e in entries}


def as_found(folder: Path) -> dict[bytes, tuple[str, str]]:
    """Digest and time of each file below a folder; names as the system has them."""
    found = {}
    for path in folder.rglob("*"):
        if path.is_file() and path.name not in (SUMS, "NOT-IN-HERE.txt"):
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            found[os.fsencode(path.relative_to(folder))] = (digest, stamp(path.stat().st_mtime_ns))
    return found


def as_shown(world: World, name: Callable[[str], bytes]) -> dict[bytes, tuple[str, str]]:
    return {name(path): (e["sha256"], e["modified"]) for path, e in shown(world).items()}


def on_disk(path: str) -> bytes:
    """The bytes of a name, from its written form: of the names here, by hand."""
    return path.encode().replace(rb"\\", b"\\").replace(rb"caf\xe9", b"caf\xe9")


def whole_seconds(found: dict[bytes, tuple[str, str]]) -> dict[bytes, tuple[str, str]]:
    """Without what the form cannot hold: parts of a second, and what lies before 1970."""
    return {
        name: (digest, "" if when < "1970" else when.partition(".")[0].removesuffix("Z"))
        for name, (digest, when) in found.items()
    }


def sums_agree(folder: Path) -> bool:
    # Source: GNU coreutils, sha256sum --check
    done = subprocess.run(["sha256sum", "--check", "--strict", "--quiet", SUMS], cwd=folder, check=False)
    return done.returncode == 0


def test_a_folder(world: World, tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = world.run("export", "latest", str(out), "--json")
    assert done.status == 0
    assert done.document["files"] == len(shown(world))
    assert as_found(out) == as_shown(world, on_disk)
    assert sums_agree(out)
    assert len((out / SUMS).read_bytes().splitlines()) == len(shown(world))
    (out / "tinplate/main/saves/Large.sav").write_bytes(b"changed")
    assert not sums_agree(out)


def test_a_tar_for_gnu_tar_and_another(world: World, tmp_path: Path) -> None:
    tar = tmp_path / "out.tar"
    assert world.run("export", "latest", str(tar)).status == 0
    for program in ("tar", "bsdtar"):
        out = tmp_path / program
        out.mkdir()
        # Source: GNU tar and libarchive's bsdtar, reading pax archives (POSIX.1-2017, pax)
        subprocess.run([program, "-xf", str(tar), "-C", str(out)], check=True)
        assert as_found(out) == as_shown(world, on_disk)
        assert sums_agree(out)


def test_a_tar_to_standard_output(world: World, tmp_path: Path) -> None:
    command = [
        sys.executable, "-c", "from handhold.cli.entry import main; main()",
        "--config", str(world.config), "--layouts", str(world.layouts),
        "export", "latest", "-", "--part", "saves",
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, check=False, cwd=Path(__file__).parents[2])
    assert done.returncode == 0, done.stderr
    with tarfile.open(fileobj=io.BytesIO(done.stdout)) as tar:
        names = set(tar.getnames())
    saves = {path for path, e in shown(world).items() if e["part"] == "saves"}
    assert len(names) == len(saves) + 1
    assert "tinplate/main/saves/Mole Hollow.sav" in names
    assert b"standard output" in done.stderr


def test_a_zip_for_unzip(world: World, tmp_path: Path) -> None:
    packed, out = tmp_path / "out.zip", tmp_path / "out"
    assert world.run("export", "latest", str(packed)).status == 0
    # Source: Info-ZIP unzip, option -t
    subprocess.run(["unzip", "-tq", str(packed)], check=True)
    subprocess.run(["unzip", "-q", str(packed), "-d", str(out)], check=True, env={**os.environ, "TZ": "UTC"})
    found = {name: of for name, of in as_found(out).items() if not name.endswith(b"Before.sav")}
    wanted = {n: of for n, of in as_shown(world, str.encode).items() if not n.endswith(b"Before.sav")}
    assert whole_seconds(found) == whole_seconds(wanted)
    assert sums_agree(out)
    with zipfile.ZipFile(packed) as made:
        assert made.testzip() is None
        assert made.getinfo("tinplate/main/saves/Before.sav").date_time == (1980, 1, 1, 0, 0, 0)


def test_a_bag_for_the_bagit_library(world: World, tmp_path: Path) -> None:
    out = tmp_path / "bag"
    assert world.run("export", "latest", str(out), "--as", "bagit").status == 0
    # Source: RFC 8493, and the bagit library's own validation
    bag = bagit.Bag(str(out))
    bag.validate()
    wanted = as_shown(world, lambda path: path.replace("%", r"\x25").encode())
    assert as_found(out / "data") == wanted
    assert (
        bag.info["External-Identifier"] == world.run("list", "--json").document["snapshots"][-1]["snapshot"]
    )
    total = sum(e["size"] for e in shown(world).values())
    assert bag.info["Payload-Oxum"] == f"{total}.{len(wanted)}"
    (out / "data/tinplate/main/saves/Large.sav").write_bytes(b"changed")
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(out)).validate()


def test_one_game_and_nothing_else(world: World, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert world.run("export", "latest", str(out), "--emulator", "lantern").status == 0
    assert {path.split(b"/")[0] for path in as_found(out)} == {b"lantern"}


def test_one_game_of_a_zip_comes_as_files(tmp_path: Path) -> None:
    world = World(tmp_path)
    (world.layouts / "hatbox.yaml").write_text(HATBOX, "utf-8")
    packed = world.card / "Exports/Hatbox/hatbox nightly.zip"
    packed.parent.mkdir(parents=True)
    python(packed, MEMBERS, world.time)
    assert world.setup("plover").status == 0
    assert world.run("snapshot").status == 0
    out = tmp_path / "out"
    assert world.run("export", "latest", str(out), "--game", "Lamplighter").status == 0
    found = {os.fsdecode(path).partition("hatbox nightly/")[2]: of for path, (of, _) in as_found(out).items()}
    wanted = {name: content for name, content in MEMBERS.items() if "Lamplighter" in name}
    assert found == {name: hashlib.sha256(content).hexdigest() for name, content in wanted.items()}


@pytest.mark.parametrize("form", ["folder", "tar", "zip", "bagit"])
def test_what_the_archive_does_not_give_back_is_named(world: World, tmp_path: Path, form: str) -> None:
    bundle = max(world.archive.rglob("*.bundle"), key=lambda path: path.stat().st_size)
    data = bytearray(bundle.read_bytes())
    # Noise lies in an archive as it is: within that file, and not in a record's header.
    noise = (world.internal / "Tinplate/saves/Large.sav").read_bytes()
    places = (data.find(noise[at : at + 64]) for at in range(1 << 20, 2 << 20, 4096))
    data[next(place for place in places if place >= 0)] ^= 1
    bundle.write_bytes(data)
    out = tmp_path / "out"
    done = world.run("export", "latest", str(out), "--as", form)
    assert done.status == 4
    assert "Left out: tinplate: saves/" in done.err
    if form in ("folder", "bagit"):
        (notes,) = [path for path in out.rglob("*.txt") if path.name.lower() == "not-in-here.txt"]
        text = notes.read_text()
    elif form == "tar":
        text = subprocess.run(
            ["tar", "-xOf", str(out), "NOT-IN-HERE.txt"], check=True, capture_output=True, text=True
        ).stdout
    else:
        text = zipfile.ZipFile(out).read("NOT-IN-HERE.txt").decode()
    assert "saves/" in text
    if form == "folder":
        assert sums_agree(out)
        assert len(as_found(out)) < len(shown(world))


def test_gaps_of_that_night_are_in_it(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.furnish()
    os.symlink("/etc/hostname", world.internal / "Tinplate/saves/Linked.sav")
    assert world.setup("plover").status == 0
    assert world.run("snapshot").status == 3
    out = tmp_path / "out"
    assert world.run("export", "latest", str(out)).status == 0
    assert "Linked.sav" in (out / "NOT-IN-HERE.txt").read_text()


@pytest.mark.parametrize("form", ["folder", "zip"])
def test_nothing_foreign_comes_into_the_archive(world: World, form: str) -> None:
    place = world.archive / "bundles" / f"mine.{form}"
    done = world.run("export", "latest", str(place), "--as", form)
    assert done.status == 2
    assert "lies in the archive" in done.err
    assert not place.exists()
    assert world.run("verify").status == 0


def test_a_folder_that_is_not_there(world: World, tmp_path: Path) -> None:
    done = world.run("export", "latest", str(tmp_path / "not there/night.zip"))
    assert done.status == 2
    assert f"There is no folder {tmp_path}/not there." in " ".join(done.err.split())


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("full",), "not empty"),
        (("file.txt",), "no folder"),
        (("file.txt", "--as", "tar"), "there already"),
        (("new", "--as", "cassette"), '--as is folder, tar, zip or bagit, not "cassette"'),
        (("-", "--as", "zip"), "only a tar"),
        (("-", "--json"), "--json"),
    ],
)
def test_a_wrong_destination(
    world: World, tmp_path: Path, arguments: tuple[str, ...], said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full/mine.txt").write_text("mine")
    (tmp_path / "file.txt").write_text("mine")
    monkeypatch.chdir(tmp_path)
    done = world.run("export", "latest", *arguments)
    assert done.status == 2
    assert said in " ".join(done.err.split())
    assert (tmp_path / "full/mine.txt").read_text() == (tmp_path / "file.txt").read_text() == "mine"
    assert not (tmp_path / "new").exists()


@pytest.mark.volumes
@pytest.mark.filterwarnings("error::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("form", ["folder", "tar", "zip"])
def test_a_card_that_is_too_small(world: World, exfat: Path, form: str) -> None:
    free = os.statvfs(exfat)
    (exfat / "music").write_bytes(bytes(free.f_bavail * free.f_frsize - (2 << 20)))
    done = world.run("export", "latest", str(exfat / "out"), "--as", form)
    assert done.status == 1
    assert "was not finished" in done.err
    assert not (exfat / "out" / SUMS).exists()
    assert not list(exfat.rglob("*.part"))


@pytest.mark.volumes
def test_names_that_the_card_cannot_hold_are_told(world: World, exfat: Path) -> None:
    done = world.run("export", "latest", str(exfat / "out"), "--json")
    assert done.status == 3
    left = {one["path"] for one in done.document["left"]}
    assert any('"Ruhm"' in path for path in left)
    assert {one["why"] for one in done.document["left"]} == {"its name cannot be written on this storage"}
    assert len(left) < len(shown(world)) / 2
    assert sums_agree(exfat / "out")
