"""Writing and reading a whole archive: quiet nights, runs that are cut off, bundles that are hurt or lost."""

from __future__ import annotations

import errno
import os
import tempfile
import threading
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold import names
from handhold.archive import bundle as bundle_module
from handhold.archive.archive import Archive
from handhold.archive.blocks import block_id, seal
from handhold.archive.recipe import Range
from handhold.archive.storage import LocalStorage
from handhold.errors import Damaged, OwnerError
from handhold.model import Entry, Gap, Kind
from tests.archive.fixtures import EVENING, again, bundles, contents, entry, files, finish, make, night, path

_DAY = timedelta(days=1)
_names = st.binary(min_size=1, max_size=12).filter(lambda raw: not set(raw) & set(b"/\0") and raw.strip(b"."))


@given(st.dictionaries(_names, st.binary(max_size=400), max_size=20))
@settings(deadline=None, max_examples=25)
def test_any_files_come_out_as_they_went_in(saves: dict[bytes, bytes]) -> None:
    written = {names.written(os.fsdecode(name)): data for name, data in saves.items()}
    with tempfile.TemporaryDirectory() as folder:
        archive = make(folder)
        snapshot = night(archive, written)
        assert (snapshot.files, snapshot.bytes) == (len(saves), sum(map(len, saves.values())))
        other = again(archive)
        out = contents(other, other.find("meadow"))
        assert {os.fsencode(names.native(name)): data for name, data in out.items()} == saves


def test_all_that_a_manifest_says_comes_out(tmp_path: Path) -> None:
    archive = make(tmp_path)
    gap = Gap("card", "Tinplate", "the folder cannot be listed", "tinplate", "look at the card")
    with archive.locked("x"), archive.writer() as writer:
        snapshot = finish(writer, [], gaps=[gap], layouts={"tinplate": b"{}", "lantern": b"{}"}, note="hello")
        assert writer.new_blocks == 1
    other = again(archive)
    manifest = other.read(snapshot)
    assert manifest.snapshot == snapshot
    assert (manifest.gaps, snapshot.gaps, snapshot.note) == ((gap,), 1, "hello")
    assert other.layout(manifest, "tinplate") == other.layout(manifest, "lantern") == b"{}"
    assert other.layout(manifest, "unknown") is None
    assert manifest.tool.startswith("handhold ")


def test_the_same_bytes_are_stored_once(tmp_path: Path) -> None:
    archive = make(tmp_path)
    night(archive, {"a": b"texture" * 999, "b": b"texture" * 999})
    before = files(archive)
    night(archive, {"elsewhere": b"texture" * 999}, device="garden", taken=EVENING + _DAY)
    new = {name: data for name, data in files(archive).items() if name not in before}
    assert sum(map(len, new.values())) < 1500
    assert {name: files(archive)[name] for name in before} == before


def test_a_night_touches_no_byte_of_an_older_one(tmp_path: Path) -> None:
    archive = make(tmp_path)
    before: dict[str, bytes] = {}
    for n in range(5):
        night(again(archive), {"a": b"%d" % n, "b": b"b"}, taken=EVENING + n * _DAY)
        now = files(archive)
        assert {name: now[name] for name in before} == before
        before = now


def _many(count: int) -> dict[str, bytes]:
    return {f"saves/{n % 40}/Game {n}.sav": b"%d" % (n // 3) for n in range(count)}


def test_a_quiet_night_over_20000_files_adds_less_than_64_kilobytes(tmp_path: Path) -> None:
    archive = make(tmp_path)
    first = night(archive, _many(20_000))
    other = again(archive)
    entries = list(other.entries(other.read(first)))
    assert len(entries) == 20_000
    assert all(other.holds(one) for one in entries)
    before = files(archive)
    with other.locked("x"), other.writer() as writer:
        finish(writer, entries, taken=EVENING + _DAY)
        assert (writer.new_blocks, writer.stored_bytes < 64 << 10) == (0, True)
    new = {name: data for name, data in files(archive).items() if name not in before}
    assert len(new) == 1
    assert sum(map(len, new.values())) == writer.stored_bytes < 64 << 10
    # And one changed save costs one page more.
    changed = [*entries[:500], msgspec.structs.replace(entries[500], modified=5), *entries[501:]]
    with other.locked("x"), other.writer() as writer:
        finish(writer, changed, taken=EVENING + 2 * _DAY)
        assert writer.new_blocks == 1
        assert writer.stored_bytes < 64 << 10


def test_stored_bytes_are_what_the_archive_has_grown(tmp_path: Path) -> None:
    archive = make(tmp_path)
    before = sum(map(len, files(archive).values()))
    with archive.locked("x"), archive.writer() as writer:
        data = [os.urandom(3000) for _ in range(20)]
        for one in data:
            writer.put_plain(one)
        finish(writer, [entry(f"{n}", one) for n, one in enumerate(data)])
    assert sum(map(len, files(archive).values())) - before == writer.stored_bytes
    assert writer.new_blocks == 21


def test_few_flushes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    archive = make(tmp_path)
    night(archive, {"a": b"1"})
    flushed: list[str] = []
    fsync = os.fsync

    def recorded(file: int) -> None:
        flushed.append(os.readlink(f"/proc/self/fd/{file}"))
        fsync(file)

    monkeypatch.setattr(os, "fsync", recorded)
    night(archive, {f"{n}": b"%d" % n for n in range(2000)}, taken=EVENING + _DAY)
    assert len([name for name in flushed if os.path.basename(name).startswith("new-")]) == 2
    assert len(flushed) <= 6


# -- runs that are cut off -----------------------------------------------------------------------------


def test_a_run_that_fails_leaves_the_archive_as_it_was(tmp_path: Path) -> None:
    archive = make(tmp_path)
    night(archive, {"a": b"1"})
    before = files(archive)
    with pytest.raises(KeyError), archive.locked("x"), archive.writer() as writer:
        writer.put_plain(b"half a night")
        raise KeyError
    assert files(archive) == before
    with archive.locked("x"), archive.writer() as writer:
        assert not writer.known(block_id(b"half a night"))


def test_finished_bundles_of_a_run_that_was_cut_off_are_used_by_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bundle_module, "FULL", 10_000)
    archive = make(tmp_path)
    night(archive, {"a": b"1"})
    before = files(archive)
    data = [os.urandom(4000) for _ in range(10)]
    child = os.fork()
    if child == 0:
        try:
            with archive.locked("x"), archive.writer() as writer:
                for one in data:
                    writer.put_plain(one)
                while len(list(Path(path(archive)).rglob("*.bundle"))) < 4:
                    time.sleep(0.01)  # the third of them is being closed: by name, for its name changes
                os._exit(0)  # as if the battery were empty: nothing is tidied
        finally:
            os._exit(1)  # else it would go on with the tests, as a second one of this process
    assert os.waitpid(child, 0)[1] == 0
    left = files(archive)
    assert {name: left[name] for name in before} == before
    assert len([name for name in left if name.endswith(".part")]) == 1
    other = again(archive)
    assert len(other.snapshots()) == 1
    with other.locked("x"), other.writer() as writer:
        assert [writer.known(block_id(one)) for one in data] == [True] * 9 + [False]
        for one in data:
            writer.put_plain(one)
        finish(writer, [entry(f"{n}", one) for n, one in enumerate(data)], taken=EVENING + _DAY)
        assert writer.new_blocks == 2
    assert not [name for name in files(archive) if name.endswith(".part")]
    assert contents(other, other.find("latest")) == {f"{n}": one for n, one in enumerate(data)}


def test_wherever_a_run_is_cut_off_old_snapshots_stay_and_the_next_run_works(tmp_path: Path) -> None:
    """Every write, flush, rename and folder of a night fails once, and nothing after it is done."""
    done = False
    for step in range(40):
        folder = tmp_path / str(step)
        folder.mkdir()
        archive = make(folder)
        first = night(archive, {"a": b"old", "b": b"both"})
        child = os.fork()
        if child == 0:
            _die_at(step)
            night(archive, {"a": b"new", "b": b"both"}, taken=EVENING + _DAY)
            os._exit(7)
        done = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 7
        other = again(archive)
        assert contents(other, first) == {"a": b"old", "b": b"both"}
        for one in other.snapshots()[1:]:
            assert contents(other, one) == {"a": b"new", "b": b"both"}
        assert other.unreadable == []
        later = night(other, {"a": b"later"}, taken=EVENING + 2 * _DAY)
        assert contents(again(archive), later) == {"a": b"later"}
        assert not [name for name in files(archive) if name.endswith(".part")]
        if done:
            break
    assert done
    assert step > 8


def _die_at(step: int) -> None:
    """This process ends at the ``step``-th call that changes what is on the medium."""
    left = [step]

    def dying(name: str) -> None:
        call = getattr(os, name)

        def counted(*given: object, **more: object) -> object:
            left[0] -= 1
            if left[0] < 0:
                os._exit(0)
            return call(*given, **more)

        setattr(os, name, counted)

    for name in ("fsync", "replace", "mkdir", "unlink"):
        dying(name)


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_medium_that_fails_is_told_and_leaves_no_snapshot(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    archive = make(tmp_path)
    night(archive, {"a": b"1"})
    before = files(archive)

    def fail(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, call, fail)
    with pytest.raises(OwnerError, match="no room left"):
        night(archive, {"a": b"2"}, taken=EVENING + _DAY)
    monkeypatch.undo()
    assert files(archive) == before
    assert again(archive).unreadable == []


# -- bundles that are hurt or lost -----------------------------------------------------------------------


def _three(tmp_path: Path) -> tuple[Archive, list[str]]:
    """Three nights with a bundle each."""
    archive = make(tmp_path)
    each = []
    for n in range(3):
        before = set(bundles(archive))
        night(archive, {"a": b"save %d " % n * 40, "same": b"same"}, taken=EVENING + n * _DAY)
        each += [*set(bundles(archive)) - before]
    return archive, each


def _cut_in_half(file: Path) -> None:
    file.write_bytes(file.read_bytes()[: file.stat().st_size // 8])


def _replace_by_link(file: Path) -> None:
    file.unlink()
    file.symlink_to("/etc/passwd")


def _empty(file: Path) -> None:
    file.write_bytes(b"")


@pytest.mark.parametrize("hurt", [os.unlink, _cut_in_half, _empty, _replace_by_link])
def test_a_bundle_that_is_lost_costs_only_what_needs_it(tmp_path: Path, hurt: Callable[[Path], None]) -> None:
    archive, each = _three(tmp_path)
    hurt(Path(path(archive, each[1])))
    other = again(archive)
    nights = other.nights()
    assert [one.name for one in nights] == [f"meadow.2031-04-0{day}.213000" for day in (5, 6, 7)]
    assert other.find("meadow.2031-04-06") == nights[1]
    for n in (0, 2):
        assert contents(other, nights[n]) == {"a": b"save %d " % n * 40, "same": b"same"}
    manifest = other.read(nights[1])
    with pytest.raises(Damaged):
        list(other.entries(manifest))
    # The next night stores anew what it needs, and the hurt night is whole again with it.
    night(other, {"a": b"save 1 " * 40, "same": b"same"}, taken=EVENING + 3 * _DAY)
    assert contents(again(archive), nights[1]) == {"a": b"save 1 " * 40, "same": b"same"}


def test_a_bundle_whose_end_is_torn_off_is_read_and_not_trusted(tmp_path: Path) -> None:
    archive, each = _three(tmp_path)
    file = Path(path(archive, each[1]))
    file.write_bytes(file.read_bytes()[:-30])
    other = again(archive)
    assert contents(other, other.nights()[1]) == {"a": b"save 1 " * 40, "same": b"same"}
    (hurt, _) = list(other.entries(other.read(other.nights()[1])))
    assert not other.holds(hurt)
    with other.locked("x"), other.writer() as writer:
        assert not writer.known(bytes.fromhex(hurt.sha256))


def test_every_copy_of_a_block_is_tried(tmp_path: Path) -> None:
    archive = make(tmp_path)
    snapshot = night(archive, {"a": b"twice"})
    (first,) = bundles(archive)
    writer = bundle_module.BundleWriter(archive.storage)
    writer.add(seal(b"twice"))
    second, _ = writer.close()
    for file in (first, second):
        whole = Path(path(archive, file)).read_bytes()
        hurt = bytearray(whole)
        hurt[8 + 64] ^= 1
        Path(path(archive, file)).write_bytes(bytes(hurt))
        assert contents(again(archive), snapshot) == {"a": b"twice"}
        Path(path(archive, file)).write_bytes(whole)


def test_a_flipped_bit_in_a_save_is_told_with_its_name(tmp_path: Path) -> None:
    archive = make(tmp_path)
    snapshot = night(archive, {"saves/Ladder.sav": b"LEVEL 3"})
    file = Path(path(archive, bundles(archive)[0]))
    hurt = bytearray(file.read_bytes())
    hurt[8 + 64] ^= 1
    file.write_bytes(bytes(hurt))
    with pytest.raises(Damaged, match=r"saves/Ladder\.sav \(tinplate\)") as told:
        contents(again(archive), snapshot)
    assert told.value.advice


def test_a_folder_of_bundles_that_cannot_be_listed_hides_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive, each = _three(tmp_path)
    bad = os.path.dirname(each[0])
    if sum(os.path.dirname(file) == bad for file in each) > 1:
        pytest.skip("two bundles fell into one folder")
    scan = os.scandir

    def hurt(place: str) -> object:
        if place.endswith(bad):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return scan(place)

    monkeypatch.setattr(os, "scandir", hurt)
    other = again(archive)
    assert other.block(block_id(b"save 2 " * 40).hex()) == b"save 2 " * 40
    with pytest.raises(Damaged):
        other.block(block_id(b"save 0 " * 40).hex())


def test_what_another_run_let_go_of_is_not_taken_for_stored(tmp_path: Path) -> None:
    archive = make(tmp_path)
    night(archive, {"a": b"1"})
    assert block_id(b"1") in archive.index
    os.unlink(path(archive, bundles(archive)[0]))
    with archive.locked("x"), archive.writer() as writer:
        assert not writer.known(block_id(b"1"))


# -- recipes, and entries that lie -----------------------------------------------------------------------


def test_a_file_in_pieces_comes_out_whole(tmp_path: Path) -> None:
    archive = make(tmp_path)
    blocks = [os.urandom(5000), b"x" * 9000, b"z"]
    with archive.locked("x"), archive.writer() as writer:
        ids = [bytes.fromhex(writer.put_plain(one)) for one in blocks]
        ranges = [Range(ids[0], 100, 900), Range(ids[0], 0, 50), Range(ids[2], 0, 1), Range(ids[1], 8999, 1)]
        whole = blocks[0][100:1000] + blocks[0][:50] + b"zx"
        one = entry("state", whole, recipe=writer.put_recipe(ranges))
        snapshot = finish(writer, [one])
        with pytest.raises(ValueError):
            writer.put_recipe([Range(bytes(32), 0, 1)])
    other = again(archive)
    assert contents(other, snapshot) == {"state": whole}
    assert other.holds(one)


def test_content_that_is_not_what_the_entry_says_is_damage(tmp_path: Path) -> None:
    archive = make(tmp_path)
    with archive.locked("x"), archive.writer() as writer:
        ident = bytes.fromhex(writer.put_plain(b"12345678"))
        good = writer.put_recipe([Range(ident, 0, 8)])
        beyond = writer.put_recipe([Range(ident, 4, 8)])
        writer.put_plain(b"")
    one = entry("a", b"12345678")
    assert b"".join(archive.content(one)) == b"12345678"
    replace = msgspec.structs.replace
    lies = [
        replace(one, size=7),
        replace(one, size=0),
        replace(one, size=0, recipe=good),
        replace(one, sha256="0" * 64),
        replace(one, sha256="0" * 64, recipe=good),
        replace(one, size=9, recipe=good),
        replace(one, recipe=beyond),
        replace(one, recipe=ident.hex()),
        replace(one, recipe="0" * 64),
        replace(entry("a", b""), size=1),
    ]
    for lie in lies:
        with pytest.raises(Damaged, match="tinplate"):
            list(archive.content(lie))
    assert list(archive.content(entry("empty", b""))) == []
    assert archive.holds(entry("empty", b""))
    assert not archive.holds(lies[4]) or lies[4].recipe == good
    assert not archive.holds(lies[5])
    assert not archive.holds(lies[7])
    assert not archive.holds(lies[8])


def test_what_could_not_be_read_back_is_not_written(tmp_path: Path) -> None:
    archive = make(tmp_path)
    before = files(archive)
    bad: list[list[Entry]] = [
        [entry("never put", b"x")],
        [entry("../out", b"")],
        [entry("same", b""), entry("same", b"")],
        [msgspec.structs.replace(entry("a", b""), emulator="Not An Id")],
    ]
    for entries in bad:
        with pytest.raises(ValueError), archive.locked("x"), archive.writer() as writer:
            finish(writer, entries)
    for device in ("", "../x", "a b", "x" * 41):
        with pytest.raises(ValueError), archive.locked("x"), archive.writer() as writer:
            finish(writer, [], device=device)
    assert files(archive) == before


def test_two_manifests_in_one_run(tmp_path: Path) -> None:
    """As a restore does: what stood there, then what was written."""
    archive = make(tmp_path)
    with archive.locked("x"), archive.writer() as writer:
        writer.put_plain(b"stood here")
        safety = finish(writer, [entry("a", b"stood here")], kind=Kind.SAFETY)
        assert contents(archive, safety) == {"a": b"stood here"}
        writer.put_plain(b"written")
        restored = finish(writer, [entry("a", b"written")], kind=Kind.RESTORED)
    assert (
        [one.sequence for one in again(archive).snapshots()] == [safety.sequence, restored.sequence] == [1, 2]
    )


def test_pages_are_kept_in_memory_and_only_so_many(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    archive = make(tmp_path)
    snapshot = night(archive, _many(40_000))
    other = again(archive)
    manifest = other.read(snapshot)
    reads: list[str] = []
    block = other.block

    def recorded(ident: str) -> bytes:
        reads.append(ident)
        return block(ident)

    monkeypatch.setattr(other, "block", recorded)
    ids = [page.id for page in manifest.pages]
    for ident in ids[:200]:
        other.page(ident)
    for ident in ids[:200]:
        other.page(ident)
    assert reads == ids[:200]
    assert len(list(other.entries(manifest))) == 40_000
    assert len(other._pages) == 256


def test_an_archive_is_the_same_after_it_was_copied(tmp_path: Path) -> None:
    import shutil

    archive, _ = _three(tmp_path)
    shutil.copytree(path(archive), tmp_path / "copy")
    copy = Archive.open(LocalStorage(str(tmp_path / "copy")))
    assert copy.id == archive.id
    assert [contents(copy, one) for one in copy.nights()] == [
        contents(archive, one) for one in archive.nights()
    ]


def test_a_bundle_that_cannot_be_closed_ends_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where it is closed while the next one is written: no manifest, and nothing half done is left."""
    monkeypatch.setattr(bundle_module, "FULL", 10_000)
    archive = make(tmp_path)
    night(archive, {"a": b"1"})
    before = files(archive)
    flush = os.fsync
    closed: list[int] = []

    def full(handle: int) -> None:
        closed.append(handle)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    data = [os.urandom(4000) for _ in range(4)]
    with (
        pytest.raises(OwnerError, match="no room left"),
        archive.locked("x"),
        archive.writer() as writer,
    ):
        monkeypatch.setattr(os, "fsync", full)
        try:
            for one in data:
                writer.put_plain(one)
            finish(writer, [entry(f"{n}", one) for n, one in enumerate(data)], taken=EVENING + _DAY)
        finally:
            monkeypatch.setattr(os, "fsync", flush)
    assert len(closed) == 1
    assert files(archive) == before


def test_a_block_is_known_while_its_bundle_is_being_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The medium takes its time: blocks of the closing bundle, and of the next one, are stored once."""
    monkeypatch.setattr(bundle_module, "FULL", 10_000)
    archive = make(tmp_path)
    saves = [os.urandom(1000) for _ in range(40)]
    may_flush, flushes = threading.Event(), threading.Event()
    flush = os.fsync

    def slow(handle: int) -> None:
        if threading.current_thread() is not threading.main_thread():
            flushes.set()
            assert may_flush.wait(30)
        flush(handle)

    with archive.locked("x"), archive.writer() as writer:
        monkeypatch.setattr(os, "fsync", slow)
        for data in saves[:15]:
            writer.put_plain(data)
        assert flushes.wait(30) and not writer.bundles
        assert all(writer.known(block_id(data)) for data in saves[:15])
        assert not any(writer.known(block_id(data)) for data in saves[15:])
        may_flush.set()
        for data in saves:
            writer.put_plain(data)
        assert all(writer.known(block_id(data)) for data in saves)
    assert writer.new_blocks == len(saves)
    stored = [row.id for _, table in again(archive).index.tables() for row in bundle_module.rows(table)]
    assert sorted(stored) == sorted(map(block_id, saves))


def test_a_full_bundle_counts_as_soon_as_it_is_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not only when the next one is full: until then its blocks are remembered one by one."""
    monkeypatch.setattr(bundle_module, "FULL", 10_000)
    archive = make(tmp_path)
    with archive.locked("x"), archive.writer() as writer:
        for _ in range(11):
            writer.put_plain(os.urandom(1000))
        for number in range(100):  # far from full
            if writer.bundles:
                break
            time.sleep(0.1)
            writer.put_plain(b"%d" % number)
        assert len(writer.bundles) == 1


def test_what_went_into_a_bundle_of_this_run_is_known_without_being_read_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bundle_module, "FULL", 10_000)
    archive = make(tmp_path)
    saves = [os.urandom(1000) for _ in range(60)]
    with archive.locked("x"), archive.writer() as writer:
        for data in saves:
            writer.put_plain(data)
        writer.settle()
        assert len(writer.bundles) > 4

        def unwanted(ident: bytes) -> bool:
            raise AssertionError("it was read back")

        monkeypatch.setattr(archive, "gives_back", unwanted)
        for data in saves:
            writer.put_plain(data)
        assert writer.new_blocks == len(saves)
    assert sum(1 for _ in again(archive).index.tables()) == len(bundles(archive))
