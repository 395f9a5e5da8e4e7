"""What a snapshot lists in columns, held against the entries themselves; and pages of which much stands."""

from __future__ import annotations

import random
import tracemalloc
from pathlib import Path

import pytest
from msgspec.structs import replace

from handhold.archive import contents, pages
from handhold.archive.archive import Archive
from handhold.archive.blocks import block_id
from handhold.archive.index import Index
from handhold.archive.listed import Listed, Standing
from handhold.archive.manifest import PageRef
from handhold.archive.paging import Changed, paged
from handhold.archive.storage import LocalStorage
from handhold.errors import Damaged
from handhold.model import Entry, Part
from tests.archive import fixtures

FOLDERS = ("", "saves/", "saves/a/", "saves/a/b/", "saves-old/", "saves/a b/", "é/", "saves/a0/")
DIGEST = "0123456789abcdef" * 4


def made(source: random.Random, count: int) -> list[Entry]:
    """Entries of several homes, sorted by key as the format has it: by code points, part by part."""
    found = {}
    for _ in range(count):
        entry = Entry(
            source.choice(("hatbox", "tinplate")),
            source.choice((Part.SAVES, Part.STATES)),
            source.choice(("main", "main@card")),
            source.choice(FOLDERS)
            + source.choice(("Moss", "Moss 1", 'a"b', "a\\\\b", "Ω", ".x"))
            + str(count),
            source.randrange(5),
            source.randrange(-5, 5),
            DIGEST,
            source.choice((None, "Moss")),
            source.choice((None, None, None, DIGEST)),
        )
        if entry.recipe and not entry.size:
            continue
        found[entry.emulator, entry.home, entry.path] = entry
        count -= 1
    return [found[key] for key in sorted(found)]


#: What pages can have instead that another program wrote, and decode to the same.
ODD = [
    (b"}\n{", b"}\n\n{"),
    (b"}\n{", b"} {"),
    (b"}\n{", b"}{"),
    (b',"part"', b'\n,"part"'),
    (b'{"emulator"', b'{"x":[{"y":{}\n}\n,{}],"emulator"'),
]


def listed_of(entries: list[Entry], odd: tuple[bytes, bytes] = (b"", b""), together: int = 1) -> Listed:
    """The same as they stand in pages; of ``odd`` the first is replaced by the second.

    So many pages are added at a time.
    """
    listed = Listed()
    refs, pieces = [], []
    for page in pages.cut(entries):
        data = pages.encode(page)
        refs.append(PageRef(block_id(data).hex(), len(page)))
        pieces.append(data.replace(*odd) if odd[0] else data)
    for at in range(0, len(refs), together):
        listed.add(refs[at : at + together], pieces[at : at + together])
    return listed


@pytest.mark.parametrize("odd", [(b"", b""), *ODD])
@pytest.mark.parametrize("seed", range(20))
def test_what_is_listed_is_what_the_pages_have(
    seed: int, odd: tuple[bytes, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pages, "MEAN", 5)
    source = random.Random(seed)
    entries = made(source, source.choice((1, 3, 60, 300)))
    listed = listed_of(entries, odd, source.choice((1, 2, 8)))
    assert [*listed.entries()] == entries
    assert len(listed) == len(entries)
    assert [listed.row(entry.key) for entry in entries] == [*range(len(entries))]
    assert [listed[entry.key] for entry in entries] == entries
    assert [listed.entry(row) for row in range(len(entries))] == entries
    assert ("tinplate", "main", "saves/nothing") not in listed
    assert ("lantern", "main", "saves/Moss") not in listed
    some = [row for row in range(len(entries)) if source.random() < 0.3]
    assert [*listed.entries(some)] == [entries[row] for row in some]
    for (emulator, home, place), folder in listed.folders.items():
        there = [
            entry
            for entry in entries
            if (entry.emulator, entry.home, entry.path.rpartition("/")[0]) == (emulator, home, place)
        ]
        rows = [row for rows in folder.rows for row in rows]
        assert [entries[row] for row in rows] == there
        assert [folder.row_of(at) for at in range(len(rows))] == rows
        assert folder.parts == {entry.part for entry in there}
        assert list(folder.files) == [
            (entry.path.rpartition("/")[2], entry.size, entry.modified) for entry in there
        ]
    assert sum(len(rows) for folder in listed.folders.values() for rows in folder.rows) == len(entries)


@pytest.mark.parametrize("seed", range(20))
def test_what_stands_is_what_was_said_to(seed: int) -> None:
    source = random.Random(seed)
    entries = made(source, 200)
    standing = Standing(listed_of(entries))
    marked = {row for row in range(len(entries)) if source.random() < 0.5}
    for row in marked:
        standing.add(row)
    standing.add_all([range(10, 20)])
    marked |= {*range(10, 20)}
    stand = [entry for row, entry in enumerate(entries) if row in marked]
    assert [*standing.entries()] == stand
    assert [*standing.entries({"hatbox"})] == [entry for entry in stand if entry.emulator == "hatbox"]
    assert len(standing) == len(stand)
    assert standing.bytes == sum(entry.size for entry in stand)
    assert standing.homes == {(entry.emulator, entry.home) for entry in stand}
    assert [*standing.others()] == [row for row in range(len(entries)) if row not in marked]
    assert [entry.key in standing for entry in entries] == [row in marked for row in range(len(entries))]
    assert ("tinplate", "main", "nowhere") not in standing


@pytest.mark.parametrize("seed", range(300))
def test_pages_of_which_much_stands_are_those_of_all_the_entries(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pages, "MEAN", random.Random(seed).choice((1, 3, 6, 1000)))
    monkeypatch.setattr(pages, "LONGEST", 7)
    source = random.Random(seed)
    earlier = made(source, source.choice((0, 1, 5, 40, 120)))
    listed = listed_of(earlier, together=source.choice((1, 4)))
    standing = Standing(listed)
    others = {entry.key: entry for entry in made(source, source.choice((0, 0, 1, 4, 60)))}
    loss = source.choice((0, 0.01, 0.2, 1))
    for row, entry in enumerate(earlier):
        if source.random() < loss / 2:
            others[entry.key] = replace(entry, modified=77)  # changed where it stands
        if entry.key not in others and source.random() >= loss:
            standing.add(row)
    every = {entry.key: entry for entry in standing.entries()} | others
    expected = [pages.encode(page) for page in pages.cut([every[key] for key in sorted(every)])]
    found = []
    for page in paged(standing, [others[key] for key in sorted(others)]):
        if isinstance(page, PageRef):
            assert page in listed.pages
            found.append((page.id, page.entries))
        else:
            found.append((block_id(page.data).hex(), page.entries))
    assert found == [(block_id(data).hex(), data.count(b"\n")) for data in expected]


@pytest.mark.parametrize("odd", ODD)
def test_a_changed_page_of_another_program_says_what_it_should(odd: tuple[bytes, bytes]) -> None:
    entries = made(random.Random(3), 30)
    standing = Standing(listed_of(entries, odd))
    standing.add_all([range(len(entries))])
    changed = {row: replace(entries[row], modified=77) for row in (0, 11, len(entries) - 1)}
    for row in changed:
        standing.drop(row)
    (page,) = paged(standing, list(changed.values()))
    assert isinstance(page, Changed)
    assert [*pages.decode(page.data)] == [changed.get(row, entry) for row, entry in enumerate(entries)]


def test_an_entry_at_the_place_of_one_that_stands_is_refused() -> None:
    entries = made(random.Random(1), 50)
    standing = Standing(listed_of(entries))
    standing.add_all([range(len(entries))])
    with pytest.raises(ValueError, match="same place"):
        list(paged(standing, [replace(entries[20], modified=77)]))


def test_pages_that_do_not_fit_their_manifest_are_refused() -> None:
    entries = made(random.Random(2), 50)
    first, second = (pages.encode(some) for some in (entries[:20], entries[20:]))
    refs = [PageRef("00" * 32, 20), PageRef("00" * 32, len(entries) - 20)]
    listed = Listed()
    listed.add(refs[:1], [first])
    for again in (first, pages.encode(entries[19:39])):
        with pytest.raises(ValueError, match="do not fit"):
            listed.add([PageRef("00" * 32, 20)], [again])
    with pytest.raises(ValueError, match="do not fit"):
        listed.add([PageRef("00" * 32, 2)], [second])
    listed.add(refs[1:], [second])
    assert [*listed.entries()] == entries
    assert [*together(refs, [first, second]).entries()] == entries
    for wrong_refs, wrong, why in (
        (refs[::-1], [second, first], "out of order"),
        (refs, [second, first], "do not fit"),
        (refs, [first, b""], "empty"),
        (refs, [first, b"{}"], "cannot be read"),
        (refs, [first, second.replace(b"tinplate", b"Tinplate")], "cannot be believed"),
        (refs, [pages.encode([*entries[1:20], entries[0]]), second], "out of order"),
    ):
        with pytest.raises(ValueError, match=why):
            together(wrong_refs, wrong)


def together(refs: list[PageRef], data: list[bytes]) -> Listed:
    """Pages that are added at once."""
    listed = Listed()
    listed.add(refs, data)
    return listed


def test_of_long_pages_no_more_are_decoded_at_once_than_of_short_ones(tmp_path: Path) -> None:
    """Those of another program can have sixteen megabytes each."""
    archive = fixtures.make(tmp_path)
    entries = [
        Entry("hatbox", Part.SAVES, "main", f"{number:06}", 5, 0, f"{number:064x}")
        for number in range(80_000)
    ]
    runs = [entries[at : at + 10_000] for at in range(0, 80_000, 10_000)]
    refs = []
    with archive.locked("test"), archive.writer() as writer:
        for run in runs:
            refs.append(PageRef(writer.put_plain(pages.encode(run)), len(run)))
    archive = fixtures.again(archive)
    tracemalloc.start()
    try:
        listed = archive.listed(refs)
        kept, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(listed) == 80_000
    assert most - kept < 16 << 20


def padded(archive: Archive, count: int, length: int) -> tuple[list[Entry], list[PageRef]]:
    """Pages of a stranger, each with one entry and many blanks: a few hundred bytes as they are stored.

    Source: RFC 8259, 2 (blanks may stand between the tokens)
    """
    entries, refs = [], []
    with archive.locked("test"), archive.writer() as writer:
        for number in range(count):
            entries.append(fixtures.entry(f"saves/{number:04}.sav", b"%d" % number))
            line = pages.encode(entries[-1:])
            refs.append(PageRef(writer.put_plain(line[:-2] + bytes(length).replace(b"\0", b" ") + b"}\n"), 1))
    return entries, refs


@pytest.mark.parametrize("again", [False, True], ids=["each its own", "one again and again"])
def test_blanks_in_the_pages_of_a_stranger_take_no_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, again: bool
) -> None:
    """A night would hold all of them: gigabytes, of an archive of some kilobytes."""
    monkeypatch.setattr(contents, "_WAITING", 4 << 20)
    archive = fixtures.make(tmp_path)
    entries, refs = padded(archive, 100, 400_000)
    if again:
        refs = refs[:1] * 100
    archive = fixtures.again(archive)
    assert archive.index
    tracemalloc.start()
    try:
        if again:
            with pytest.raises(Damaged, match="out of order"):
                archive.listed(refs)
            listed = Listed()
        else:
            listed = archive.listed(refs)
        kept, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert kept < 1 << 20 and most < 12 << 20
    if not again:
        assert list(listed.entries()) == entries
        assert listed.entry(7) == entries[7]
        # Source: what is left of a page of one line without that line
        assert listed.without(7, [7]) == [b"", b"\n"]


def test_a_run_of_blocks_is_there_only_where_each_of_them_is(tmp_path: Path) -> None:
    archive = fixtures.make(tmp_path)
    blocks = [b"%d" % number for number in range(50)]
    for some in (blocks[:30], blocks[30:]):
        with archive.locked("test"), archive.writer() as writer:
            for one in some:
                writer.put_plain(one)
    index = fixtures.again(archive).index
    names = [block_id(one) for one in blocks]
    absent = block_id(b"nothing")
    assert index.has_run(b"".join(names[:30]))
    assert index.has_run(b"".join(names[30:]))
    assert index.has_run(b"".join(names[3:9]))
    assert index.has_run(b"".join(names[9:12]))
    assert index.has_run(names[49])
    for right in ([names[29], names[30]], [names[2], names[1]], names[28:33], [names[40], *names[3:20]]):
        assert index.has_run(b"".join(right))
    for wrong in ([absent], [names[1], absent], [absent, names[1]], [*names[:20], absent, *names[21:30]]):
        assert not index.has_run(b"".join(wrong))
        assert index.has_run(b"".join(names[:30]))
    assert not index.has_run(b"".join([names[5], names[6][:31] + bytes([names[6][31] ^ 1])]))
    runs = [
        [absent],
        names[28:33],
        [names[5], absent, names[6]],
        names[40:],
        names[:3],
        [names[49]],
        names[3:9],
    ]
    told = [False, True, False, True, True, True, True]
    for order in (range(7), (6, 4, 0, 1, 5, 3, 2), (3, 3, 2, 2)):
        assert index.have_runs([b"".join(runs[at]) for at in order]) == [told[at] for at in order]
    assert index.have_runs([]) == []
    assert Index(LocalStorage(str(tmp_path / "nothing"))).have_runs([absent, names[0]]) == [False, False]
    rows = index.rows_of([*names, absent])
    assert sorted(rows) == [-1, *range(50)]
    assert [index.place(row).row.id for row in rows[:-1]] == names
    assert rows[-1] == -1
