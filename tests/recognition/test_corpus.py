"""What recognition makes of the invented trees of the corpus, against what stands in them by hand."""

from __future__ import annotations

import pytest

from handhold.layouts.recognition.recognise import SURE
from handhold.model import Part

from .trees import Found, Tree, build, files_of, looked_over, read_trees

KEPT = (Part.SAVES, Part.STATES)


def by_set(which: str) -> list[Tree]:
    return [tree for tree in read_trees() if tree.set == which]


def looked(tree: Tree) -> list[Found]:
    return looked_over(build(files_of(tree)))


def test_the_corpus_is_large_enough() -> None:
    assert len(by_set("seen")) >= 20
    assert len(by_set("unseen")) >= 12


@pytest.mark.parametrize("tree", read_trees(), ids=lambda tree: tree.name)
def test_no_save_is_missed_and_no_game_kept(tree: Tree) -> None:
    found = looked(tree)
    missed = [f for f in found if f.expected.part in KEPT and f.part not in KEPT]
    assert not missed
    assert not [f for f in found if f.expected.part is Part.GAMES and f.part in KEPT]


@pytest.mark.parametrize("which", ["seen", "unseen"])
def test_nearly_every_part_is_right(which: str) -> None:
    found = [f for tree in by_set(which) for f in looked(tree)]
    wrong = [f for f in found if f.part is not f.expected.part]
    assert len(wrong) <= len(found) * 0.05, wrong


@pytest.mark.parametrize("which", ["seen", "unseen"])
def test_saves_and_states_are_told_apart(which: str) -> None:
    """A state never stands in for a save."""
    found = [f for tree in by_set(which) for f in looked(tree)]
    assert not [f for f in found if f.expected.part is Part.SAVES and f.part is Part.STATES]
    assert not [f for f in found if f.expected.part is Part.STATES and f.part is Part.SAVES]


def test_each_answer_has_a_reason_and_a_certainty() -> None:
    for tree in read_trees():
        for found in looked(tree):
            assert 0 <= found.looks.confidence <= 100
            if found.part is not None:
                assert found.looks.reasons and all(found.looks.reasons), found
            assert (found.part is None) == (found.looks.part is None or found.looks.confidence < SURE)
