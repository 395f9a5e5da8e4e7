"""Path patterns, against tables, a reference matcher and a slow matcher of our own."""

from __future__ import annotations

import time
import unicodedata
from itertools import pairwise

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from wcmatch import glob

from handhold.documents.mistakes import Wrong
from handhold.layouts.layout import Home, Layout, Rule
from handhold.layouts.pattern import compile_pattern, prepared
from handhold.layouts.syntax import MOST_WAYS
from handhold.model import HomeKind, Part
from handhold.names import written

FITS: list[tuple[str, str, dict[str, str] | None]] = [
    # pattern, path, captures (None: does not fit)
    ("saves/a.sav", "saves/a.sav", {}),
    ("saves/a.sav", "saves/a.sav/b", None),
    ("saves/a.sav", "x/saves/a.sav", None),
    ("SAVES/*.SAV", "saves/lamp.sav", {}),
    ("saves/*", "saves/x/y", None),
    ("*", "x", {}),
    ("*", "x/y", None),
    ("*", ".hidden", {}),
    ("?", "x", {}),
    ("?", "", None),
    ("?", "xy", None),
    ("a?c", "a/c", None),
    ("a*c", "ac", {}),
    ("**", "x", {}),
    ("**", "x/y/z", {}),
    ("saves/**", "saves", None),
    ("saves/**", "saves/x", {}),
    ("saves/**", "saves/x/y", {}),
    ("saves/**", "savesx/y", None),
    ("saves/**/x", "saves/x", {}),
    ("saves/**/x", "saves/a/b/x", {}),
    ("saves/**/x", "savesx", None),
    ("**/x", "x", {}),
    ("**/x", "a/x", {}),
    ("**/x", "ax", None),
    ("**/**/x", "x", {}),
    ("a/**/**", "a/b", {}),
    ("a/**/b/**/c", "a/b/x/b/c", {}),
    ("a/**/b/**/c", "a/x/c", None),
    ("**/a/**/a/**", "a/x", None),
    ("**/a/**/a/**", "a/a/x", {}),
    ("*.{sav,srm}", "x.srm", {}),
    ("*.{sav,srm}", "x.eep", None),
    ("{a,ab}c", "abc", {}),
    ("*{abc,b}*c", "abc", {}),
    ("x{,1,2}.st", "x.st", {}),
    ("{a/b,c}/d", "a/b/d", {}),
    ("{a,{b,c}}", "c", {}),
    ("{*.sav,card/**}", "card/x/y", {}),
    ("[a].sav", "[a].sav", {}),
    ("[a].sav", "a.sav", None),
    ("a,b}".replace("}", "\\}"), "a,b}", {}),
    (r"\*\?\{x\}", "*?{x}", {}),
    (r"\*", "x", None),
    ("(a|b)+.^$", "(a|b)+.^$", {}),
    ("{game}.sav", "Lamp Oil.sav", {"game": "Lamp Oil"}),
    ("{game}.sav", ".sav", None),
    ("{game}.sav", "x/Lamp.sav", None),
    ("saves/{game}/**", "saves/Lamp Oil/a/b", {"game": "Lamp Oil"}),
    ("{game}.st{slot}", "Salt Road.st1", {"game": "Salt Road", "slot": "1"}),
    ("{game}.st{slot}", "A.story.st1", {"game": "A.story", "slot": "1"}),
    ("{game}_{slot}.st", "My_Game_1.st", {"game": "My_Game", "slot": "1"}),
    ("{game}.*", "Quest v1.2.sav", {"game": "Quest v1.2"}),
    ("{game}{1,2}", "x2", {"game": "x"}),
    ("{game}?.st", "x2.st", {"game": "x"}),
    ("{game}/{game}.sav", "Lamp/lamp.sav", {"game": "lamp"}),
    ("{game}/{game}.sav", "Lamp/Oil.sav", None),
    ("**/{game}/x/{game}", "a/b/x/b", {"game": "b"}),
    ("{a}-{a}", "xy-xy", {"a": "xy"}),
    ("{a}-{a}", "x-y-x-y", {"a": "x-y"}),
    ("{{game}.sav,{game}/save.bin}", "Lamp/save.bin", {"game": "Lamp"}),
    ("{{game}.sav,{game}/save.bin}", "Lamp.sav", {"game": "Lamp"}),
    ("{game}.sav", "月のうさぎ.sav", {"game": "月のうさぎ"}),
    ("É*", "éclair", {}),
    # bytes that are not UTF-8, and backslashes, in written form
    ("{game}.sav", r"caf\xe9.sav", {"game": r"caf\xe9"}),
    ("caf?.sav", r"caf\xe9.sav", {}),
    ("*xe9.sav", r"caf\xe9.sav", None),
    (r"a\\b", r"a\\b", {}),
    ("a?b", r"a\\b", {}),
]


@pytest.mark.parametrize(("pattern", "path", "captures"), FITS)
def test_fits(pattern: str, path: str, captures: dict[str, str] | None) -> None:
    assert compile_pattern(pattern).match(path) == captures


def test_composed_and_decomposed_letters_are_the_same() -> None:
    # Source: Unicode Standard Annex 15, table 1 and figure 3: U+00C5 is canonically equal to U+0041 U+030A,
    # and U+1E69 to U+0073 U+0323 U+0307.
    composed, decomposed = "\u00c5\u1e69", "A\u030as\u0323\u0307"
    for pattern in (composed, decomposed):
        for path in (composed, decomposed, decomposed.replace("A", "a")):
            assert compile_pattern(f"{pattern}.sav").match(f"{path}.sav") == {}
    assert compile_pattern("{game}.sav").match(f"{decomposed}.sav") == {"game": composed}


MISTAKES = [
    ("", "empty path"),
    ("/saves", "begins with"),
    ("saves/", "ends with"),
    ("a//b", "empty name"),
    ("../a", ".."),
    ("a/../b", ".."),
    ("./a", '"."'),
    ("{a,..}/b", ".."),
    ("{,a}/b", "begins with"),
    ("a**", "**"),
    ("**a/b", "**"),
    ("***", "**"),
    ("a{", "without"),
    ("a}", "without"),
    ("{a,b", "without"),
    ("{}", "capture"),
    ("{Game}", "capture"),
    ("{ga me}", "capture"),
    ("{1}", "capture"),
    ("{game", "without"),
    ("a\\", "\\"),
    (r"a\/b", "/"),
    ("{game}{slot}", "side by side"),
    ("{game}*", "side by side"),
    ("*{game}", "side by side"),
    ("{a,*}*", "side by side"),
    ("a\nb", "control"),
    ("a\0b", "control"),
    ("x" * 1001, "1001 characters"),
    ("*a" * 9, "too many wildcards"),
    ("{x}/*a*b*c{x}", "too many wildcards"),
    ("**/a/" * 5 + "b", 'too many "**"'),
    ("**/{x}/**/{x}", 'too many "**"'),
    ("/".join("a" * 65), "too many folders"),
    ("{a,b}" * 8, "too many alternatives"),
    ("{" + ",".join("a" * (MOST_WAYS + 1)) + "}", "too many alternatives"),
    ("{a,{a,{a,{a,{a,b}}}}}", "too deep"),
]


@pytest.mark.parametrize(("pattern", "word"), MISTAKES)
def test_mistakes(pattern: str, word: str) -> None:
    with pytest.raises(Wrong) as caught:
        compile_pattern(pattern)
    assert word in caught.value.what
    assert caught.value.expected


@given(st.text(alphabet="ab*?{},/\\.[", max_size=30))
@settings(deadline=None, max_examples=300)
def test_any_text_compiles_or_is_refused(text: str) -> None:
    try:
        pattern = compile_pattern(text)
    except Wrong:
        return
    pattern.match("a/b.a")


# --- against wcmatch, where the syntax agrees: literals, *, ?, **, alternatives. At the end "**" means there
# "the folder itself too"; ours is "everything below", which is "**/*" there.

LETTERS = "abA.é"
names = st.text(alphabet=LETTERS, min_size=1, max_size=5).filter(lambda n: n not in (".", ".."))
paths = st.lists(names, min_size=1, max_size=5).map("/".join)
literals = st.text(alphabet=LETTERS, min_size=1, max_size=2)
choices = st.lists(st.text(alphabet=LETTERS, max_size=2), min_size=2, max_size=3).map(
    lambda c: "{" + ",".join(c) + "}"
)
pieces = st.one_of(literals, st.just("*"), st.just("?"), choices, st.just("{a*b,?}"))


def _apart(parts: list[str]) -> bool:
    """No two wildcards that could stand side by side, which are refused."""
    return not any(a[-1] in "*}" and b[0] in "*{" for a, b in pairwise(parts))


segments = st.lists(pieces, min_size=1, max_size=4).filter(_apart).map("".join)
patterns = st.lists(st.one_of(segments, st.just("**")), min_size=1, max_size=5).map("/".join)


@given(patterns, paths)
@settings(deadline=None, max_examples=1500)
@example("a/**/b/**/a", "a/b/a/b/a")
@example("**", "a")
def test_as_the_reference_has_it(pattern: str, path: str) -> None:
    try:
        ours = compile_pattern(pattern)
    except Wrong:
        assume(False)
    theirs = f"{pattern}/*" if pattern.split("/")[-1] == "**" else pattern
    flags = glob.GLOBSTAR | glob.BRACE | glob.DOTGLOB | glob.IGNORECASE | glob.FORCEUNIX
    assert (ours.match(path) is not None) == glob.globmatch(path, theirs, flags=flags)


# --- against a slow matcher that tries everything


def _tries_everything(tokens: list[str], text: str, held: dict[str, str]) -> list[dict[str, str]]:
    """Every way in which literals, "*" and "{name}" can fit one name."""
    if not tokens:
        return [held] if not text else []
    first, rest = tokens[0], tokens[1:]
    if first == "*":
        return [way for n in range(len(text) + 1) for way in _tries_everything(rest, text[n:], held)]
    if first.startswith("{"):
        name = first[1:-1]
        return [
            way
            for n in range(1, len(text) + 1)
            if held.get(name, text[:n]) == text[:n]
            for way in _tries_everything(rest, text[n:], {**held, name: text[:n]})
        ]
    return _tries_everything(rest, text[len(first) :], held) if text.startswith(first) else []


tokens_of_a_name = st.lists(
    st.one_of(st.sampled_from(["a", "b", "ab", "_"]), st.sampled_from(["*", "{x}", "{y}"])),
    min_size=1,
    max_size=6,
).filter(lambda t: not any(a[0] in "*{" and b[0] in "*{" for a, b in pairwise(t)))


@given(tokens_of_a_name, st.text(alphabet="ab_", min_size=1, max_size=10))
@settings(deadline=None, max_examples=800)
@example(["{x}", "_", "{y}", "_", "{x}"], "a_b_a_b_a")
def test_captures_are_one_of_all_ways(tokens: list[str], name: str) -> None:
    try:
        pattern = compile_pattern("".join(tokens))
    except Wrong:
        assume(False)
    ways = _tries_everything(tokens, name, {})
    found = pattern.match(name)
    assert (found is not None) == bool(ways)
    if found is not None:
        assert found in ways
        if tokens[0] == "{x}" and tokens.count("{x}") == 1:
            assert len(found["x"]) == max(len(way["x"]) for way in ways)


@given(st.text(min_size=1, max_size=8).filter(lambda t: "/" not in t and "\0" not in t and t.isprintable()))
@settings(deadline=None)
def test_every_name_fits_itself_in_any_case(name: str) -> None:
    assume(len(name.upper()) == len(name.lower()) == len(name) and name not in (".", ".."))
    pattern = compile_pattern("".join("\\" + c for c in unicodedata.normalize("NFC", name)))
    assert pattern.match(written(name)) == {}
    if name.isascii():
        assert pattern.match(written(name.upper())) == {} == pattern.match(written(name.swapcase()))


@pytest.mark.parametrize(
    ("pattern", "path"),
    [
        ("*a*a*a*a*a*a*a*b", "a" * 255),
        ("**/*a*a*a*a*a*b/**/*a*a*b/**/*a*b", "/".join(["a" * 250] * 16)),
        ("**/a/**/a/**/a/**/b", "a/" * 2000 + "c"),
        ("**/{x}a*b/{x}", "/".join(["a" * 250] * 16)),
        ("**/{x}/{x}", "a/" * 2000 + "b"),
        ("**/{a,aa}{a,aa}{a,aa}{a,aa}{a,aa}{a,aa}b", "a" * 255),
    ],
)
def test_no_pattern_runs_away(pattern: str, path: str) -> None:
    compiled = compile_pattern(pattern)
    compiled.match("warm")
    start = time.process_time()
    assert compiled.match(path) is None
    assert time.process_time() - start < 1


@given(patterns, paths)
@settings(deadline=None, max_examples=800)
def test_a_folder_never_rules_out_a_file_that_fits(pattern: str, path: str) -> None:
    try:
        compiled = compile_pattern(pattern)
    except Wrong:
        assume(False)
    folder = path.rpartition("/")[0]
    if compiled.match(path) is not None:
        assert compiled.reaches(prepared(folder)[0] if folder else "")


named_pieces = st.one_of(pieces, st.sampled_from(["{game}", "{slot}", "{game}", "{a{game},{slot}b}"]))
named_segments = st.lists(named_pieces, min_size=1, max_size=4).filter(_apart).map("".join)
named_patterns = st.lists(st.one_of(named_segments, st.just("**")), min_size=1, max_size=4).map("/".join)


@given(named_patterns, paths)
@settings(deadline=None, max_examples=1500)
def test_what_is_left_of_a_pattern_in_a_folder_finds_the_same(pattern: str, path: str) -> None:
    try:
        compiled = compile_pattern(pattern)
    except Wrong:
        assume(False)
    folder = path.rpartition("/")[0]
    whole = compiled.match(path)
    narrowed = compiled.narrowed(prepared(folder)[0] if folder else "")
    found = narrowed.expression.match(prepared(path)[0]) if narrowed is not None else None
    assert (found is None) is (whole is None)
    if whole is not None and narrowed is not None and found is not None:
        assert narrowed.game(found) == whole.get("game")


@pytest.mark.parametrize(
    ("pattern", "path", "game"),
    [
        ("{game}/saves/{slot}.sav", "Mole/saves/1.sav", "Mole"),
        ("saves/{game}.{sav,srm}", "Saves/Mole Hollow.SRM", "Mole Hollow"),
        ("{saves,old saves}/**/{game}_{slot}.st", "old saves/x/My_Game_1.st", "My_Game"),
        ("saves/**", "saves/a/b", None),
        ("{a*,*b}/{game}-{slot}{.x,}", "ab/Mole-1.x", "Mole"),
    ],
)
def test_the_game_in_a_folder(pattern: str, path: str, game: str | None) -> None:
    narrowed = compile_pattern(pattern).narrowed(prepared(path.rpartition("/")[0])[0])
    assert narrowed is not None
    found = narrowed.expression.match(prepared(path)[0])
    assert found is not None
    assert narrowed.game(found) == game


@pytest.mark.parametrize(
    ("pattern", "folder", "reached"),
    [
        ("saves/*", "", False),
        ("saves/*", "saves", True),
        ("saves/*", "saves/x", False),
        ("saves/**", "", False),
        ("saves/**", "Saves", True),
        ("saves/**", "saves/x/y", True),
        ("saves/**", "states/x", False),
        ("**/*.sav", "", True),
        ("**/*.sav", "x/y", True),
        ("*.sav", "", True),
        ("*.sav", "x", False),
        ("**", "x", True),
        ("a/**/b/x", "a/b", True),
        ("a/**/b/x", "a/c", False),
        ("{a,b}/*", "c", False),
        ("{game}/**/{game}.sav", "x", True),
    ],
)
def test_what_a_folder_rules_out(pattern: str, folder: str, reached: bool) -> None:
    assert compile_pattern(pattern).reaches(prepared(folder)[0] if folder else "") is reached


@given(st.lists(named_patterns, min_size=1, max_size=4), st.lists(paths, min_size=1, max_size=4))
@settings(deadline=None, max_examples=600)
def test_a_layout_says_of_a_file_what_its_first_fitting_pattern_says(
    some: list[str], files: list[str]
) -> None:
    """Also where the files of several folders are asked about by turns."""
    try:
        compiled = [compile_pattern(pattern) for pattern in some]
    except Wrong:
        assume(False)
    parts = (Part.SAVES, Part.STATES, None, Part.SETTINGS)
    rules = tuple(Rule(part, pattern) for part, pattern in zip(parts, compiled, strict=False))
    home = Home("main", HomeKind.FOLDER)
    layout = Layout("tinplate", "Tinplate", (), (home,), rules, (), (), {})
    for path in files * 2:
        fitting = [(rule, found) for rule in rules if (found := rule.pattern.match(path)) is not None]
        verdict = layout.verdict("main", path)
        assert (verdict is None) == (not fitting)
        if verdict is not None:
            assert (verdict.part, verdict.game) == (fitting[0][0].part, fitting[0][1].get("game"))
