"""What a search in many pages keeps in memory."""

from __future__ import annotations

import tracemalloc

from handhold.archive import pages
from handhold.archive.pages import KnownLines
from handhold.archive.searching import Search
from tests.archive import fixtures


def test_long_lines_of_a_stranger_that_are_not_looked_for_are_not_remembered() -> None:
    """A line can have sixteen megabytes, nearly all of them blanks, and be stored in a kilobyte.

    Source: RFC 8259, 2 (blanks may stand between the tokens)
    """
    search = Search(KnownLines(), lambda one: one.path == "saves/0003.sav", ["tin"])  # all are of tinplate
    found = []
    tracemalloc.start()
    try:
        for number in range(50):
            entry = fixtures.entry(f"saves/{number:04}.sav", b"%d" % number)
            line = pages.encode([entry])
            found += search.found(line[:-2] + b" " * 200_000 + b"}\n")
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert found == [fixtures.entry("saves/0003.sav", b"3")]
    assert kept < 1 << 20
