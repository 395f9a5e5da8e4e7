"""What is picked where only the lists that speak of a game are decoded: as much as where all are."""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.archive import contents, pages
from handhold.archive.archive import Archive
from handhold.archive.head import VolumeNote
from handhold.archive.inorder import ByPlace
from handhold.archive.manifest import Manifest
from handhold.archive.members import Member, encode
from handhold.archive.storage import LocalStorage
from handhold.errors import Damaged, OwnerError, UnknownName
from handhold.model import Entry, HomeKind, Kind, Part, Site
from handhold.restore import readable
from handhold.restore.inside import Inside
from handhold.restore.prepare import Prepared
from handhold.restore.readable import Listed, choose_of
from handhold.restore.select import Chosen, Selection, choose
from handhold.restore.steps import Decision, OnNewer
from handhold.restore.targets import Elsewhere
from tests.exports.world import World as Exports
from tests.restore.world import EVENING, TINPLATE, World

#: Letters whose other case is another number of letters, or an ASCII one; accents in both ways; what JSON
#: escapes.
LETTERS = "abkKsS ßſKﬁİıé\u0301e'&\"\\-.7"
#: The written form has no single backslash.
TITLES = st.text(alphabet=LETTERS, min_size=1, max_size=6).map(
    lambda text: text.replace("\\", "\\\\").strip(" .")
)
NAMED = TITLES.filter(bool)
CHANGED: list[Callable[[str], str]] = [str, str.upper, str.lower, str.casefold, str.swapcase]
PARTS = st.sampled_from([Part.SAVES, Part.STATES, Part.TEXTURES])


@st.composite
def trees(draw: st.DrawFn) -> list[tuple[str, Part, str, str, str | None, list[str] | None]]:
    """Emulator, part, home, path, game and names in a zip, of some files."""
    files = {}
    for number in range(draw(st.integers(1, 14))):
        emulator = draw(st.sampled_from(["tinplate", "hatbox", "kestrel"]))
        home = draw(st.sampled_from(["main", "main@card", "out"]))
        title = draw(NAMED)
        folder = draw(st.sampled_from(["", "saves/", f"{title}/", "Bask/"]))
        inside = draw(st.none() | st.lists(NAMED, max_size=3)) if number % 3 == 0 else None
        path = f"{folder}{title}.{'zip' if inside else 'sav'}"
        game = draw(st.none() | st.just(title) | NAMED)
        files[emulator, home, path] = (emulator, draw(PARTS), home, path, game, inside)
    return list(files.values())


@st.composite
def asked(draw: st.DrawFn, tree: list[tuple[str, Part, str, str, str | None, list[str] | None]]) -> Selection:
    """A selection that has something to do with a tree, mostly."""

    def pattern(text: str) -> str:
        at = draw(st.integers(0, len(text)))
        wild = draw(st.sampled_from(["", "", "*", "?"]))
        return draw(st.sampled_from(CHANGED))(text[:at] + wild + text[at + (wild == "?") :]) or "*"

    def names() -> Iterator[str]:
        for _, _, _, path, game, inside in tree:
            yield game or path.rpartition("/")[2].rpartition(".")[0]
            yield from inside or ()

    known = sorted(set(names()))
    paths = sorted({path for *_, path, _, _ in tree} | {path.partition("/")[0] for *_, path, _, _ in tree})
    return Selection(
        emulators=tuple(draw(st.sampled_from([(), (), ("tinplate",), ("HATBOX", "kestrel")]))),
        parts=tuple(draw(st.sampled_from([(), (), (Part.SAVES,), (Part.STATES, Part.TEXTURES)]))),
        games=tuple(map(pattern, draw(st.lists(st.sampled_from([*known, "Dune"]), max_size=2)))),
        paths=tuple(map(pattern, draw(st.lists(st.sampled_from(paths), max_size=1)))),
    )


@contextmanager
def kept(
    tree: list[tuple[str, Part, str, str, str | None, list[str] | None]],
) -> Iterator[tuple[Archive, Manifest]]:
    """An archive with one night of such a tree, in lists of a few files each."""
    with TemporaryDirectory() as folder:
        archive = Archive.create(LocalStorage(f"{folder}/archive"), lambda: EVENING)
        entries = []
        with archive.locked("test"), archive.writer() as writer:
            for emulator, part, home, path, game, inside in tree:
                listed = [Member(f"{name}.sav", 1, 1, 0, "00000000") for name in inside or ()]
                zipped = writer.put_list(encode(listed)) if listed else None
                content = writer.put_plain(path.encode())
                entries.append(
                    Entry(emulator, part, home, path, len(path.encode()), 0, content, game, None, zipped)
                )
            mean, pages.MEAN = pages.MEAN, 3  # a list of a few files instead of 64
            try:
                night = writer.finish(
                    device="plover",
                    kind=Kind.NIGHT,
                    taken=EVENING,
                    volumes=[VolumeNote("card", "exfat")],
                    sites=[
                        Site(emulator, home, HomeKind.FOLDER, "card", f"{emulator}/{home}")
                        for emulator, home in sorted({(each[0], each[2]) for each in tree})
                    ],
                    layouts={},
                    entries=entries,
                    gaps=(),
                )
            finally:
                pages.MEAN = mean
        yield archive, archive.read(night)


def outcome(choosing: Callable[[], Chosen]) -> object:
    """What was picked, or the error."""
    try:
        picked = choosing()
    except OwnerError as error:
        return type(error), error.what, error.advice
    return picked.entries, picked.members


@settings(deadline=None, max_examples=300)
@given(st.data())
def test_what_is_named_is_picked_as_if_all_had_been_read(data: st.DataObject) -> None:
    tree = data.draw(trees())
    selection = data.draw(asked(tree))
    with kept(tree) as (archive, manifest):
        of_all = outcome(
            lambda: choose(list(archive.entries(manifest)), selection, Inside(archive, manifest, {}).of)
        )
        again = Archive.open(archive.storage)
        inside = Inside(again, manifest, {})
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(contents, "_MANY", data.draw(st.sampled_from((2, 1000))))  # two processes, or one
            found = outcome(lambda: choose_of(Listed(again, manifest), selection, inside.of))
        assert found == of_all


def compared(monkeypatch: pytest.MonkeyPatch, prepare: Callable[[], Prepared]) -> Prepared:
    """A plan that is made from what it needs, which is as the one that is made from all lists."""
    narrow = prepare()
    with monkeypatch.context() as all_are_read:
        all_are_read.setattr(readable, "words_of", lambda patterns: frozenset())
        whole = prepare()
    for field in Prepared.__struct_fields__:
        if field not in ("made", "layouts"):  # what is made holds functions
            assert getattr(narrow, field) == getattr(whole, field), field
    assert [one.entry for one in narrow.made] == [one.entry for one in whole.made]
    return narrow


GAMES = [
    "Moss",
    "Moss Garden",
    "MOSS garden 2",
    "Salt Road",
    "Śnieg",
    "Straße",
    "STRASSE",
    "Kelvin \u212a",
    "Île",
]


@pytest.mark.parametrize("seed", range(12))
def test_plans_are_those_that_are_made_from_all_lists(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    chance = random.Random(seed)
    world = World(tmp_path)
    monkeypatch.setattr(pages, "MEAN", 3)
    for number in range(25):
        title = chance.choice(GAMES) + chance.choice(["", f" {number}"])
        world.put("heron", f"saves/{title}.sav", f"{title} of {number}")
        world.put("heron", f"states/{title}.st{number % 3}", f"state {number}")
        world.put("heron", f"textures/{title}/sheet.tex", f"sheet {number}")
    night = world.night("heron")
    lost, shift = chance.choice([False, True]), chance.choice([0, 3600, -7200])
    for file in sorted(world.card("heron").glob("Tinplate/s*/*")):
        stamp = file.stat().st_mtime + shift  # the zone of the clock was another
        if chance.random() < 0.3:
            file.write_text("played on")  # without a night it is nothing that the archive has seen
            stamp += chance.choice([-5000, -1000, 1000, 5000])
        elif lost:
            file.unlink()
            continue
        os.utime(file, (stamp, stamp))
    if chance.random() < 0.5:
        world.later(hours=1)
        world.night("heron")
    device = "heron"
    if seed % 3 == 2:  # a move to where the home is called otherwise
        device = "wren"
        world.card("wren", tmp_path / "wren")
        (tmp_path / "wren/Tinplate").rmdir()
        (tmp_path / "wren/Emulation/Tinplate").mkdir(parents=True)
    home = Elsewhere({}, (), {})
    for policy in OnNewer:
        for game in ("moss", "Moss*", "salt road*", "ŚNIEG*", "strasse", "straße*", "kelvin k", "î*"):
            try:
                prepared = compared(
                    monkeypatch,
                    lambda game=game, policy=policy: world.prepare(  # type: ignore[misc]
                        device, night, selection=Selection(games=(game,)), elsewhere=home, on_newer=policy
                    ),
                )
            except OwnerError:
                continue
            assert prepared.plan.steps


@pytest.mark.parametrize("unpack", [False, True])
@pytest.mark.parametrize("game", ["moss", "Śnieg", "salt*"])
def test_plans_from_exports_are_those_that_are_made_from_all_lists(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, game: str, unpack: bool
) -> None:
    world = Exports(tmp_path / "world")
    monkeypatch.setattr(pages, "MEAN", 2)
    for number, names in enumerate([("Moss", "Śnieg"), ("Moss", "Salt Road"), ("Salt Road", "Śnieg")]):
        world.later(hours=1)
        world.export(
            {f"saves/{name}.sav": b"%d of " % number + name.encode() for name in names},
            f"night {number}.zip",
        )
    world.later(hours=1)
    world.file(b"no zip at all", "night 3.zip")
    night = world.take().snapshot
    prepared = compared(monkeypatch, lambda: world.planned(night, Selection(games=(game,)), unpack))
    assert prepared.made
    assert prepared.told  # the newest one is no zip: that is said of all that lies in the home


def test_other_lists_than_those_that_speak_of_a_game_are_not_decoded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    world = World(tmp_path)
    monkeypatch.setattr(pages, "MEAN", 8)
    for number in range(100):
        world.put("heron", f"saves/Game {number:03}.sav", str(number))
    night = world.night("heron")
    assert len(world.archive.read(night).pages) > 5
    for file in (world.card("heron") / "Tinplate/saves").iterdir():
        file.unlink()
    world.reopened()
    decoded: list[Entry] = []
    decode = pages.decode_unchecked

    def noted(page: bytes) -> tuple[Entry, ...]:
        decoded.extend(found := decode(page))
        return found

    monkeypatch.setattr(pages, "decode_unchecked", noted)
    (step,) = world.prepare("heron", night, selection=Selection(games=("game 017",))).plan.steps
    assert step.path == "saves/Game 017.sav"
    assert decoded == [step.entry]


@pytest.mark.parametrize(("apart", "decision"), [(1, Decision.UNSURE), (600, Decision.NEWER)])
def test_that_a_time_is_a_copys_is_seen_by_games_that_nobody_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, apart: int, decision: Decision
) -> None:
    """Five games of a home that changed within a minute were copied (common practice, no source)."""
    world = World(tmp_path)
    monkeypatch.setattr(pages, "MEAN", 2)
    begin = world.now - timedelta(days=2)
    for number in range(9):
        world.put("heron", f"saves/Game {number}.sav", f"{number}", begin + timedelta(seconds=apart * number))
    night = world.night("heron")
    world.put("wren", "saves/Game 4.sav", "one of which no night knows", begin + timedelta(days=1))
    world.reopened()
    (step,) = compared(
        monkeypatch, lambda: world.prepare("wren", night, selection=Selection(games=("game 4",)))
    ).plan.steps
    assert step.decision is decision, step.why
    assert ("copy" in step.why) == (decision is Decision.UNSURE)


@pytest.mark.parametrize("least", [2, 1000], ids=["two processes", "one"])
def test_a_list_that_cannot_be_read_is_told_where_another_one_was_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, least: int
) -> None:
    world = World(tmp_path, [TINPLATE])
    monkeypatch.setattr(pages, "MEAN", 8)
    for number in range(100):
        world.put("heron", f"saves/Game {number:03}.sav", str(number))
    night = world.night("heron")
    lists = [page.id for page in world.archive.read(night).pages]
    block = Archive.block

    def hurt(self: Archive, block_id: str) -> bytes:
        if block_id == lists[0]:
            raise Damaged("a sector is gone")
        return block(self, block_id)

    monkeypatch.setattr(Archive, "block", hurt)
    # So each block is asked for by itself.
    monkeypatch.setattr(ByPlace, "_read", lambda _, stretch: [(at, None) for at, *_ in stretch])
    monkeypatch.setattr(contents, "_MANY", least)
    prepared = compared(
        monkeypatch, lambda: world.prepare("heron", night, selection=Selection(games=("game 099",)))
    )
    assert prepared.hurt_pages == 1
    assert [step.path for step in prepared.plan.steps] == ["saves/Game 099.sav"]
    with pytest.raises(UnknownName) as unknown:  # it is what that list names
        world.prepare("heron", night, selection=Selection(games=("game 000", "game 099")))
    assert unknown.value.advice.startswith("A list of files cannot be read;")
