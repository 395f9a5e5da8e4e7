"""The pages of a snapshot of which much stands as it did in an earlier one: which of those stand with it."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Generator, Iterator, Sequence
from itertools import chain
from typing import NamedTuple

from handhold.archive import pages
from handhold.archive.listed import Key, Standing
from handhold.archive.manifest import PageRef
from handhold.model import Entry

#: Of a longer page (bytes) the unchanged lines are written anew: they may be a stranger's, of any length.
_LONG = 1 << 20


class Changed(NamedTuple):
    """A page that is to be stored."""

    data: bytes
    entries: int
    fresh: Sequence[Entry]  # those of which it is not known that they can be kept


class _Piece(NamedTuple):
    """What stands in the place of an earlier page: a run of keys."""

    first: Key
    length: int
    page: int | None  # the earlier page that has just these keys
    fresh: Sequence[Entry]  # those of its entries that do not stand
    entries: Sequence[Entry] = ()  # all of them, where it has not the keys of an earlier page


def paged(standing: Standing, others: Sequence[Entry]) -> Iterator[PageRef | Changed]:
    """The pages of the entries that stand and of ``others``, which are sorted, each once; in their order.

    They end where ``pages.first`` has them end. Raises ``ValueError`` if two entries have one place.
    """
    pending: Sequence[Entry] = ()  # what has no end yet
    pieces = _pieces(standing, others)
    piece = next(pieces, None)
    while piece is not None:
        following = next(pieces, None)
        if pending and piece.page is not None and pages.begins(piece.first):
            yield from _cut(pending, last=True)
            pending = ()
        if (
            piece.page is not None
            and not pending
            and (following is None or piece.length >= pages.LONGEST or pages.begins(following.first))
        ):
            yield _again(standing, piece.page, piece.fresh)
        else:
            entries = (
                piece.entries
                if piece.page is None
                else _merged(standing, standing.listed.of_page(piece.page), piece.fresh)
            )
            run = [*pending, *entries] if pending else entries
            done = yield from _cut(run, last=following is None)
            pending = run[done:]
        piece = following


def _pieces(standing: Standing, others: Sequence[Entry]) -> Iterator[_Piece]:
    """The runs of keys from the beginning of one earlier page to that of the next."""
    listed, at = standing.listed, 0
    for page in range(-1, listed.page_count):
        end = len(others)
        if at < end and page + 1 < listed.page_count:
            end = bisect_left(others, listed.first(page + 1), at, key=pages.key_of)
        here, at = (others if end - at == len(others) else others[at:end]), end
        rows = listed.of_page(page) if page >= 0 else range(0)
        if rows and not here and standing.all_of(rows):
            yield _Piece(listed.first(page), len(rows), page, ())
            continue
        gone = map(listed.entry, standing.others(rows))
        if rows and list(map(pages.key_of, gone)) == list(map(pages.key_of, here)):
            yield _Piece(listed.first(page), len(rows), page, here)
            continue
        entries = _merged(standing, rows, here) if rows else here
        if entries:
            yield _Piece(pages.key_of(entries[0]), len(entries), None, here, entries)


def _again(standing: Standing, page: int, fresh: Sequence[Entry]) -> PageRef | Changed:
    """An earlier page, with others in the place of its entries that do not stand."""
    listed = standing.listed
    if not fresh:
        return listed.pages[page]
    rows = listed.of_page(page)
    between = listed.without(page, standing.others(rows))
    if between and sum(map(len, between)) <= _LONG:
        lines = pages.encode(fresh).split(b"\n")
        return Changed(b"".join(chain.from_iterable(zip(between, lines, strict=True))), len(rows), fresh)
    return Changed(pages.encode(_merged(standing, rows, fresh)), len(rows), fresh)


def _merged(standing: Standing, rows: range, others: Sequence[Entry]) -> Sequence[Entry]:
    """Those that stand of some rows, and others, sorted. Raises ``ValueError`` if two have one place."""
    entries = pages.in_order([*standing.listed.entries(standing.rows(rows)), *others])
    if not pages.are_in_order(entries):
        raise ValueError("two entries have the same place")
    return entries


def _cut(entries: Sequence[Entry], *, last: bool) -> Generator[Changed, None, int]:
    """The pages of entries; returns how many are in these.

    Unless these are the last ones, the last page is left out where it may go on.
    """
    start = 0
    while start < len(entries):
        page = pages.first(entries, start)
        end = start + len(page)
        if end == len(entries) and not last and len(page) < pages.LONGEST:
            break
        yield Changed(pages.encode(page), len(page), page)
        start = end
    return start
