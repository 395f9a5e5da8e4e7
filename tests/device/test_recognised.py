"""What no layout claims: recognised in the same pass, and kept under its emulator's folder."""

from __future__ import annotations

import os
import string
import tempfile
from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.device.claims import Walk
from handhold.device.recognising import is_found, site_of
from handhold.device.standing import Before
from handhold.device.survey import changed, tally
from handhold.device.volumes import open_device
from handhold.device.walk import walk
from handhold.layouts.layout import Layout
from handhold.model import HomeKind, Part
from tests.device.trees import as_nobody, fill, kept, layout, open_to_all, told, walked

TINPLATE = layout("tinplate", {"main": "*:Tinplate"}, "saves: saves/{game}.sav", "skip: shaders/**")
#: Battery memory: a size of 8 KiB, partly never written.
BATTERY = b"\x01\x02\x03\x04" * 512 + b"\xff" * 6144


def looked(volumes: Mapping[str, Path | str], *layouts: Layout, leave_out: tuple[str, ...] = ()) -> Walk:
    device = open_device("lamp", {name: str(path) for name, path in volumes.items()})
    return walk(device, layouts, leave_out, recognise=True)


def places(found: Walk) -> dict[str, tuple[str, str]]:
    """``volume:path`` of each claim: the emulator and the part."""
    return {f"{c.site.volume}:{c.volume_path}": (c.site.emulator, str(c.part)) for c in found.claims}


def test_without_any_layout(tmp_path: Path) -> None:
    fill(
        tmp_path,
        "Emulation/Tinplate/data/saves/Moss Garden.sav",
        "Emulation/Tinplate/states/Moss Garden.st1",
        "Emulation/Tinplate/states/Moss Garden.st1.png",
        "Emulation/Tinplate/config/tinplate.ini",
        "Music/song.ogg",
        content=BATTERY,
    )
    found = looked({"card": tmp_path})
    assert places(found) == {
        "card:Emulation/Tinplate/data/saves/Moss Garden.sav": ("tinplate", "saves"),
        "card:Emulation/Tinplate/states/Moss Garden.st1": ("tinplate", "states"),
        "card:Emulation/Tinplate/states/Moss Garden.st1.png": ("tinplate", "states"),
    }
    (site,) = found.sites
    assert (site.volume, site.path, site.kind) == ("card", "Emulation/Tinplate", HomeKind.FOLDER)
    assert is_found(site.home)
    assert sorted(c.path for c in found.claims)[0] == "data/saves/Moss Garden.sav"
    (one,) = tally(found, ())
    assert (one.emulator, one.title, one.how, one.state) == ("tinplate", "Tinplate", "recognised", "found")
    assert {part: t.files for part, t in one.parts.items()} == {Part.SAVES: 1, Part.STATES: 2}
    assert sum(reason.files for reason in one.reasons) == 3
    assert all(reason.why for reason in one.reasons)
    assert walked({"card": tmp_path}).claims == []  # and only if it is asked for


def test_the_rest_says_what_it_was_taken_for(tmp_path: Path) -> None:
    fill(tmp_path, "Tinplate/saves/a.sav", "Tinplate/cheats/a.cht", "Tinplate/cheats/b.cht", "Odd/x.dat")
    fill(tmp_path, "Tinplate/config/a.ini", content=b"speed=1\nscreen=2\n")
    unclaimed = {one.path: one for one in looked({"card": tmp_path}).unclaimed}
    assert {path: (one.part, one.files) for path, one in unclaimed.items()} == {
        "Tinplate/cheats": (Part.CHEATS, 2),
        "Tinplate/config": (Part.SETTINGS, 1),
        "Odd": (None, 1),
    }
    assert "cheats" in unclaimed["Tinplate/cheats"].why


def test_a_layout_comes_first_and_what_it_leaves_out_stays_out(tmp_path: Path) -> None:
    fill(tmp_path, "Tinplate/saves/a.sav", "Tinplate/saves/a.odd", "Tinplate/shaders/saves/a.sav")
    found = looked({"card": tmp_path}, TINPLATE)
    # What its layout does not name is listed with the emulator whose home it lies in.
    assert kept(found) == {
        "card:Tinplate/saves/a.sav": ("tinplate/main", "saves"),
        "card:Tinplate/saves/a.odd": ("tinplate/main", "saves"),
    }
    assert found.skipped["tinplate"].files == 1
    assert {one.title for one in found.recognised.values()} == {None}
    (one,) = tally(found, [TINPLATE])
    assert (one.how, [reason.files for reason in one.reasons]) == ("layout", [1])


def test_beside_an_export_nothing_is_taken_for_one(tmp_path: Path) -> None:
    exports = layout("hatbox", {"out": "*:Hatbox"}, "saves: *.zip", kind=HomeKind.EXPORT)
    fill(tmp_path, "Hatbox/all.zip", "Hatbox/saves/a.sav")
    emulators = places(looked({"card": tmp_path}, exports))
    assert emulators["card:Hatbox/all.zip"] == ("hatbox", "saves")
    assert emulators["card:Hatbox/saves/a.sav"][0] not in ("hatbox", "")


def test_games_stay_and_saves_beside_them_are_found(tmp_path: Path) -> None:
    fill(tmp_path, "Games/Fieldfare/Lamplighter.bin", "Games/Fieldfare/Salt Road.iso", content=b"game" * 5000)
    fill(tmp_path, "Games/Fieldfare/Lamplighter.sav", content=BATTERY)
    found = looked({"card": tmp_path})
    assert set(places(found)) == {"card:Games/Fieldfare/Lamplighter.sav"}
    assert found.sites[0].kind is HomeKind.GAMES


def test_ids_stay_what_they_are(tmp_path: Path) -> None:
    """Whatever else comes onto the device, and on whichever volume it lies."""
    fill(tmp_path / "card", "Emulation/Tinplate/saves/a.sav")
    before = places(looked({"card": tmp_path / "card"}))
    fill(
        tmp_path / "card",
        "Alpha/saves/b.sav",
        "Tinplate/saves/b.sav",
        "Tinplate 2/saves/c.sav",
        "Lantern/saves/a.sav",
    )
    fill(tmp_path / "internal", "Tinplate/saves/a.sav")
    found = looked({"internal": tmp_path / "internal", "card": tmp_path / "card"})
    after = places(found)
    assert before == {"card:Emulation/Tinplate/saves/a.sav": ("tinplate", "saves")}
    assert before.items() <= after.items()
    # Folders of one name are one emulator; each is a home of its own.
    homes = {(c.site.emulator, c.site.home, c.path) for c in found.claims}
    assert len(homes) == len(found.claims)
    assert len({site.home for site in found.sites if site.emulator == "tinplate"}) == 3


def test_ids_do_not_meet_those_of_layouts(tmp_path: Path) -> None:
    fill(tmp_path, "Tinplate/saves/a.sav", "Emulation/Tinplate/saves/b.sav")
    found = looked({"card": tmp_path}, TINPLATE)
    ids = {c.volume_path: c.site.emulator for c in found.claims}
    assert ids["Tinplate/saves/a.sav"] == "tinplate"
    assert ids["Emulation/Tinplate/saves/b.sav"].startswith("tinplate-")
    again = {c.volume_path: c.site.emulator for c in looked({"card": tmp_path}, TINPLATE).claims}
    assert again == ids


@settings(deadline=None, max_examples=100)
@given(
    st.lists(st.text(string.ascii_letters + " -_.é月", min_size=1, max_size=50), min_size=1, max_size=3),
    st.sets(st.sampled_from(["tinplate", "loose", "saves", "a", "b", "folder"])),
)
def test_every_site_can_be_recorded(names: list[str], taken: set[str]) -> None:
    path = "/".join(names)
    site = site_of("card", path, taken)
    assert site.emulator not in taken
    assert len(site.emulator) <= 40
    assert set(site.emulator) <= set(string.ascii_lowercase + string.digits + "-")
    assert not site.emulator.startswith("-")
    assert is_found(site.home)
    assert site == site_of("card", path, taken)


def test_saves_without_an_emulators_folder(tmp_path: Path) -> None:
    fill(tmp_path, "saves/Moss Garden.sav", "states/Moss Garden.st1", content=BATTERY)
    found = looked({"card": tmp_path})
    assert {c.site.emulator for c in found.claims} == {"loose"}
    assert {site.path for site in found.sites} == {"saves", "states"}  # never the volume's root
    assert [one.title for one in tally(found, ())] == ["Loose files"]


def test_private_storage_that_can_be_read(tmp_path: Path) -> None:
    fill(tmp_path, "Android/data/com.example.burrow/files/saves/a.sav", content=BATTERY)
    (site,) = looked({"internal": tmp_path}).sites
    assert (site.kind, site.path) == (HomeKind.PRIVATE, "Android/data/com.example.burrow")


def test_private_storage_that_cannot_be_listed_is_told_with_advice(tmp_path: Path) -> None:
    fill(tmp_path, "Android/data/com.example.burrow/files/saves/a.sav")
    os.chmod(tmp_path / "Android/data", 0o711)
    os.chmod(tmp_path / "Android/data/com.example.burrow", 0)

    def check() -> None:
        (gap,) = looked({"internal": tmp_path}).gaps
        assert gap.path == "Android/data"
        assert gap.advice and "export" in gap.advice

    with open_to_all(tmp_path):
        as_nobody(check)


def test_pipes_links_and_devices_are_never_opened(tmp_path: Path) -> None:
    fill(tmp_path, "Tinplate/saves/a.sav", "Elsewhere/b.sav", content=BATTERY)
    os.mkfifo(tmp_path / "Tinplate/saves/pipe.sav")  # opening it would wait for ever
    os.symlink(tmp_path / "Elsewhere/b.sav", tmp_path / "Tinplate/saves/link.sav")
    os.symlink(tmp_path / "Elsewhere", tmp_path / "Tinplate/states")
    os.symlink(tmp_path / "Elsewhere", tmp_path / "Music")
    found = looked({"card": tmp_path})
    assert "card:Tinplate/saves/a.sav" in places(found)
    assert sorted(told(found)) == [
        ("card:Tinplate/saves/link.sav", None),
        ("card:Tinplate/saves/pipe.sav", None),
        ("card:Tinplate/states", None),
    ]


def test_a_file_that_may_be_a_save_and_cannot_be_opened_is_a_gap(tmp_path: Path) -> None:
    fill(tmp_path, "Emulation/Odd/x.dat", content=BATTERY)
    assert set(places(looked({"card": tmp_path}))) == {"card:Emulation/Odd/x.dat"}  # by what is in it
    os.chmod(tmp_path / "Emulation/Odd/x.dat", 0)

    def check() -> None:
        found = looked({"card": tmp_path})
        assert (places(found), told(found)) == ({}, [("card:Emulation/Odd/x.dat", None)])
        assert "permission" in found.gaps[0].why

    with open_to_all(tmp_path):
        as_nobody(check)


def test_each_undecided_file_is_opened_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(tmp_path, *(f"Emulation/Odd/{n}.dat" for n in range(20)), content=BATTERY)
    fill(tmp_path, *(f"Tinplate/saves/{n}.sav" for n in range(20)), *(f"DCIM/{n}.jpg" for n in range(20)))
    opened: list[str] = []
    real = os.open

    def counted(path: str, flags: int, *more: int, **named: int) -> int:
        if str(path).startswith(str(tmp_path)):
            assert flags & os.O_NOFOLLOW and flags & os.O_NONBLOCK
            opened.append(str(path))
        return real(path, flags, *more, **named)

    monkeypatch.setattr(os, "open", counted)
    looked({"card": tmp_path}, TINPLATE)
    assert len(opened) == len(set(opened)) == 20
    assert all("/Odd/" in path for path in opened)


def test_what_was_kept_stays_kept_whatever_it_looks_like_by_now(tmp_path: Path) -> None:
    device = open_device("lamp", {"card": str(tmp_path)})
    fill(tmp_path, "Emulation/Odd/x.dat", "Emulation/Odd/y.dat", content=BATTERY)
    before = {
        (c.site.volume, c.volume_path): Before(c.part, c.game) for c in looked({"card": tmp_path}).claims
    }
    assert len(before) == 2
    fill(tmp_path, "Emulation/Odd/x.dat", "Emulation/Odd/y.dat", content=b"\x01\x02\x03" * 3333)  # it is full
    assert looked({"card": tmp_path}).claims == []
    skipping = layout("odd", {"main": "*:Emulation/Odd"}, "skip: y.dat")
    was = lambda volume, path: before.get((volume, path))  # noqa: E731
    again = walk(device, [], recognise=True, before=was)
    assert {(c.site.volume, c.volume_path): Before(c.part, c.game) for c in again.claims} == before
    # Only a layout can say otherwise.
    again = walk(device, [skipping], recognise=True, before=was)
    assert [c.volume_path for c in again.claims] == ["Emulation/Odd/x.dat"]
    assert walk(device, [], before=was).claims == []


def test_a_save_that_is_as_it_was_is_no_game_because_of_what_changed_beside_it(tmp_path: Path) -> None:
    """An image is taken for a game where it is larger than the save of its name: in the end nothing is lost.

    Unless it is another file by now, or there is one beside it that was not: then it is looked at anew.
    """
    device = open_device("lamp", {"card": str(tmp_path)})
    image, save = tmp_path / "Odd/saves/Moss.bin", tmp_path / "Odd/saves/Moss.srm"
    fill(tmp_path, "Odd/saves/Moss.srm", content=b"\1\2\3" * 1000)
    fill(tmp_path, "Odd/saves/Moss.bin", content=b"\1\2\3" * 900)
    kept = {
        (c.site.volume, c.volume_path): Before(c.part, c.game, (c.size, c.modified))
        for c in looked({"card": tmp_path}).claims
    }
    assert len(kept) == 2

    def again() -> set[str]:
        walked = walk(device, [], recognise=True, before=lambda *place: kept.get(place))
        return {c.volume_path.rpartition("/")[2] for c in walked.claims}

    save.write_bytes(b"\1\2\3" * 4)
    assert {c.volume_path for c in looked({"card": tmp_path}).claims} == {"Odd/saves/Moss.srm"}
    assert again() == {"Moss.bin", "Moss.srm"}
    fill(tmp_path, "Odd/saves/Salt.srm", content=BATTERY)
    assert again() == {"Moss.srm", "Salt.srm"}
    (tmp_path / "Odd/saves/Salt.srm").unlink()
    image.write_bytes(b"\1\2\3" * 901)
    assert again() == {"Moss.srm"}
    kept["card", "Odd/saves/Moss.bin"] = Before(Part.SAVES, None, None)  # another version has said so
    assert again() == {"Moss.srm"}


def test_the_archive_is_left_out(tmp_path: Path) -> None:
    fill(tmp_path, "Safe/saves/a.sav", "Tinplate/saves/a.sav", content=BATTERY)
    found = looked({"card": tmp_path}, leave_out=(str(tmp_path / "Safe"),))
    assert set(places(found)) == {"card:Tinplate/saves/a.sav"}


def test_what_changed_and_nobody_knows(tmp_path: Path) -> None:
    fill(tmp_path, "Odd/one.dat", "Old/two.dat", "Music/song.ogg", "Tinplate/saves/a.sav", content=BATTERY)
    for path, time in (("Odd/one.dat", 300), ("Old/two.dat", 100), ("Music/song.ogg", 300)):
        os.utime(tmp_path / path, (time, time))
    unclaimed = looked({"card": tmp_path}).unclaimed
    second = 1_000_000_000
    odd = changed(unclaimed, 200 * second, 400 * second)
    assert [(one.path, one.newest) for one in odd] == [("Odd", 300 * second)]
    assert changed(unclaimed, 300 * second, 400 * second) == []
    assert changed(unclaimed, 200 * second, 250 * second) == []  # a time in the future tells nothing


SAVES = (
    "Emulation/Tinplate/saves/Moss Garden.sav",
    "Lantern/memory cards/1.card",
    "Games/Fieldfare/Lamplighter.sav",
    "Tinplate/states/Moss Garden.st1",
)
NOISE = st.tuples(
    st.sampled_from(
        ["Music", "DCIM/Camera", "Download", "Emulation/Tinplate", "Emulation/Tinplate/saves", "Odd",
         "Games/Fieldfare", "Lantern", "Tinplate/cache", "Android/data/com.example.radio/files", ""]
    ),
    st.text(string.ascii_letters + " _-", min_size=1, max_size=8).filter(lambda name: name.strip() == name),
    st.sampled_from(["", ".txt", ".png", ".dat", ".bin", ".sav", ".ini", ".mp3", ".tmp", ".zip"]),
    st.sampled_from([b"", b"noise", b"\0" * 4096, b"PK\x03\x04" + b"x" * 60]),
)  # fmt: skip


@settings(deadline=None, max_examples=40)
@given(st.lists(NOISE, max_size=12))
def test_noise_never_loses_a_kept_save(noise: list[tuple[str, str, str, bytes]]) -> None:
    with tempfile.TemporaryDirectory() as top:
        fill(top, *SAVES, content=BATTERY)
        fill(top, "Games/Fieldfare/Lamplighter.bin", content=b"game" * 5000)
        before = places(looked({"card": top}))
        assert {path.removeprefix("card:") for path in before} == set(SAVES)
        for folder, name, ending, content in noise:
            path = os.path.join(top, folder, name + ending)
            if not os.path.lexists(path):
                fill(top, os.path.join(folder, name + ending), content=content)
        assert before.items() <= places(looked({"card": top})).items()
