"""Histories of files with odd names: the same however the lists of the nights are looked through."""

from __future__ import annotations

import time
from collections.abc import Iterator, Set
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold import beside
from handhold.archive import pages, sightings
from handhold.archive.archive import Archive
from handhold.archive.head import VolumeNote
from handhold.archive.members import Member, encode
from handhold.archive.storage import LocalStorage
from handhold.beside import Beside
from handhold.errors import OwnerError
from handhold.history import reading
from handhold.history.reading import Asked, Place, read_histories
from handhold.model import Entry, HomeKind, Kind, Part, Site
from handhold.names import written
from handhold.restore.select import Selection

EVENING = datetime(2026, 3, 1, 20, tzinfo=UTC)
#: Names of the fields of a list, what separates them, what JSON escapes or could, letters whose other case
#: is ASCII or another number of letters, accents in both ways, and bytes that are not UTF-8.
PIECES = [
    "path", "game", "members", '"members"', '"path":"', '"game":null', "emulator", "{", "}", "}{", '"}',
    '","', "\n", "\t", "\\", "\\u0041", "\\n", '"', "'", ":", ",", "null", "saves", "a", "B", " ", ".", "7",
    "*", "?", "ß", "SS", "ſ", "s", "K", "\u212a", "İ", "i", "ı", "é", "e\u0301", "ﬁ", "fi", "\udce9", "\x7f",
    "\u2028", "日",
]  # fmt: skip
NAMES = (
    st.lists(st.sampled_from(PIECES), min_size=1, max_size=3)
    .map("".join)
    .filter(lambda name: name not in (".", ".."))
)
File = tuple[str, str, str | None, tuple[str, ...]]  # emulator, path, game, names in a zip
HOMES = ("main", "found@card@01234567")


def as_path(name: str) -> str:
    return written(name.encode("utf-8", "surrogateescape").decode("utf-8", "surrogateescape"))


@st.composite
def files(draw: st.DrawFn) -> File:
    name = as_path(draw(NAMES))
    folder = draw(st.sampled_from(["", "saves/", "members/", f"{name}/"]))
    inside = tuple(as_path(each) for each in draw(st.lists(NAMES, max_size=2))) if draw(st.booleans()) else ()
    game = draw(st.none() | st.just(name) | NAMES.map(as_path))
    ending = ".zip" if inside else draw(st.sampled_from([".sav", ""]))
    return draw(st.sampled_from(["tinplate", "path", "7"])), f"{folder}{name}{ending}", game, inside


@contextmanager
def years(shelf: list[File], nights: list[set[int]]) -> Iterator[LocalStorage]:
    """An archive whose nights hold those of the files, and each time another content of every third."""
    with TemporaryDirectory() as folder:
        archive = Archive.create(LocalStorage(f"{folder}/archive"), lambda: EVENING)
        for at, held in enumerate(nights):
            entries = {}
            with archive.locked("test"), archive.writer() as writer:
                for number in held:
                    emulator, path, game, inside = shelf[number]
                    data = f"{path} {at if number % 3 == 0 else 0}".encode()
                    listed = [Member(f"{name}.sav", 1, 1, 0, "00000000") for name in inside]
                    one = Entry(
                        emulator=emulator,
                        part=Part.SAVES if number % 2 else Part.STATES,
                        home=HOMES[number % 2],
                        path=path,
                        size=len(data),
                        modified=0,
                        sha256=writer.put_plain(data),
                        game=game,
                        members=writer.put_list(encode(listed)) if listed else None,
                    )
                    entries[one.key] = one
                writer.finish(
                    device=("plover", "heron")[at % 2],
                    kind=Kind.NIGHT,
                    taken=EVENING + timedelta(days=at),
                    volumes=[VolumeNote("card", "exfat")],
                    sites=[
                        Site(emulator, home, HomeKind.FOLDER, "card", f"{emulator}/{home}")
                        for emulator, home in sorted({each[:2] for each in entries})
                    ],
                    layouts={},
                    entries=list(entries.values()),
                    gaps=(),
                )
        yield archive.storage  # type: ignore[misc]


def told(storage: LocalStorage, asked: Asked) -> object:
    try:
        found = read_histories(Archive.open(LocalStorage(storage.root)), asked, {})
    except OwnerError as error:
        return type(error), error.what, error.advice
    return [repr(one) for one in found.saves], found.unreadable, [one.name for one in found.snapshots]


def asked_for(data: st.DataObject, shelf: list[File]) -> Asked:
    """Something that has to do with a file, mostly."""
    _, path, game, inside = data.draw(st.sampled_from(shelf))
    text = data.draw(st.sampled_from([path, path.partition("/")[0], game or path, *inside, "members", "7"]))
    at = data.draw(st.integers(0, len(text)))
    wild = data.draw(st.sampled_from(["", "", "*", "?"]))
    change = data.draw(st.sampled_from([str, str.upper, str.lower, str.casefold, str.swapcase]))
    text = change(text[:at] + wild + text[at + (wild == "?") :]) or "*"  # type: ignore[operator]
    return data.draw(
        st.sampled_from(
            [
                Asked(Selection(), text),
                Asked(Selection(parts=(Part.SAVES,)), text),
                Asked(Selection(games=(text,))),
                Asked(Selection(paths=(text,))),
                Asked(Selection(games=("*",), paths=(text,))),
                Asked(Selection(games=(text, "lamplighter"))),
                Asked(Selection(emulators=("path",), games=(text,))),
                Asked(Selection(paths=(text,)), None, Place("card", f"tinplate/main/{path}")),
            ]
        )
    )


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_a_history_is_the_same_however_it_is_looked_for(data: st.DataObject) -> None:
    """With all lists decoded, with only the lines that speak of it, and with a quicker second process."""
    shelf = data.draw(st.lists(files(), min_size=2, max_size=14))
    every = st.sets(st.integers(0, len(shelf) - 1), min_size=1)
    nights = data.draw(st.lists(every, min_size=2, max_size=6))
    asked = asked_for(data, shelf)
    at_once = Beside.found

    def patient(self: Beside) -> Set[bytes]:
        while self._pipe >= 0:
            at_once(self)
            time.sleep(0.0005)
        return at_once(self)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pages, "MEAN", 3)  # a list of a few files instead of 64
        patch.setattr(sightings, "_MANY", 1)
        patch.setattr(beside, "_cores", lambda: 1)
        with years(shelf, nights) as storage:
            narrow = told(storage, asked)
            with patch.context() as wide:
                wide.setattr(reading, "words_of", lambda named: frozenset())
                whole = told(storage, asked)
            patch.setattr(beside, "_cores", lambda: 2)
            patch.setattr(Beside, "found", patient)
            both = told(storage, asked)
    assert narrow == whole
    assert both == whole
