"""Layouts on top of patterns: order of rules, homes by name, circles, ids."""

from __future__ import annotations

from pathlib import Path

import pytest

from handhold.documents.mistakes import Mistakes
from handhold.layouts.catalogue import Catalogue, read_catalogue, read_sound
from handhold.layouts.layout import Home, Place, Verdict
from handhold.model import HomeKind, Part

GROUND = """\
layout: 1
id: ground
title: The ground
homes:
  - {name: main, kind: folder}
  - {name: beside, kind: games}
keep:
  - {part: saves, path: "saves/**"}
  - {part: controls, path: "config/pads/**", carry: true}
  - {part: settings, path: "config/**"}
  - {part: saves, path: "**/{game}.sav", home: beside}
skip:
  - {path: "saves/log.txt", why: ground}
carry: {states: false, cheats: false}
by_hand: {before: [Ground before.], after: [Ground after.]}
"""


def catalogue(folder: Path, **files: str) -> Catalogue:
    for name, text in files.items():
        (folder / f"{name}.yaml").write_text(text)
    return read_catalogue([folder])


def wrong(folder: Path, **files: str) -> list[str]:
    with pytest.raises(Mistakes) as caught:
        catalogue(folder, **files)
    return [str(mistake).removeprefix(f"{folder}/") for mistake in caught.value.mistakes]


def test_what_stands_nearer_wins(tmp_path: Path) -> None:
    known = catalogue(
        tmp_path,
        ground=GROUND,
        middle="""\
layout: 1
id: middle
title: The middle
like: ground
keep: [{part: states, path: "saves/*.st"}]
skip: [{path: "saves/log.*", why: middle}]
carry: {states: true}
by_hand: {after: [Middle after.]}
""",
        top="""\
layout: 1
id: top
title: The top
like: middle
homes:
  - {name: main, at: ["card:Top/", "*:Emulation/Top", "card:Top"]}
  - {name: more, kind: export, at: "internal:"}
keep: [{part: cheats, path: "saves/log.t*"}, {part: library, path: "saves/*.st?"}]
""",
    )
    assert set(known.layouts) == {"top"}
    assert {"ground", "middle"} <= set(known.patterns)
    top = known.layouts["top"]
    assert top.like == ("middle", "ground")
    assert top.homes == (
        Home("main", HomeKind.FOLDER, (Place("card", "Top"), Place("*", "Emulation/Top"))),
        Home("more", HomeKind.EXPORT, (Place("internal", ""),)),
        Home("beside", HomeKind.GAMES, ()),
    )
    assert [(r.part, r.pattern.text) for r in top.rules] == [
        (Part.CHEATS, "saves/log.t*"),
        (Part.LIBRARY, "saves/*.st?"),
        (None, "saves/log.*"),
        (Part.STATES, "saves/*.st"),
        (None, "saves/log.txt"),
        (Part.SAVES, "saves/**"),
        (Part.CONTROLS, "config/pads/**"),
        (Part.SETTINGS, "config/**"),
        (Part.SAVES, "**/{game}.sav"),
    ]
    assert (top.before, top.after) == (("Ground before.",), ("Middle after.",))
    assert top.carries(Part.STATES) and not top.carries(Part.CHEATS)
    assert top.carries(Part.SAVES) and not top.carries(Part.CONTROLS)
    assert top.verdict("main", "Saves/LOG.txt") == Verdict(Part.CHEATS, None, "", None)
    assert top.verdict("main", "saves/log.md") == Verdict(None, None, "middle", None)
    assert top.verdict("main", "config/pads/1") == Verdict(Part.CONTROLS, None, "", True)
    assert top.verdict("main", "a/Lamp.sav") is None
    assert top.verdict("beside", "a/Lamp.sav") == Verdict(Part.SAVES, "Lamp", "", None)
    assert top.verdict("main", "elsewhere") is None
    assert top.verdict("nowhere", "saves/x") is None
    assert known.patterns["middle"].verdict("main", "saves/log.txt") == Verdict(None, None, "middle", None)


def test_own_skip_goes_before_own_keep(tmp_path: Path) -> None:
    known = catalogue(
        tmp_path,
        one='layout: 1\nid: one\ntitle: One\nhomes: [{name: m, kind: folder, at: ["*:x"]}]\n'
        'keep: [{part: saves, path: "**"}]\nskip: [{path: "*.tmp"}]\n',
    )
    verdict = known.layouts["one"].verdict("m", "a.tmp")
    assert verdict is not None and verdict.part is None


def like(name: str, below: str) -> str:
    return f"layout: 1\nid: {name}\ntitle: {name}\nlike: {below}\n"


def test_like_that_leads_nowhere(tmp_path: Path) -> None:
    found = wrong(
        tmp_path,
        a=like("a", "b"),
        b=like("b", "c"),
        c=like("c", "b"),
        d=like("d", "d"),
        e=like("e", "chosen-foldr"),
        f=like("f", "e"),
        g=like("g", "zzzzzzzz"),
    )
    assert found == [
        'b.yaml:4:7: "like" goes round in a circle (b -> c -> b), expected an end to it',
        'c.yaml:4:7: "like" goes round in a circle (c -> b -> c), expected an end to it',
        'd.yaml:4:7: "like" goes round in a circle (d -> d), expected an end to it',
        'e.yaml:4:7: unknown "like": "chosen-foldr", expected the id of a pattern (chosen-folder?)',
        'g.yaml:4:7: unknown "like": "zzzzzzzz", expected the id of a pattern',
    ]


def test_like_too_deep(tmp_path: Path) -> None:
    chain = {f"l{n}": like(f"l{n}", f"l{n + 1}") for n in range(9)}
    found = wrong(tmp_path, **chain, l9=GROUND.replace("id: ground", "id: l9"))
    assert [line.split(":")[0] for line in found] == ["l0.yaml", "l1.yaml"]


def test_a_mistake_below_is_told_once(tmp_path: Path) -> None:
    found = wrong(tmp_path, a=like("a", "ground"), b=GROUND.replace("part: saves", "part: savs", 1))
    assert [line.split(",")[0] for line in found] == ['b.yaml:8:12: the part "savs"']


def test_an_id_twice(tmp_path: Path) -> None:
    found = wrong(tmp_path, a=GROUND, b=GROUND, c=GROUND.replace("id: ground", "id: chosen-folder"))
    assert [line.split(",")[0] for line in found] == [
        'b.yaml:2:5: the id "ground"',
        'c.yaml:2:5: the id "chosen-folder"',
    ]


def test_homes(tmp_path: Path) -> None:
    head = "layout: 1\nid: {0}\ntitle: {0}\n"
    found = wrong(
        tmp_path,
        a=head.format("a") + "homes: []\n",
        b=head.format("b") + 'homes: [{name: m, at: "*:x"}]\n',
        c=head.format("c") + 'homes: [{name: m, kind: folder}]\nkeep: [{part: saves, path: "a", home: n}]\n',
        d=head.format("d") + 'like: chosen-folder\nhomes: [{name: mian, at: ["*:x"]}]\n',
    )
    assert found == [
        "a.yaml:4:8: a layout without any home, expected at least one",
        'b.yaml:4:9: no "kind" for the home "m", expected one of folder, games, private, export',
        'c.yaml:5:39: a rule for the home "n", which the layout does not have, expected one of m',
        (
            'd.yaml:5:9: no "kind" for the home "mian", expected one of folder, games, private, export, '
            "or a home of the pattern (main)"
        ),
    ]


def test_the_same_folder_twice_is_read_once(tmp_path: Path) -> None:
    (tmp_path / "ground.yaml").write_text(GROUND)
    other = tmp_path / "other"
    other.symlink_to(tmp_path)
    assert "ground" in read_catalogue([tmp_path, tmp_path, other]).patterns


@pytest.mark.parametrize(
    "files",
    [
        {},
        {"own": "layout: 1\nid: own\ntitle: Own\nlike: front-end\nhomes: [{name: main, at: '*:Own'}]\n"},
        {"own": "layout: 1\nid: own\ntitle: Own\nlike: frnt-end\nhomes: [{name: main, at: '*:Own'}]\n"},
        {"front-end": "layout: 1\nid: front-end\ntitle: Own\nhomes: [{name: a, kind: games, at: '*:A'}]\n"},
        {
            "ground": GROUND,
            "own": "layout: 1\nid: own\ntitle: Own\nlike: two\n",
            "two": "layout: 1\nid: two\ntitle: Two\nlike: id-tree\n",
            "broken": "layout: 1\nid: [",
        },
    ],
)
def test_without_the_patterns_that_nobody_names_all_else_is_the_same(
    tmp_path: Path, files: dict[str, str]
) -> None:
    for name, text in files.items():
        (tmp_path / f"{name}.yaml").write_text(text)
    whole, quick = read_sound([tmp_path], patterns=True), read_sound([tmp_path])
    assert quick.catalogue.layouts == whole.catalogue.layouts
    assert [one.source for one in quick.catalogue.layouts.values()] == [
        one.source for one in whole.catalogue.layouts.values()
    ]
    assert str(quick.mistakes) == str(whole.mistakes)
    assert quick.missing == whole.missing
    assert quick.catalogue.patterns.items() <= whole.catalogue.patterns.items()
    assert whole.catalogue.patterns.keys() > quick.catalogue.patterns.keys() or "frnt" in str(whole.mistakes)


def test_a_pattern_that_says_where_it_lies_is_a_layout(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody who writes it into the file that came along is heard as well."""
    (tmp_path / "ground.yaml").write_text(GROUND.replace("kind: folder}", "kind: folder, at: '*:Ground'}"))
    monkeypatch.setattr("handhold.layouts.catalogue.patterns_folder", lambda: tmp_path)
    assert "ground" in read_sound([]).catalogue.layouts
