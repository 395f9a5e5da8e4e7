"""Looking through the pages of years: each once, and none is passed over that speaks of what is asked for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handhold.archive import pages, searching
from handhold.archive.archive import Archive
from handhold.archive.contents import Look
from handhold.archive.searching import Glance
from handhold.history.reading import Asked, read_histories
from handhold.model import Entry, Part
from handhold.restore.select import Fits, Selection, longest_word
from tests.benchmarks.years import Scale, build


def test_each_page_of_many_nights_is_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    archive = build(tmp_path / "archive", Scale(nights=30, files=400, devices=3, changes=2))
    read: Counter[str] = Counter()
    search = Archive.search

    def noted(self: Archive, fits: Callable[[Glance | Entry], bool], words: Collection[str] = ()) -> Look:
        found = search(self, fits, words)

        def counted(page_id: str) -> list[Entry]:
            read[page_id] += 1
            return found(page_id)

        return counted

    monkeypatch.setattr(Archive, "search", noted)
    saves = read_histories(archive, Asked(Selection(parts=(Part.SAVES,))), {}).saves
    assert len(saves) == 100
    held = {page.id for one in archive.snapshots() for page in archive.read(one).pages}
    assert read == dict.fromkeys(held, 1)
    # thirty nights of some seven pages each, and hardly more pages than there were changes
    assert len(held) < 30 * 5 < sum(len(archive.read(one).pages) for one in archive.nights())
    for save in saves:
        assert sum(version.nights for version in save.versions) >= 30


#: Letters whose other case is another number of letters, or an ASCII one; accents in both ways of writing.
ODD = st.text(alphabet="abkKsS ßſKﬁİıé\u0301e'&\"\\-*?.", min_size=1, max_size=8)
CHANGED: list[Callable[[str], str]] = [str, str.upper, str.lower, str.casefold, str.swapcase]


@given(ODD, st.sampled_from(CHANGED), st.integers(0, 8), st.sampled_from(["", "*", "?"]))
def test_no_page_is_passed_over_that_holds_what_fits(
    title: str, change: Callable[[str], str], at: int, wild: str
) -> None:
    pattern = change(title[:at] + wild + title[at + (wild == "?") :])
    entry = Entry("tinplate", Part.SAVES, "main", "saves/x.sav", 1, 0, "00", title)
    if Fits(Selection(games=(pattern,))).game(title):
        word = longest_word(pattern)
        assert not word or searching.speaks_of(pages.encode([entry]), [word])


def test_a_page_of_plain_letters_is_passed_over() -> None:
    page = pages.encode([Entry("tinplate", Part.SAVES, "main", "saves/Moss.sav", 1, 0, "00", "Moss")])
    assert searching.speaks_of(page, ["moss"]) and searching.speaks_of(page, ["salt", "tinplate"])
    assert not searching.speaks_of(page, ["salt"])


def test_a_page_with_escapes_is_looked_through_line_by_line() -> None:
    """Source: RFC 8259, 7: any character may be escaped."""
    plain, escaped = b'{"path":"Salt.sav"}', b'{"path":"\\u006doss.sav"}'
    page = plain + b"\n" + escaped + b"\n"
    assert searching.speaks_of(page, ["moss"])
    assert searching.lines_that_speak(page, ["moss"]) == [escaped]
    assert searching.lines_that_speak(page, ["salt"]) == [plain, escaped]


def test_a_page_that_is_not_in_lines_has_to_be_decoded_whole() -> None:
    page = b'{"path":"Salt.sav",\n"game":"Moss"}\n'
    assert searching.lines_that_speak(page, ["moss"]) is None
    assert searching.lines_that_speak(page, ["dune"]) == []


@pytest.mark.parametrize("word", ["game 17", " 17", "17", "game", "game 18", "e 1", "gamé"])
def test_lines_are_found_in_any_case_and_by_any_piece(word: str) -> None:
    lines = [f'{{"path":"{name}"}}'.encode() for name in ("GAME 17", "Game 117", "game17", "Gam 18", "e 1")]
    page = b"\n".join(lines) + b"\n"
    expected = [line for line in lines if word in line.decode().lower()]
    assert searching.lines_that_speak(page, [word]) == expected
    assert searching.lines_that_speak(page, ["nothing 99", word]) == expected
