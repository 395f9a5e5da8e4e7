"""Any tree of odd names: the draft passes its check and loses no recognised save."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.layouts.draft.yamltext import quoted, remark
from handhold.model import Part
from handhold.names import written
from tests.layouts.sightings import drafted, seen

#: What means something to YAML or to a pattern, has two cases, is no text, or plays tricks on a terminal.
_SIGNS = list("{}*?,[]\\\"'#: .-_&!%@`|>~\n\t\r\x07\x85\u2028\u202eé\u0301ſK İß\udce9\udcffaAbS12")
_ODD = st.one_of(
    st.text(st.sampled_from(_SIGNS), min_size=1, max_size=10),
    st.text(st.characters(exclude_characters="/\0", exclude_categories=["Cs"]), min_size=1, max_size=10),
    st.sampled_from(["saves", "states", "cache", "Save 1", "Lamplighter", "0000000000000001", "user", "1",
                     "a.sav", "a.st1", "a (2).st", "**", "{game}", "{a,b}", "~", "null", "- a", "x" * 250]),
)  # fmt: skip
NAMES = _ODD.filter(lambda name: name not in (".", "..")).map(written)
PATHS = st.lists(NAMES, min_size=1, max_size=5).map("/".join)
PARTS = st.sampled_from([*Part, None, Part.SAVES, Part.STATES, Part.SAVES])


@st.composite
def trees(draw: st.DrawFn) -> list[Any]:
    found = {}
    for path in draw(st.lists(PATHS, min_size=1, max_size=12)):
        name = path.rpartition("/")[2]
        cut = draw(st.integers(0, len(name)))
        game = draw(st.sampled_from([None, name, name[:cut] or None, path.partition("/")[0]]))
        found[path] = seen(path, draw(PARTS), game, draw(st.sampled_from([0, 40, 60, 99])))
    return list(found.values())


@given(trees())
@settings(deadline=None, max_examples=150)
def test_no_recognised_save_is_lost(files: list[Any]) -> None:
    proposal = drafted(*files)  # reads its own text as any layout is read, or raises
    for file in files:
        if file.looks.part in (Part.SAVES, Part.STATES) and file.looks.confidence >= 60:
            verdict = proposal.layout.verdict(proposal.like.home, file.path)
            assert verdict is not None and verdict.part is not None and verdict.part.kept, file.path


@given(st.lists(st.tuples(NAMES, NAMES), min_size=1, max_size=20, unique_by=lambda pair: pair[1].casefold()))
@settings(deadline=None, max_examples=100)
def test_saves_in_one_folder_are_claimed_as_saves(names: list[tuple[str, str]]) -> None:
    proposal = drafted(*(seen(f"odd/{stem}{name}", Part.SAVES, stem) for stem, name in names))
    assert proposal.missed == ()


@given(st.text())
@settings(deadline=None)
def test_quoted_text_comes_back(text: str) -> None:
    import yaml

    assert yaml.safe_load(quoted(text)) == text


@given(st.text())
def test_a_remark_is_one_line_of_harmless_text(text: str) -> None:
    import yaml

    line = f"# {remark(text)}"
    assert len(line.splitlines()) == 1
    assert yaml.safe_load(f"{line}\nend: 1\n") == {"end": 1}


def test_a_path_too_long_for_a_pattern() -> None:
    deep = "/".join(["folder " + "y" * 200] * 15)
    proposal = drafted(seen(f"{deep}/a.xx", Part.SAVES), seen("/".join(["d"] * 80) + "/b.yy", Part.STATES))
    assert proposal.missed == ()


@pytest.mark.parametrize("files", [3000])
def test_thousands_of_folders_without_anything_in_common(files: int) -> None:
    sightings = [
        seen(f"{n * 7919 % 65537:x}q/{n * 104729 % 65537:x}z.{'qx' if n % 2 else 'qy'}",
             Part.SAVES if n % 2 else Part.STATES)
        for n in range(files)
    ]  # fmt: skip
    proposal = drafted(*sightings)
    assert proposal.missed == ()
    assert len(proposal.keep) < 300
