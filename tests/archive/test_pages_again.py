"""Pages that stand again as in an earlier snapshot are taken over, and are the ones that would be written."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
import pytest

from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot
from handhold.archive.listed import Listed, Standing
from handhold.archive.manifest import PageRef
from handhold.archive.writer import Writer
from handhold.model import Entry
from tests.archive import fixtures


@dataclass(frozen=True)
class Earlier:
    """An earlier snapshot as it was read."""

    entries: tuple[Entry, ...]
    pages: tuple[PageRef, ...]
    listed: Listed = field(compare=False)


def _read(archive: Archive, snapshot: Snapshot) -> Earlier:
    manifest = archive.read(snapshot)
    return Earlier(tuple(archive.entries(manifest)), manifest.pages, archive.listed(manifest.pages))


def _night(archive: Archive, entries: list[Entry], like: Earlier | None) -> Earlier:
    """A night of these entries, of which the very objects of the earlier one stand as they did."""
    every = entries
    standing = None if like is None else Standing(like.listed)
    if standing is not None and like is not None:
        rows = {id(one): row for row, one in enumerate(like.entries)}
        for one in entries:
            if id(one) in rows:
                standing.add(rows[id(one)])
        entries = [one for one in entries if id(one) not in rows]
    with archive.locked("test"), archive.writer() as writer:
        for one in every:
            writer.put_plain(one.path.encode())
        snapshot = fixtures.finish(writer, entries, standing=standing)
    return _read(archive, snapshot)


def _entry(path: str, modified: int = 1) -> Entry:
    return fixtures.entry(path, path.encode(), modified=modified)


def _changed(entries: list[Entry], source: random.Random) -> list[Entry]:
    """Some entries gone, some new, some changed; the others are the very same objects."""
    kept = [one for one in entries if source.random() > 0.002]
    kept = [msgspec.structs.replace(one, modified=7) if source.random() < 0.002 else one for one in kept]
    kept += [_entry(f"saves/New {source.random()}.sav") for _ in range(source.randrange(3))]
    source.shuffle(kept)
    return kept


@pytest.mark.parametrize("seed", range(6))
def test_the_pages_are_the_ones_that_would_be_written(tmp_path: Path, seed: int) -> None:
    source = random.Random(seed)
    for name in ("one", "other"):
        (tmp_path / name).mkdir()
    archive = fixtures.make(tmp_path / "one")
    first = _night(archive, [_entry(f"saves/Game {n:05}.sav") for n in range(2000)], None)
    entries = _changed(list(first.entries), source)
    other = _night(fixtures.make(tmp_path / "other"), entries, None)
    assert _night(archive, entries, first) == other


def test_a_page_that_stands_again_is_not_written_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = fixtures.make(tmp_path)
    first = _night(archive, [_entry(f"saves/Game {n:05}.sav") for n in range(2000)], None)
    put: list[int] = []
    original = Writer._sealing

    def noted(writer: Writer, changed: Sequence[Any], size: int) -> Any:
        put.append(len(changed))
        return original(writer, changed, size)

    monkeypatch.setattr(Writer, "_sealing", noted)
    changed = list(first.entries)
    changed[1000] = msgspec.structs.replace(changed[1000], modified=7)
    again = _night(archive, changed, first)
    assert sum(put) == 1
    assert sum(a != b for a, b in zip(first.pages, again.pages, strict=True)) == 1


def test_a_page_that_only_a_hurt_bundle_has_is_written_again(tmp_path: Path) -> None:
    archive = fixtures.make(tmp_path)
    first = _night(archive, [_entry(f"saves/Game {n:05}.sav") for n in range(300)], None)
    bundle = Path(fixtures.path(archive, fixtures.bundles(archive)[0]))
    bundle.write_bytes(bundle.read_bytes()[:-3])  # its table is torn off, its records can be read
    archive = fixtures.again(archive)
    assert archive.index.hurt
    like = _read(archive, archive.nights()[-1])
    assert _night(archive, list(like.entries), like) == first
    archive = fixtures.again(archive)
    assert all(bytes.fromhex(page.id) in archive.index for page in first.pages)  # in whole bundles


@pytest.mark.parametrize(
    ("change", "trouble"),
    [
        ({"sha256": "ab" * 32}, "not put"),
        ({"recipe": "cd" * 32}, "not put"),
        ({"members": "ef" * 32}, "not put"),
        ({"size": -1}, "cannot be kept"),
        ({"game": "two\nlines"}, "cannot be kept"),
    ],
)
def test_a_changed_entry_is_checked_beside_ones_that_stand(
    tmp_path: Path, change: dict[str, object], trouble: str
) -> None:
    archive = fixtures.make(tmp_path)
    first = _night(archive, [_entry(f"saves/Game {n:03}.sav") for n in range(60)], None)
    changed = list(first.entries)
    changed[30] = msgspec.structs.replace(changed[30], **change)
    with pytest.raises(ValueError, match=trouble):
        _night(archive, changed, first)
    assert [night.files for night in fixtures.again(archive).nights()] == [60]


def test_an_entry_is_not_kept_twice_beside_ones_that_stand(tmp_path: Path) -> None:
    archive = fixtures.make(tmp_path)
    first = _night(archive, [_entry(f"saves/Game {n:03}.sav") for n in range(60)], None)
    twice = [*first.entries, msgspec.structs.replace(first.entries[30], modified=7)]
    with pytest.raises(ValueError, match="same place"):
        _night(archive, twice, first)
