"""What must hold for any device: other names for the same folders and other people's files lose no save."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.model import Part

from .trees import Branch, Expected, Is, Line, Tree, build, files_of, looked_over, read_trees

KEPT = (Part.SAVES, Part.STATES)

#: By hand: what people and programs call these folders. Common practice, no source.
SAVES = (
    *(
        "save",
        "saves",
        "Saved Games",
        "savedata",
        "save_files",
        "save-games",
        "SRAM",
        "battery",
        "game saves",
    ),
    *("Spielstände", "spielstand", "Speicherstände", "Sauvegardes", "sauvegarde", "Partidas guardadas"),
    *("partidas", "Salvataggi", "salvamentos", "jogos salvos", "セーブ", "セーブデータ"),
)
STATES = (
    *(
        "state",
        "states",
        "Save States",
        "savestates",
        "save_states",
        "saved states",
        "quick saves",
        "quicksave",
    ),
    *("Schnellspeicher", "Speicherzustände", "États", "États sauvegardés", "Estados", "estados guardados"),
    *("Stati", "stati salvati", "estados salvos", "ステート", "ステートセーブ"),
)
CARDS = (
    *("memcards", "Memory Cards", "memory card", "MemCard", "mem_cards", "Speicherkarten", "cartes mémoire"),
    *("tarjetas de memoria", "schede di memoria", "cartoes de memoria", "メモリーカード"),
)
NAMES = {name.casefold(): group for group in (SAVES, STATES, CARDS) for name in group}
#: How a name can be varied and stay the same word.
STYLES: tuple[Callable[[str], str], ...] = (str, str.upper, str.lower, "{} 2".format, "_{}".format)
TREES = read_trees()


@st.composite
def renamings(draw: st.DrawFn) -> tuple[Tree, dict[str, str]]:
    """A tree, and another name for each of its folders that has one of the usual names."""
    tree = draw(st.sampled_from(TREES))
    folders = sorted({name for file in files_of(tree) for name in file.path.split("/")[:-1]})
    renamed = {
        name: draw(st.sampled_from(STYLES))(draw(st.sampled_from(NAMES[name.casefold()])))
        for name in folders
        if name.casefold() in NAMES
    }
    return tree, renamed


@given(renamings())
@settings(deadline=None, max_examples=150)
def test_another_name_for_a_folder_loses_no_save(drawn: tuple[Tree, dict[str, str]]) -> None:
    tree, renamed = drawn
    found = looked_over(_renamed(build(files_of(tree)), renamed))
    assert not [f for f in found if f.expected.part in KEPT and f.part not in KEPT], renamed


def _renamed(branch: Branch, names: dict[str, str]) -> Branch:
    result = Branch(dict(branch.files))
    for name, inner in branch.folders.items():
        _merge(result.folders.setdefault(names.get(name, name), Branch()), _renamed(inner, names))
    return result


def _merge(into: Branch, other: Branch) -> None:
    into.files |= other.files
    for name, inner in other.folders.items():
        _merge(into.folders.setdefault(name, Branch()), inner)


#: Files of other programs: what they hold, and their endings.
NOISE = (
    (Is.PHOTO, ".jpg", 3_000_000),
    (Is.MUSIC, ".mp3", 4_000_000),
    (Is.FILM, ".mp4", 90_000_000),
    (Is.PAGES, ".pdf", 80_000),
    (Is.PROGRAM, ".so", 40_000),
    (Is.DATABASE, ".db", 32_768),
    (Is.TEXT, ".txt", 20),
    (Is.TEXT, ".json", 20),
    (Is.NOISE, ".dat", 8_192),
    (Is.NOISE, ".bin", 65_536),
    (Is.NOISE, "", 4_096),
    (Is.ZIP, ".zip", 90_000),
    (Is.EMPTY, ".nomedia", 0),
)
FOLDERS = ("Music", "Photos", "cache", "data", "Documents", "temp", "Pictures", "a", "Downloads")


@st.composite
def noisy(draw: st.DrawFn) -> Branch:
    """A tree with files and folders of other programs anywhere in it."""
    top = build(files_of(draw(st.sampled_from(TREES))))
    branches = [top]
    for branch in branches:
        branches += branch.folders.values()
    for number in range(draw(st.integers(1, 12))):
        what, ending, size = draw(st.sampled_from(NOISE))
        branch = draw(st.sampled_from(branches))
        if draw(st.booleans()):
            branch = branch.folders.setdefault(draw(st.sampled_from(FOLDERS)), Branch())
        name = f"{draw(st.sampled_from(['other', 'thing', 'IMG', 'notes', 'list']))} {number}{ending}"
        line = Line(path=name, is_=what, part="none", size=size, text="nothing of note\n")
        branch.files[name] = Expected(name, line, None, size)
    return top


@given(noisy())
@settings(deadline=None, max_examples=150)
def test_files_of_other_programs_lose_no_save(top: Branch) -> None:
    assert not [f for f in looked_over(top) if f.expected.part in KEPT and f.part not in KEPT]


@given(st.sampled_from(TREES), st.randoms(use_true_random=False))
@settings(deadline=None, max_examples=60)
def test_the_order_of_files_says_nothing(tree: Tree, random: Random) -> None:
    files = list(files_of(tree))
    shuffled = list(files)
    random.shuffle(shuffled)
    once = {f.expected.path: f.looks for f in looked_over(build(iter(files)))}
    assert {f.expected.path: f.looks for f in looked_over(build(iter(shuffled)))} == once


@given(st.sampled_from(TREES))
@settings(deadline=None, max_examples=60)
def test_a_head_that_cannot_be_read_loses_nothing_that_has_a_place(tree: Tree) -> None:
    """Where the folder is named for saves, no content is needed to keep what is in it."""
    files = [
        file for file in files_of(tree) if file.path.lower().split("/")[-2:-1] in (["saves"], ["states"])
    ]
    blind = [f._replace(line=Line(path=f.path, is_=Is.EMPTY, part=f.line.part)) for f in files]
    found = looked_over(build(iter(blind)))
    kept = [f for f in found if f.expected.part in KEPT and not f.expected.path.endswith(".zip")]
    assert not [f for f in kept if f.part not in KEPT]
