"""The model of disks itself: for small recordings every state is counted by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.disk import (
    SECTOR,
    Disk,
    Flush,
    FlushAll,
    Link,
    Make,
    Operation,
    Recording,
    Remove,
    Rename,
    Resize,
    Tally,
    Tree,
    Write,
    states,
)

START: Tree = {"card": None}


def ends(*operations: Operation, before: Tree = START, ordered: bool = False) -> list[Tree]:
    """What can stand there after the last operation: all of it."""
    disk = Disk(Recording(before, {}, operations), ordered)
    for one in operations:
        disk.do(one)
    tally = Tally()
    trees: list[Tree] = []
    for state in disk.cut(1 << 16, "", tally):
        if state.tree not in trees:
            trees.append(state.tree)
    assert tally.wholly == 1
    return trees


def files(trees: list[Tree]) -> list[dict[str, bytes]]:
    """Only the files of each tree, without the volume's name."""
    return [
        {path.removeprefix("card/"): content for path, content in tree.items() if content is not None}
        for tree in trees
    ]


def test_a_name_that_was_not_flushed_is_there_or_not() -> None:
    assert files(ends(Make("card/a"))) == [{}, {"a": b""}]


def test_a_flushed_folder_keeps_its_names_and_not_their_content() -> None:
    found = files(ends(Make("card/a"), Write("card/a", 0, b"x"), Flush("card")))
    assert {"a": b"x"} in found and {"a": b""} in found and {} not in found


def test_a_flushed_file_keeps_its_content_and_not_its_name() -> None:
    assert files(ends(Make("card/a"), Write("card/a", 0, b"x"), Flush("card/a"))) == [{}, {"a": b"x"}]


def test_sectors_get_there_in_any_combination() -> None:
    old = {"card": None, "card/a": b"o" * SECTOR * 2}
    found = files(ends(Write("card/a", 0, b"n" * SECTOR * 2), before=old))
    o, n = b"o" * SECTOR, b"n" * SECTOR
    assert sorted(one["a"] for one in found) == sorted([o + o, n + o, o + n, n + n])


def test_a_file_that_grows_ends_at_any_sector() -> None:
    found = files(ends(Write("card/a", 0, b"n" * 1000), before={"card": None, "card/a": b""}))
    assert {len(one["a"]) for one in found} == {0, SECTOR, 1000}
    # A sector that did not get there holds anything, but not what was written.
    assert any(one["a"][:SECTOR] != b"n" * SECTOR and one["a"][SECTOR:] == b"n" * 488 for one in found)


def test_a_file_that_is_cut_is_as_before_or_cut() -> None:
    old = {"card": None, "card/a": b"o" * 10}
    assert {one["a"] for one in files(ends(Resize("card/a", 3), before=old))} == {b"o" * 10, b"ooo"}


def test_a_rename_is_one_step_with_a_journal_and_several_without() -> None:
    old: Tree = {"card": None, "card/new.part": b"new", "card/a": b"old"}
    rename = Rename("card/new.part", "card/a")
    before, after = {"new.part": b"new", "a": b"old"}, {"a": b"new"}
    assert files(ends(rename, before=old, ordered=True)) == [before, after]
    without = files(ends(rename, before=old))
    assert len(without) == 6
    for one in (before, after, {**before, "a": b"new"}, {"a": b"old"}, {"new.part": b"new"}, {}):
        assert one in without


def test_flushing_one_of_two_folders_of_a_rename() -> None:
    old: Tree = {"card": None, "card/x": None, "card/y": None, "card/x/a": b"1"}
    found = files(ends(Rename("card/x/a", "card/y/a"), Flush("card/y"), before=old))
    assert found == [{"x/a": b"1", "y/a": b"1"}, {"y/a": b"1"}]
    found = files(ends(Rename("card/x/a", "card/y/a"), Flush("card/x"), before=old))
    assert found == [{}, {"y/a": b"1"}]
    assert files(ends(Rename("card/x/a", "card/y/a"), Flush("card/y"), before=old, ordered=True)) == [
        {"y/a": b"1"}
    ]


def test_without_a_journal_names_get_there_in_any_order() -> None:
    made = Make("card/a"), Make("card/b")
    assert len(ends(*made)) == 4
    assert files(ends(*made, ordered=True)) == [{}, {"a": b""}, {"a": b"", "b": b""}]


def test_what_lies_in_a_folder_that_did_not_get_there_did_not_either() -> None:
    trees = ends(Make("card/f", folder=True), Make("card/f/a"), Flush("card/f"))
    assert [sorted(tree) for tree in trees] == [["card"], ["card", "card/f", "card/f/a"]]


def test_a_removal_and_a_second_name() -> None:
    old: Tree = {"card": None, "card/a": b"1"}
    assert files(ends(Remove("card/a"), before=old)) == [{"a": b"1"}, {}]
    assert files(ends(Link("card/a", "card/b"), before=old)) == [{"a": b"1"}, {"a": b"1", "b": b"1"}]


def test_flushing_a_whole_volume_leaves_the_other_alone() -> None:
    old: Tree = {"card": None, "disk": None}
    trees = ends(Make("card/a"), Write("card/a", 0, b"x"), Make("disk/b"), FlushAll("card/a"), before=old)
    assert [sorted(tree) for tree in trees] == [
        ["card", "card/a", "disk"],
        ["card", "card/a", "disk", "disk/b"],
    ]
    assert all(tree["card/a"] == b"x" for tree in trees)


def test_more_than_is_asked_for_is_drawn_with_the_extremes_and_told() -> None:
    recording = Recording(
        {"card": None, "card/a": bytes(SECTOR * 20)}, {}, (Write("card/a", 0, b"x" * SECTOR * 20),)
    )
    tally = Tally()
    found = [state.tree["card/a"] for state in states(recording, most=50, ordered=[True], tally=tally)]
    assert bytes(SECTOR * 20) in found and b"x" * SECTOR * 20 in found
    assert 40 < len(found) == len(set(found)) == tally.states <= 51
    assert (tally.cuts, tally.wholly, tally.drawn) == (2, 1, 1)
    assert found == [s.tree["card/a"] for s in states(recording, most=50, ordered=[True])]  # from its seed


def test_a_state_is_laid_out_as_real_folders(tmp_path: Path) -> None:
    recording = Recording({"card": None, "card/f": None, "card/f/a": b"1"}, {"card/f/a": 5 * 10**9}, ())
    (state,) = states(recording, ordered=[True])
    state.lay_out(tmp_path)
    assert (tmp_path / "card/f/a").read_bytes() == b"1"
    assert (tmp_path / "card/f/a").stat().st_mtime == 5


def test_a_folder_that_is_renamed_is_refused() -> None:
    with pytest.raises(NotImplementedError):
        list(states(Recording({"card": None, "card/f": None}, {}, (Rename("card/f", "card/g"),))))
