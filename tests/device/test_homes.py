"""Where homes lie: wildcards, case, several places, links."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from wcmatch import fnmatch as reference

from handhold.device.homes import segment
from handhold.device.listing import folded
from handhold.device.volumes import open_device
from handhold.device.walk import locate
from handhold.layouts.layout import Layout
from handhold.model import Site
from tests.device.trees import fill, gap_at, kept, layout, told, walked


def sites(volumes: dict[str, Path], *layouts: Layout) -> dict[str, str]:
    device = open_device("lamp", {name: str(path) for name, path in volumes.items()})
    found = locate(device, layouts)
    assert walked(volumes, *layouts).sites == found  # the walk finds the same ones
    return {f"{s.emulator}/{s.home}": f"{s.volume}:{s.path}" for s in found}


@pytest.mark.parametrize(
    ("at", "found"),
    [
        ("card:Emulation/Tinplate", "card:Emulation/Tinplate"),
        ("card:emulation/TINPLATE", "card:Emulation/Tinplate"),
        ("*:Emulation/Tinplate", "card:Emulation/Tinplate"),
        ("*:Emu*/Tin?late", "card:Emulation/Tinplate"),
        ("*:*/Tinplate", "card:Emulation/Tinplate"),
        ("*:emulation/*plate", "card:Emulation/Tinplate"),
        ("*:", "card:"),
        ("*:Emulation", "card:Emulation"),
        ("card:Laternen/Grün", "card:Laternen/Grün"),
        ("card:laternen/GRÜN", "card:Laternen/Grün"),
        ("card:Laternen/Gru\u0308n", "card:Laternen/Grün"),  # composed as the disk has it
        ("card:ランタン/セーブ", "card:ランタン/セーブ"),
        ("card:[odd] {name}", "card:[odd] {name}"),
        ("card:[o*", "card:[odd] {name}"),
        ("card:Emulation/File", None),
        ("card:Emulation/File/deeper", None),
        ("card:Emulation/None", None),
        ("card:Emulation/Tin?plate", None),
        ("internal:Emulation/Tinplate", None),
    ],
)
def test_places(tmp_path: Path, at: str, found: str | None) -> None:
    fill(
        tmp_path,
        "Emulation/Tinplate/",
        "Emulation/File",
        "Laternen/Grün/",
        "ランタン/セーブ/",
        "[odd] {name}/",
    )
    expected = {} if found is None else {"tinplate/main": found}
    assert sites({"card": tmp_path}, layout("tinplate", {"main": at})) == expected


@given(
    st.text(alphabet="ab*?[]!.", min_size=1, max_size=8).filter(lambda t: "*" in t or "?" in t),
    st.text(alphabet="abAB[]!.", min_size=1, max_size=8),
)
def test_wildcards_as_the_shell_has_them(pattern: str, name: str) -> None:
    # Source: POSIX.1-2017, Shell Command Language, section 2.13.1 (patterns matching a single character and
    # multiple characters); wcmatch is the reference, with the bracket quoted.
    wild = segment(pattern).wild
    assert wild is not None
    expected = reference.fnmatch(
        name, pattern.replace("[", "\\["), flags=reference.IGNORECASE | reference.DOTMATCH
    )
    assert bool(wild.fullmatch(folded(name))) == expected


def test_wildcards_cannot_run_away() -> None:
    wild = segment("*a" * 60 + "b").wild
    assert wild is not None
    begun = time.process_time()
    assert not wild.fullmatch("a" * 255)
    assert time.process_time() - begun < 1.0


def test_one_home_at_several_places_leaves_nothing_out(tmp_path: Path) -> None:
    card, internal = tmp_path / "card", tmp_path / "internal"
    fill(internal, "Tinplate/a.sav", "Emulation/Tinplate/b.sav")
    fill(card, "Tinplate/a.sav", "Emulation/Tinplate/b.sav")
    tinplate = layout("tinplate", {"main": ("*:Emulation/Tinplate", "*:Tinplate")}, "saves: *.sav")
    volumes = {"internal": internal, "card": card}
    assert sites(volumes, tinplate) == {
        "tinplate/main": "internal:Emulation/Tinplate",
        "tinplate/main@card": "card:Emulation/Tinplate",
        "tinplate/main@internal": "internal:Tinplate",
        "tinplate/main@card@2": "card:Tinplate",
    }
    assert len(kept(walked(volumes, tinplate))) == 4


def test_the_same_place_named_twice_is_one(tmp_path: Path) -> None:
    fill(tmp_path, "Tinplate/a.sav")
    tinplate = layout("tinplate", {"main": ("card:Tinplate", "*:tin*", "*:TINPLATE")}, "saves: *.sav")
    assert sites({"card": tmp_path}, tinplate) == {"tinplate/main": "card:Tinplate"}


def test_two_folders_that_differ_only_by_case(tmp_path: Path) -> None:
    fill(tmp_path, "Tinplate/a.sav", "tinplate/a.sav", "TINPLATE/Saves/b.sav")
    if len(os.listdir(tmp_path)) != 3:
        pytest.skip("this file system knows no case")
    tinplate = layout("tinplate", {"main": "*:Tinplate"}, "saves: **/*.sav")
    found = walked({"card": tmp_path}, tinplate)
    assert kept(found) == {
        "card:TINPLATE/Saves/b.sav": ("tinplate/main", "saves"),
        "card:Tinplate/a.sav": ("tinplate/main@card", "saves"),
        "card:tinplate/a.sav": ("tinplate/main@card@2", "saves"),
    }
    # With the home in it no key is twice, so an archive can hold all of them.
    keys = {(c.emulator, c.site.home, c.path) for c in found.claims}
    assert len(keys) == 3


def test_a_home_that_is_a_link_into_another_volume(tmp_path: Path) -> None:
    card, internal = tmp_path / "card", tmp_path / "internal"
    fill(card, "Moved/Tinplate/a.sav")
    fill(internal, "x/")
    (internal / "Tinplate").symlink_to(card / "Moved/Tinplate")
    tinplate = layout("tinplate", {"main": "internal:Tinplate"}, "saves: *.sav")
    found = walked({"internal": internal, "card": card}, tinplate)
    assert kept(found) == {"card:Moved/Tinplate/a.sav": ("tinplate/main", "saves")}
    assert found.gaps == []


def test_a_link_halfway_and_a_link_from_inside_another_home(tmp_path: Path) -> None:
    card, internal = tmp_path / "card", tmp_path / "internal"
    fill(card, "Real/Tinplate/a.sav")
    fill(internal, "Roof/b.sav")
    (internal / "Roof/Sub").symlink_to(card / "Real")
    tinplate = layout("tinplate", {"main": "internal:Roof/Sub/Tinplate"}, "saves: *.sav")
    roof = layout("roof", {"main": "internal:Roof"}, "saves: **/*.sav")
    found = walked({"internal": internal, "card": card}, tinplate, roof)
    assert kept(found) == {
        "card:Real/Tinplate/a.sav": ("tinplate/main", "saves"),
        "internal:Roof/b.sav": ("roof/main", "saves"),
    }


def test_a_home_that_is_a_link_out_of_the_volumes_is_told(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    fill(outside, "a.sav")
    volume = tmp_path / "card"
    volume.mkdir()
    (volume / "Tinplate").symlink_to(outside)
    (volume / "Gone").symlink_to(tmp_path / "nothing")
    (volume / "Loop").symlink_to(volume / "Loop")
    found = walked(
        {"card": volume},
        layout("tinplate", {"main": "*:Tinplate"}, "saves: *.sav"),
        layout("lantern", {"main": "*:Gone"}, "saves: *.sav"),
        layout("mirror", {"main": "*:Loop"}, "saves: *.sav"),
    )
    assert found.claims == []
    assert told(found) == [("card:Gone", "lantern"), ("card:Loop", "mirror"), ("card:Tinplate", "tinplate")]
    assert "out of the volumes" in gap_at(found, "Tinplate").why
    assert "nowhere" in gap_at(found, "Gone").why


def test_the_sites_of_a_pattern_are_none(tmp_path: Path) -> None:
    assert sites({"card": tmp_path}, layout("chosen-folder", {"main": ()}, "saves: *.sav")) == {}


def test_names_that_are_not_text(tmp_path: Path) -> None:
    odd = os.fsdecode(b"caf\xe9")
    fill(tmp_path, f"{odd}/a.sav", f"{odd}/back\\slash.sav")
    tinplate = layout("tinplate", {"main": "card:caf\\xe9"}, "saves: *.sav")
    device = open_device("lamp", {"card": str(tmp_path)})
    (site,) = locate(device, [tinplate])
    assert site == Site("tinplate", "main", tinplate.homes[0].kind, "card", "caf\\xe9")
    found = walked({"card": tmp_path}, tinplate)
    assert sorted(c.path for c in found.claims) == ["a.sav", "back\\\\slash.sav"]
    for claim in found.claims:
        assert Path(claim.place).read_bytes() == b"data"
