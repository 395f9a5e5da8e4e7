"""What stood at each place from one snapshot to the next: what is told, and what is not told."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.blocks import block_id
from handhold.archive.head import Snapshot
from handhold.archive.standing import BEGUN, ELSEWHERE, Line
from handhold.archive.timeline import timelines
from handhold.errors import Damaged
from handhold.model import Entry, Gap, HomeKind, Kind, Part, Site
from tests.archive.fixtures import EVENING, again, make

PLOVER, LANTERN = Line("plover", "card", "tinplate"), Line("lantern", "card", "tinplate")
MAIN = Site("tinplate", "main", HomeKind.FOLDER, "card", "Tinplate")


def wrote(
    archive: Archive,
    device: str,
    saves: dict[str, str],
    *,
    kind: Kind = Kind.NIGHT,
    sites: Sequence[Site] = (MAIN,),
    gaps: Sequence[Gap] = (),
    note: str = "",
    safety: str | None = None,
    states: dict[str, str] | None = None,
    left_out: Sequence[Part] = (),
) -> Snapshot:
    """A manifest with saves: path -> content."""
    with archive.locked("test"), archive.writer() as writer:
        entries = []
        for part, files in ((Part.SAVES, saves), (Part.STATES, states or {})):
            for path, content in files.items():
                data = content.encode()
                digest = writer.put_plain(data)
                entries.append(Entry("tinplate", part, "main", path, len(data), 0, digest))
        return writer.finish(
            device=device, kind=kind, taken=EVENING, volumes=[], sites=tuple(sites), layouts={},
            entries=entries, gaps=list(gaps), note=note, safety=safety, left_out=left_out,
        )  # fmt: skip


def told(archive: Archive, path: str = "a.sav") -> dict[Line, str]:
    """What came and went at each place: contents by name, "-" for nothing, each with the sequence."""
    names = {block_id(c.encode()).hex(): c for c in ("one", "two", "three", "b")}
    found = timelines(again(archive), [Part.SAVES])
    assert found.unreadable == []
    return {
        line: " ".join(
            f"{names[moment.entry.sha256] if moment.entry else '-'}@{moment.snapshot.sequence}"
            for moment in moments
        )
        for line, moments in found.lines.get(("tinplate", Part.SAVES, path), {}).items()
    }


def test_changes_of_two_devices(tmp_path: Path) -> None:
    archive = make(tmp_path)
    wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"})
    wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"})
    wrote(archive, "lantern", {"a.sav": "one"})
    wrote(archive, "plover", {"a.sav": "two", "b.sav": "b"})
    wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"})
    assert told(archive) == {PLOVER: "one@1 two@4 one@5", LANTERN: "one@3"}
    assert told(archive, "b.sav") == {PLOVER: "b@1"}


def test_a_save_that_is_gone(tmp_path: Path) -> None:
    archive = make(tmp_path)
    wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"})
    wrote(archive, "plover", {"b.sav": "b"})
    wrote(archive, "plover", {"b.sav": "b"})
    wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"})
    assert told(archive) == {PLOVER: "one@1 -@2 one@4"}


@pytest.mark.parametrize(
    ("sites", "gaps"),
    [
        ((), ()),  # the card was out, or the emulator's folder was not there
        ((Site("tinplate", "main", HomeKind.FOLDER, "card", "Emulation/Tinplate"),), ()),  # it lay elsewhere
        ((MAIN,), (Gap("card", "Tinplate/a.sav", "it cannot be read"),)),
        ((MAIN,), (Gap("card", "Tinplate", "the folder cannot be listed"),)),
        ((MAIN,), (Gap("card", "", "the card cannot be read"),)),
    ],
)
def test_what_a_night_could_not_see_is_not_gone(
    tmp_path: Path, sites: tuple[Site, ...], gaps: tuple[Gap, ...]
) -> None:
    archive = make(tmp_path)
    wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"})
    wrote(archive, "plover", {"b.sav": "b"} if sites == (MAIN,) else {}, sites=sites, gaps=gaps)
    assert told(archive) == {PLOVER: "one@1"}


def test_a_gap_elsewhere_hides_nothing(tmp_path: Path) -> None:
    archive = make(tmp_path)
    wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"})
    gaps = [Gap("card", "Tinplate/a.sav2", "it cannot be read"), Gap("internal", "", "it cannot be read")]
    wrote(archive, "plover", {"b.sav": "b"}, gaps=gaps)
    assert told(archive) == {PLOVER: "one@1 -@2"}


def test_a_part_that_was_left_out_is_not_gone(tmp_path: Path) -> None:
    archive = make(tmp_path)
    wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"}, states={"a.st0": "state"})
    wrote(archive, "plover", {}, states={"a.st0": "state"}, left_out=[Part.SAVES])
    assert told(archive) == {PLOVER: "one@1"}
    wrote(archive, "plover", {"a.sav": "one"}, states={"a.st0": "state"})
    assert told(archive) == {PLOVER: "one@1"}
    assert told(archive, "b.sav") == {PLOVER: "b@1 -@3"}  # it went meanwhile
    wrote(archive, "plover", {}, states={"a.st0": "state"})  # nobody asked for that
    assert told(archive) == {PLOVER: "one@1 -@4"}


def test_a_restore_knows_what_it_replaced(tmp_path: Path) -> None:
    archive = make(tmp_path)
    wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"})
    safety = wrote(archive, "plover", {"a.sav": "two"}, kind=Kind.SAFETY)
    wrote(archive, "plover", {"a.sav": "b"}, kind=Kind.RESTORED, note=BEGUN, safety=safety.file)
    wrote(archive, "plover", {"a.sav": "three"}, kind=Kind.RESTORED, safety=safety.file)
    assert told(archive) == {PLOVER: "one@1 two@2 three@4"}


def test_a_restore_where_nothing_stood_says_so(tmp_path: Path) -> None:
    archive = make(tmp_path)
    wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"})
    safety = wrote(archive, "plover", {"b.sav": "b"}, kind=Kind.SAFETY)
    wrote(archive, "plover", {"a.sav": "two", "b.sav": "one"}, kind=Kind.RESTORED, safety=safety.file)
    wrote(archive, "plover", {"a.sav": "three"}, kind=Kind.RESTORED)
    assert told(archive) == {PLOVER: "one@1 -@3 two@3 -@4 three@4"}
    assert told(archive, "b.sav") == {PLOVER: "b@1 one@3"}


def test_a_night_like_the_one_before_a_restore_is_a_change(tmp_path: Path) -> None:
    """Its pages are those of the night before, yet something else stood there meanwhile."""
    archive = make(tmp_path)
    wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"})
    safety = wrote(archive, "plover", {"a.sav": "one"}, kind=Kind.SAFETY)
    wrote(archive, "plover", {"a.sav": "two"}, kind=Kind.RESTORED, safety=safety.file)
    wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"})
    assert told(archive) == {PLOVER: "one@1 two@3 one@4"}


def test_what_a_restore_brought_and_a_night_does_not_have_is_gone(tmp_path: Path) -> None:
    archive = make(tmp_path)
    wrote(archive, "plover", {"b.sav": "b"})
    wrote(archive, "plover", {"a.sav": "two"}, kind=Kind.RESTORED)
    wrote(archive, "plover", {"b.sav": "b"})
    assert told(archive) == {PLOVER: "two@2 -@3"}


def test_a_restore_into_a_folder_elsewhere_says_nothing(tmp_path: Path) -> None:
    archive = make(tmp_path)
    site = Site("tinplate", "main", HomeKind.FOLDER, ELSEWHERE, "mnt/card")
    wrote(archive, "plover", {"a.sav": "one"}, kind=Kind.RESTORED, sites=[site])
    assert told(archive) == {}


def test_a_night_that_cannot_be_read_is_named_and_says_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = make(tmp_path)
    wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"})
    hurt = wrote(archive, "plover", {"b.sav": "b"})
    wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"})
    page = archive.read(hurt).pages[0].id
    real = archive.page

    def broken(page_id: str) -> tuple[Entry, ...]:
        if page_id == page:
            raise Damaged("hurt")
        return real(page_id)

    monkeypatch.setattr(archive, "page", broken)
    found = timelines(archive, [Part.SAVES])
    assert found.unreadable == [hurt.name]
    moments = found.lines["tinplate", Part.SAVES, "a.sav"][PLOVER]
    assert [moment.snapshot.sequence for moment in moments] == [1]


def test_a_quiet_night_costs_no_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    archive = make(tmp_path)
    for _ in range(5):
        wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"})
    asked = []
    real = archive.page

    def page(page_id: str) -> tuple[Entry, ...]:
        asked.append(page_id)
        return real(page_id)

    monkeypatch.setattr(archive, "page", page)
    timelines(archive, [Part.SAVES])
    assert len(asked) == 1


def test_what_a_gap_hid_is_gone_once_a_night_without_it_shows_nothing(tmp_path: Path) -> None:
    archive = make(tmp_path)
    wrote(archive, "plover", {"a.sav": "one", "b.sav": "b"})
    wrote(archive, "plover", {"b.sav": "b"}, gaps=(Gap("card", "Tinplate/a.sav", "unreadable"),))
    wrote(archive, "plover", {"b.sav": "b"})
    assert told(archive) == {PLOVER: "one@1 -@3"}
