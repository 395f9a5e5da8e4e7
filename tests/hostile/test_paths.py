"""Whatever a forged archive names, nothing outside the homes is written, read into them, or removed."""

from __future__ import annotations

import os
import tarfile
import zipfile
from pathlib import Path

import pytest

from handhold.layouts.stored import stored_form
from handhold.model import HomeKind, Site
from tests.cli.world import World
from tests.device.trees import layout
from tests.hostile.forge import HOME, Forge, save

STRANGER = b"stranger"
#: Path as the page has it. What is refused costs its page; what is only odd lands inside the home.
ESCAPES = [
    "../out.sav",
    "saves/../../out.sav",
    "saves/../../../../../../../../tmp/handhold-escaped",
    "/tmp/handhold-escaped",
    "//tmp/handhold-escaped",
    "saves//out.sav",
    "./saves/out.sav",
    "saves/./out.sav",
    "..",
    ".",
    "",
    "saves/",
    "saves/nul\0.sav",
    "saves/line\nbreak.sav",
    "saves/bell\x07.sav",
    "saves/\x1b[2J.sav",
    "saves/\\x2e\\x2e/out.sav",
    "\\x2e\\x2e/out.sav",
    "\\x2ftmp\\x2fhandhold-escaped",
    "saves/\\x00.sav",
    "saves/\\out.sav",
    "saves/\\xZZ.sav",
    "saves/" + "x" * 300,
    "/".join(["deep"] * 2000),
]
ODD = [
    "C:\\\\out.sav",
    "C:out.sav",
    "\\\\\\\\server\\\\share.sav",
    "saves/..\\\\..\\\\out.sav",
    "saves/con",
    "saves/NUL.sav",
    "saves/com1.sav",
    "saves/trailing dot.",
    "saves/trailing blank ",
    "saves/...",
    "saves/turned\u202evas.exe",
    "saves/zero\u200bwidth.sav",
    "saves/\\xff\\xfe.sav",
    "saves/~",
    "saves/$HOME",
    "saves/-rf",
    "saves/*",
    ".hidden",
]


@pytest.fixture
def jail(tmp_path: Path) -> World:
    """A device, its archive forged, and things around it that nobody may touch."""
    world = World(tmp_path / "jail")
    world.furnish()
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside/mine.sav").write_bytes(b"mine")
    (tmp_path / "jail/out.sav").write_bytes(b"mine too")
    world.archive.parent.mkdir(exist_ok=True)
    return world


def around(world: World) -> dict[str, bytes | str]:
    """Everything outside the homes, the archive and the folders that exports were asked for."""
    top = world.folder.parent
    inside = (world.internal / "Tinplate", world.archive, top / "exported", world.config.parent)
    found: dict[str, bytes | str] = {}
    for folder, folders, files in os.walk(top):
        here = Path(folder)
        if any(here == one or one in here.parents for one in inside):
            continue
        for name in (*folders, *files):
            path = here / name
            found[str(path)] = os.readlink(path) if path.is_symlink() else b""
            if path.is_file() and not path.is_symlink():
                found[str(path)] = path.read_bytes()
    found["/tmp/handhold-escaped"] = str(os.path.lexists("/tmp/handhold-escaped"))
    return found


def calm(world: World, *arguments: str) -> str:
    """Runs a command: it ends with a status of its own, and no defect."""
    said = world.run(*arguments)
    assert said.status in range(6), said.text
    assert "made a mistake" not in said.text and "Traceback" not in said.text, said.text
    return said.text


def test_no_path_leads_out(jail: World) -> None:
    forge = Forge(jail.archive)
    names = [forge.night([save(path)], blocks=[STRANGER]) for path in (*ESCAPES, *ODD)]
    assert jail.setup().status == 0
    before = around(jail)
    exported = jail.folder.parent / "exported"
    exported.mkdir()
    for number, name in enumerate(names):
        calm(jail, "restore", name, "--yes", "--on-newer", "replace")
        calm(jail, "export", name, str(exported / f"{number}"))
        calm(jail, "export", name, str(exported / f"{number}.zip"))
        calm(jail, "export", name, str(exported / f"{number}.tar"))
    calm(jail, "undo", "--yes")
    calm(jail, "carry", "--yes", "--take", "plover")
    calm(jail, "verify", "--deep")
    assert around(jail) == before | {str(exported): b""}
    for file in exported.iterdir():
        listed = []
        if file.suffix == ".zip":
            listed = zipfile.ZipFile(file).namelist()
        elif file.suffix == ".tar":
            with tarfile.open(file) as tape:
                assert all(one.isreg() or one.isdir() for one in tape)
                listed = tape.getnames()
        assert not [name for name in listed if name.startswith("/") or ".." in name.split("/")]
    landed = [path for path in (jail.internal / "Tinplate").rglob("*") if path.is_file()]
    assert sum(path.read_bytes() == STRANGER for path in landed) > 0  # what is only odd was written


@pytest.mark.parametrize("form", ["saves is a link", "home is a link", "file is a link", "file is a pipe"])
def test_links_on_the_way_are_not_followed(jail: World, form: str) -> None:
    forge = Forge(jail.archive)
    name = forge.night([save("saves/mine.sav"), save("saves/new.sav")], blocks=[STRANGER])
    assert jail.setup().status == 0
    home, outside = jail.internal / "Tinplate", jail.folder.parent / "outside"
    if form == "home is a link":
        home.rename(jail.folder / "aside")
        home.symlink_to(outside)
    elif form == "saves is a link":
        (home / "saves").rename(jail.folder / "aside")
        (home / "saves").symlink_to(outside)
    elif form == "file is a link":
        (home / "saves/mine.sav").symlink_to(outside / "mine.sav")
    else:
        os.mkfifo(home / "saves/mine.sav")
    before = around(jail)
    for command in (("restore", name, "--yes", "--on-newer", "replace"), ("undo", "--yes"), ("snapshot",)):
        calm(jail, *command)
    assert around(jail) == before
    assert (outside / "mine.sav").read_bytes() == b"mine"
    assert sorted(os.listdir(outside)) == ["mine.sav"]


SITES = [
    Site("tinplate", "main", HomeKind.FOLDER, "internal", "../../outside"),
    Site("tinplate", "main", HomeKind.FOLDER, "internal", "/tmp"),
    Site("tinplate", "main", HomeKind.FOLDER, "..", "outside"),
    Site("tinplate", "../..", HomeKind.FOLDER, "internal", "outside"),
    Site("unknown", "main", HomeKind.FOLDER, "internal", "../../outside"),
    Site("unknown", "main", HomeKind.FOLDER, "internal/../..", "outside"),
    Site("unknown", "main", HomeKind.FOLDER, "", ""),
    Site("unknown", "main", HomeKind.PRIVATE, "elsewhere", "tmp"),
    Site("un/../known", "main", HomeKind.FOLDER, "internal", "x"),
]


def layout_at(place: str) -> bytes:
    """A stored layout whose home lies where an attacker wants it."""
    sound = layout("unknown", {"main": ("internal:Elsewhere",)}, "saves: **")
    return stored_form(sound).decode().replace("internal:Elsewhere", place).encode()


@pytest.mark.parametrize(
    "place",
    ["internal:../../outside", "*:..", "internal:/tmp", "../x:y", "internal:a/../../..", "internal:\\u0000"],
)
def test_no_layout_of_a_stranger_leads_out(jail: World, place: str) -> None:
    forge = Forge(jail.archive)
    entry = save("handhold-escaped", emulator="unknown")
    site = Site("unknown", "main", HomeKind.FOLDER, "internal", "Elsewhere")
    name = forge.night([entry], blocks=[STRANGER], sites=[site], layouts={"unknown": layout_at(place)})
    assert jail.setup().status == 0
    before = around(jail)
    calm(jail, "restore", name, "--yes")
    after = around(jail)
    # A home that the snapshot tells of may be made on the volume that the owner named; nothing else.
    assert all(path.startswith(f"{jail.internal}/Elsewhere") for path in after.keys() - before.keys())
    assert {path: after[path] for path in before} == before


@pytest.mark.parametrize(
    "site", SITES, ids=lambda site: f"{site.emulator} {site.home} {site.volume} {site.path}"
)
def test_no_home_of_a_stranger_leads_out(jail: World, site: Site) -> None:
    forge = Forge(jail.archive)
    entry = save("handhold-escaped", emulator=site.emulator, home=site.home)
    name = forge.night([entry], blocks=[STRANGER], sites=[site])
    assert jail.setup().status == 0
    before = around(jail)
    calm(jail, "restore", name, "--yes")
    calm(jail, "show", name)
    assert around(jail) == before


def test_a_sound_forgery_does_land(jail: World) -> None:
    """So that the others do not pass because nothing is ever written."""
    name = Forge(jail.archive).night([save("saves/new.sav")], blocks=[STRANGER], sites=[HOME])
    assert jail.setup().status == 0
    calm(jail, "restore", name, "--yes")
    assert (jail.internal / "Tinplate/saves/new.sav").read_bytes() == STRANGER
