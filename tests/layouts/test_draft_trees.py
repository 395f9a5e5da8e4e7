"""Drafts from whole trees: the example's emulators, each from scratch, and the corpus of recognition."""

from __future__ import annotations

import os
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

from handhold.cli.main import run
from handhold.demo.build import Built, build
from handhold.device.glance import glance
from handhold.layouts.catalogue import Catalogue, read_catalogue
from handhold.layouts.draft.draft import Wanted, draft
from handhold.layouts.draft.likeness import Evidence
from handhold.layouts.draft.sighting import KEPT, Sighting, wanted
from handhold.layouts.recognition.recognise import role
from handhold.model import HomeKind
from handhold.resources import examples_folder
from tests.recognition.trees import Tree, files_of, looked_over, read_trees
from tests.recognition.trees import build as build_tree

EMULATORS = sorted(file.stem for file in (examples_folder() / "layouts").glob("*.yaml"))
#: Snailhouse's old place inside app-private storage is gone, so nothing tells that it was moved out.
_ALIKE = {"snailhouse": "chosen-folder"}


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return read_catalogue([examples_folder() / "layouts"])


@pytest.fixture(scope="module")
def built() -> Iterator[Built]:
    with tempfile.TemporaryDirectory() as folder:
        yield build(os.path.join(folder, "devices"))


@pytest.mark.parametrize("emulator", EMULATORS)
def test_an_emulator_of_the_example(
    emulator: str, built: Built, catalogue: Catalogue, tmp_path: Path
) -> None:
    """By the command, from nothing: at least what the layout by hand keeps of saves and states."""
    tree = next(t for t in built.scenario.trees if t.emulator == emulator and t.device == built.device.name)
    volume, _, path = tree.at.partition(":")
    root = os.path.realpath(built.device.volumes[volume])
    own = tmp_path / "layouts"
    own.mkdir()
    config = tmp_path / "config.yaml"
    config.write_text("config: 1\n")
    typed = ["--config", str(config), "--layouts", str(own)]
    for name, place in built.device.volumes.items():
        typed += ["--volume", f"{name}={place}"]
    assert run([*typed, "layout", "draft", os.path.join(root, path), "--write"]) == 0
    assert run([*typed, "layout", "check"]) == 0
    (drafted,) = read_catalogue([own]).layouts.values()
    hand = catalogue.layouts[emulator]
    assert drafted.like[0] == _ALIKE.get(emulator, hand.like[0])
    (home,) = (home for home in drafted.homes if home.at)
    by_hand = next(h for h in hand.homes if h.kind is home.kind or h.kind is not HomeKind.PRIVATE)
    seen = glance(root, path.split("/")).sightings
    kept = 0
    for sighting in seen:
        theirs = hand.verdict(by_hand.name, sighting.path)
        if theirs is not None and theirs.part in KEPT:
            ours = drafted.verdict(home.name, sighting.path)
            assert ours is not None
            assert (ours.part, ours.game) == (theirs.part, theirs.game), sighting.path
            kept += 1
    assert kept or emulator == "mantelpiece"


@pytest.mark.parametrize("tree", read_trees(), ids=lambda tree: tree.name)
def test_a_tree_of_the_corpus(tree: Tree, catalogue: Catalogue) -> None:
    """Each folder that plays an emulator's role is drafted, and the whole tree as one."""
    found = [
        Sighting(f.expected.path, f.expected.size, f.looks) for f in looked_over(build_tree(files_of(tree)))
    ]
    groups: dict[str, list[Sighting]] = defaultdict(list)
    for sighting in found:
        groups[""].append(sighting)
        place = role(sighting.path.rpartition("/")[0])
        if place:
            groups[place].append(sighting._replace(path=sighting.path[len(place) + 1 :]))
    for place, sightings in groups.items():
        if any(wanted(one.looks) for one in sightings):
            proposal = draft(
                sightings,
                catalogue.patterns,
                Evidence(),
                Wanted("from-corpus", "x", place, (f"card:{place}",)),
            )
            assert proposal.missed == (), place
            taken = [
                s.path
                for s in sightings
                if wanted(s.looks) is not None
                and wanted(s.looks) not in KEPT
                and (v := proposal.layout.verdict(proposal.like.home, s.path)) is not None
                and v.part in KEPT
            ]
            recognised = sum(wanted(s.looks) is not None for s in sightings)
            assert len(taken) * 20 <= recognised, (place, taken)
