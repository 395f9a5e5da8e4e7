"""The check of an archive: what it reports, what it reads, and what only a deep one finds."""

from __future__ import annotations

import errno
import hashlib
import os
import random
import re
import tracemalloc
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs

from handhold import beside
from handhold.archive import bundle, judging, manifest, report, soundness, twofold
from handhold.archive import head as heads
from handhold.archive.blocks import Sealed, block_id, decompress, seal
from handhold.archive.bundle import BundleWriter
from handhold.archive.head import Head
from handhold.archive.manifest import PageRef
from handhold.archive.recipe import Range
from handhold.archive.storage import LocalStorage
from handhold.archive.verify import Affected, verify
from handhold.archive.writer import Writer
from handhold.errors import Damaged, NotNow, OwnerError, WrongInput
from handhold.model import Entry, Kind, Part
from tests.archive.damaged import Memory, World, check_truth, large_world, local, put_cut, small_world
from tests.archive.fixtures import EVENING, again, bundles, entry, files, finish, make, night, path


@pytest.fixture
def world(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> World:
    return small_world(tmp_path, monkeypatch)


def test_a_sound_archive(tmp_path: Path) -> None:
    made = large_world(tmp_path)
    root = tmp_path / "archive"
    # Counted apart: every file by the operating system, records by the mark that each begins with.
    sizes = {
        name: os.path.getsize(os.path.join(folder, name))
        for folder, _, names in os.walk(root)
        for name in names
        if not name.startswith(".lock")
    }
    records = sum(data.count(b"HHR1") for name, data in made.files.items() if name.endswith(".bundle"))
    for deep in (False, True):
        found = verify(LocalStorage(str(root)), deep)
        assert (found.ok, found.deep, found.damage, found.notes) == (True, deep, (), ())
        assert found.bytes == sum(sizes.values())
        assert found.bundles == sum(name.endswith(".bundle") for name in sizes)
        assert found.snapshots == sum(name.endswith(".manifest") for name in sizes) == 3
        assert found.blocks == records
        assert found.whole == made.nights


def test_an_empty_archive(tmp_path: Path) -> None:
    found = verify(make(tmp_path).storage, True)
    assert (found.ok, found.snapshots, found.bundles, found.blocks, found.whole) == (True, 0, 0, 0, ())
    assert found.notes == ()


def test_what_is_no_archive(tmp_path: Path) -> None:
    with pytest.raises(NotNow):
        verify(LocalStorage(str(tmp_path / "missing")), False)
    (tmp_path / "plain").mkdir()
    with pytest.raises(NotNow):
        verify(LocalStorage(str(tmp_path / "plain")), False)
    (tmp_path / "plain" / "photo.jpg").write_bytes(b"photo")
    with pytest.raises(WrongInput):
        verify(LocalStorage(str(tmp_path / "plain")), False)
    with pytest.raises(WrongInput):
        verify(LocalStorage(str(tmp_path / "plain" / "photo.jpg")), False)


def test_an_archive_of_another_format(world: World) -> None:
    lines = b"format: 2\n"
    other = lines + b'check: "%s"\n' % hashlib.sha256(lines).hexdigest().encode()
    with pytest.raises(OwnerError, match="format 2"):
        verify(world.memory({"archive.yaml": other}), False)


def test_the_same_report_whatever_the_order(world: World) -> None:
    changed: dict[str, bytes | None] = {"manifests/b": b"b", "bundles/a": b"a", "x": b"x", "y": b"y"}
    for file, data in world.files.items():
        if file.endswith(".bundle"):
            changed[file] = data[:100] + b"\xff" + data[101:]
    first = verify(world.memory(changed), False)
    turned = world.memory(changed)
    turned.files = dict(reversed(turned.files.items()))
    assert verify(turned, False) == first
    assert [damage.file for damage in first.damage] == sorted(damage.file for damage in first.damage)
    for damage in first.damage:
        rows = [(one.snapshot, one.device, one.emulator or "", one.path or "") for one in damage.affects]
        assert rows == sorted(set(rows))


def test_progress(tmp_path: Path) -> None:
    large_world(tmp_path)
    told: list[tuple[int, int]] = []
    for deep in (False, True):
        told.clear()
        found = verify(LocalStorage(str(tmp_path / "archive")), deep, lambda *now: told.append(now))
        assert [done for done, _ in told] == sorted(done for done, _ in told)
        assert all(0 <= done <= total for done, total in told)
        assert told[-1][0] == told[-1][1] >= found.bytes
        if not deep:
            assert told[-1] == (found.bytes, found.bytes)


def test_progress_through_hurt_bundles(world: World) -> None:
    told: list[int] = []
    for file, data in world.files.items():
        told.clear()
        found = verify(world.memory({file: data[:-1]}), False, lambda done, total: told.append(done))
        assert told == sorted(told)
        assert told[-1] == found.bytes


def test_large_bundles_are_read_once_and_never_held(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bundle, "FULL", 1 << 40)
    chance = random.Random(3)
    archive = make(tmp_path)
    with archive.locked("test"), archive.writer() as writer:
        entries = []
        for number in range(96):
            data = chance.randbytes((1 << 20) - number)
            writer.put_plain(data)
            entries.append(entry(f"{number:02}.sav", data))
        finish(writer, entries)
    (file,) = bundles(archive)
    size = os.path.getsize(path(archive, file))
    reads: list[int] = []
    storage = LocalStorage(path(archive))
    read = storage.read
    monkeypatch.setattr(beside, "_cores", lambda: 1)  # a second process reads as well, uncounted

    def counted(name: str, offset: int, length: int) -> bytes:
        if name == file:
            reads.append(length)
        return read(name, offset, length)

    monkeypatch.setattr(storage, "read", counted)
    tracemalloc.start()
    try:
        assert verify(storage, False).ok
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert max(reads) <= 8 << 20
    # The table at the end, and the one page, are read apart.
    assert size <= sum(reads) + 96 * 56 + 24 <= size + 128 * 1024
    assert len(reads) < 60  # runs of 2 MiB: larger ones leave the processor's cache before they are summed
    assert peak < 40 << 20


@pytest.mark.parametrize("deep", [False, True])
@pytest.mark.parametrize("run", [1, 1000, 1 << 21])
def test_hurt_records_are_told_the_same_in_short_and_long_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: int, deep: bool
) -> None:
    monkeypatch.setattr(judging, "RUN", run)
    chance = random.Random(5)
    archive = make(tmp_path)
    saves = {f"{number:02}.sav": chance.randbytes(100 + number) for number in range(40)}  # cannot be packed
    with archive.locked("test"), archive.writer() as writer:
        for data in saves.values():
            writer.put_plain(data)
        finish(writer, [entry(name, data) for name, data in saves.items()])
    (file,) = bundles(archive)
    target = Path(path(archive, file))
    sound = target.read_bytes()
    names = list(saves)

    def begin(number: int) -> int:
        """Where a save's record begins: FORMAT.md, 64 bytes before its payload."""
        return sound.index(saves[names[number]]) - 64

    first, last = begin(7), begin(31)
    hurt = bytearray(sound)
    for at in (
        first + 64,  # the first byte of a payload, the last byte of another
        last + 64 + len(saves[names[31]]) - 1,
        begin(0),  # the first byte of a header, the last of one whose payload is sound
        begin(20) + 63,
    ):
        hurt[at] ^= 1
    target.write_bytes(hurt)
    total = sound.count(b"HHR1")
    why = "its stored bytes are not what was stored"
    told: list[tuple[int, int]] = []
    found = verify(LocalStorage(path(archive)), deep, lambda *now: told.append(now))
    unreadable = f"2 of its {total} records cannot be read, the first at byte {first} ({why})"
    what = f"{unreadable}; the beginning of 2 of its {total} records is hurt."
    assert [(one.file, one.what) for one in found.damage] == [(file, what)]
    assert {one.path for one in found.damage[0].affects} == {names[7], names[31]}
    assert found.blocks == total
    assert told[-1] == (found.bytes, found.bytes)


# -- what only a deep check finds ----------------------------------------------------------------------------


def forge(archive_folder: Path, forged: Callable[[Sealed], Sealed]) -> World:
    """A night of one save and one cut file; the blocks of 'hello' are forged while they are written."""
    archive = make(archive_folder)
    real = Writer.put

    def put(self: Writer, block: Sealed) -> None:
        real(self, forged(block))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Writer, "put", put)
        with archive.locked("test"), archive.writer() as writer:
            saves = {"hello.sav": b"hello", "other.sav": b"other" * 40}
            entries = [entry(name, data) for name, data in saves.items()]
            for data in saves.values():
                writer.put_plain(data)
            cut, saves["card.mc"] = put_cut(writer, "card.mc", [b"hello", b"and more"])
            done = finish(writer, [*entries, cut])
    return World(
        files(archive),
        {done.name: saves},
        {"meadow.20310405T193000Z": done.name},
        {done.name: Kind.NIGHT},
        {done.name: done.file},
    )


def test_a_record_with_a_right_checksum_and_a_wrong_content(tmp_path: Path) -> None:
    """Somebody changed a block and made its checksum fit: only its name tells."""

    def forged(block: Sealed) -> Sealed:
        return block if block.id != block_id(b"hello") else seal(b"HELLO")._replace(id=block.id)

    made = forge(tmp_path, forged)
    assert verify(made.memory(), False).ok
    found = verify(made.memory(), True)
    check_truth(made, made.memory(), found)
    assert [one.path for damage in found.damage for one in damage.affects] == ["card.mc", "hello.sav"]
    assert found.whole == ()


def test_a_record_that_unpacks_to_another_length(tmp_path: Path) -> None:
    plain = b"other" * 40

    def forged(block: Sealed) -> Sealed:
        longer = seal(plain + b"x")._replace(id=block.id, plain_size=len(plain))
        return longer if block.id == block_id(plain) else block

    made = forge(tmp_path, forged)
    assert verify(made.memory(), False).ok
    found = verify(made.memory(), True)
    check_truth(made, made.memory(), found)
    assert [one.path for damage in found.damage for one in damage.affects] == ["other.sav"]


def one_night(folder: Path, bad: Callable[[Writer], Entry]) -> World:
    """A night of a sound save, and an entry that says what is not so."""
    archive = make(folder)
    with archive.locked("test"), archive.writer() as writer:
        writer.put_plain(b"good")
        wrong = bad(writer)
        done = finish(writer, [entry("good.sav", b"good"), wrong])
    saves = {"good.sav": b"good", wrong.path: b"never"}
    return World(
        files(archive),
        {done.name: saves},
        {"meadow.20310405T193000Z": done.name},
        {done.name: Kind.NIGHT},
        {done.name: done.file},
    )


def lie(where: str, size: int, sha256: str, recipe: str | None = None) -> Entry:
    return Entry("tinplate", Part.STATES, "main", where, size, 0, sha256, game="Kites", recipe=recipe)


def test_a_whole_file_that_is_not_what_its_list_says(tmp_path: Path) -> None:
    def bad(writer: Writer) -> Entry:
        recipe = put_cut(writer, "x", [b"abc", b"def"])[0].recipe
        return lie("x.mc", 6, hashlib.sha256(b"abcdeg").hexdigest(), recipe)

    made = one_night(tmp_path, bad)
    assert verify(made.memory(), False).ok
    found = verify(made.memory(), True)
    check_truth(made, made.memory(), found)
    name = made.nights[0]
    assert [damage.affects for damage in found.damage] == [
        (Affected(name, "meadow", "tinplate", Part.STATES, "Kites", "x.mc"),)
    ]


def _long_range(writer: Writer) -> Entry:
    writer.put_plain(b"abc")
    ranges = [Range(block_id(b"abc"), 1, 3)]
    return lie("x.mc", 3, "ab" * 32, writer.put_recipe(ranges))


def _other_total(writer: Writer) -> Entry:
    return lie("x.mc", 7, "ab" * 32, put_cut(writer, "x", [b"abc", b"def"])[0].recipe)


def _no_recipe(writer: Writer) -> Entry:
    return lie("x.mc", 7, "ab" * 32, writer.put_plain(b"this is no recipe"))


def _other_size(writer: Writer) -> Entry:
    return lie("x.sav", 4, writer.put_plain(b"abc"))


def _not_empty(writer: Writer) -> Entry:
    return lie("x.sav", 0, hashlib.sha256(b"abc").hexdigest())


@pytest.mark.parametrize("bad", [_long_range, _other_total, _no_recipe, _other_size, _not_empty])
def test_an_entry_that_does_not_fit_its_blocks(tmp_path: Path, bad: Callable[[Writer], Entry]) -> None:
    made = one_night(tmp_path, bad)
    for deep in (False, True):
        found = verify(made.memory(), deep)
        check_truth(made, made.memory(), found)
        assert [len(damage.affects) for damage in found.damage] == [1]
        assert found.damage[0].file.endswith(".bundle")


# -- two copies of a block -----------------------------------------------------------------------------------


def test_a_hurt_copy_of_what_is_sound_elsewhere(tmp_path: Path) -> None:
    archive = make(tmp_path)
    save = b"a save that is kept twice"
    taken = night(archive, {"a.sav": save})
    second = BundleWriter(archive.storage)
    second.add(seal(save))
    second.add(seal(b"something else"))
    second.close()
    sound = files(archive)
    made = World(
        sound,
        {taken.name: {"a.sav": save}},
        {"meadow.20310405T193000Z": taken.name},
        {taken.name: Kind.NIGHT},
        {taken.name: taken.file},
    )
    both: dict[str, bytes | None] = {}
    for file, data in sound.items():
        if not file.endswith(".bundle"):
            continue
        at = data.index(save)
        both[file] = data[:at] + b"A" + data[at + 1 :]
        one = made.memory({file: both[file]})
        found = verify(one, False)
        assert [damage.file for damage in found.damage] == [file]
        assert found.damage[0].affects == ()
        assert "No snapshot loses a file" in found.damage[0].what
        assert found.whole == (taken.name,)
        check_truth(made, one, found)
    found = verify(made.memory(both), False)
    assert [damage.file for damage in found.damage] == sorted(both)
    assert {damage.affects for damage in found.damage} == {
        (Affected(taken.name, "meadow", "tinplate", Part.SAVES, None, "a.sav"),)
    }
    check_truth(made, made.memory(both), found)


# -- the medium ----------------------------------------------------------------------------------------------


def test_sectors_that_cannot_be_read(world: World) -> None:
    for file, data in world.files.items():
        for at in range(0, len(data), 32):
            storage = world.memory()
            storage.dead[file] = (at, at + 32)
            found = verify(storage, at % 64 == 0)
            assert found.damage[0].file == file
            check_truth(world, storage, found)


def test_one_dead_sector_in_a_large_bundle(tmp_path: Path) -> None:
    made = large_world(tmp_path)
    for file in (file for file in made.files if file.endswith(".bundle")):
        storage = made.memory()
        storage.dead[file] = (20_000, 20_512)
        found = verify(storage, False)
        # A dying medium takes seconds for each try: it is not tried again for every record around.
        assert storage.failed <= 4
        check_truth(made, storage, found)
        assert "medium reports an error" in found.damage[0].what


def test_folders_that_cannot_be_listed(world: World) -> None:
    folders = {file.rpartition("/")[0] for file in world.files} | {"bundles"}
    for folder in sorted(folders - {""}):
        storage = world.memory()
        storage.dead_folders.add(folder)
        found = verify(storage, False)
        assert folder in [damage.file for damage in found.damage]
        if folder == "manifests":
            assert found.whole == ()  # whose snapshots there were, nothing tells
        else:
            check_truth(world, storage, found)


def test_folders_where_files_should_be(world: World) -> None:
    for file in world.files:
        storage = world.memory({file: None})
        storage.folders.add(file)
        found = verify(storage, False)
        assert file in [damage.file for damage in found.damage]
        check_truth(world, storage, found)


def test_files_where_folders_should_be(world: World) -> None:
    for folder in ("manifests", "bundles", "parity"):
        storage = world.memory({file: None for file in world.files if file.startswith(folder)})
        storage.files[folder] = b"not a folder"
        found = verify(storage, False)
        assert folder in [damage.file for damage in found.damage]
        if folder != "manifests":
            check_truth(world, storage, found)


def test_links_and_pipes(world: World, tmp_path: Path) -> None:
    """Nothing is followed or waited for, not even a link to the very bytes."""
    for number, file in enumerate(world.files):
        storage = local(str(tmp_path / f"copy {number}"), world)
        full = os.path.join(storage.root, file)
        os.rename(full, full + ".kept")
        os.symlink(full + ".kept", full)
        found = verify(storage, False)
        assert file in [damage.file for damage in found.damage]
        os.unlink(full)
        os.mkfifo(full)
        found = verify(LocalStorage(storage.root), False)
        assert file in [damage.file for damage in found.damage]


def test_an_input_error_from_the_operating_system(
    world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = next(file for file in world.files if file.endswith(".bundle"))
    storage = local(str(tmp_path / "copy"), world)
    real = os.pread
    wrong = os.stat(os.path.join(storage.root, file)).st_ino

    def pread(descriptor: int, length: int, offset: int) -> bytes:
        if os.fstat(descriptor).st_ino == wrong and offset < 80 < offset + length:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(descriptor, length, offset)

    monkeypatch.setattr(os, "pread", pread)
    found = verify(storage, True)
    assert file in [damage.file for damage in found.damage]


def test_a_card_that_is_taken_out(world: World) -> None:
    """That is no damage, and no report."""
    needed = world.memory()
    assert verify(needed, True).ok
    for after in range(len(needed.reads)):
        storage = world.memory()
        storage.out_after = after
        with pytest.raises(NotNow):
            verify(storage, True)


def test_a_card_that_is_taken_out_and_leaves_an_empty_folder(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    storage = world.memory()
    read = storage.read

    def last_read(name: str, offset: int, length: int) -> bytes:
        if name.endswith(".manifest"):
            storage.files.clear()
            storage.folders.clear()
        return read(name, offset, length)

    monkeypatch.setattr(storage, "read", last_read)
    with pytest.raises(NotNow):
        verify(storage, False)


# -- what does no harm ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "new-0123456789abcdef.part",
        "bundles/new-0123456789abcdef.part",
        "manifests/new-0123456789abcdef.part",
        ".lock-note",
        ".hidden",
        "notes from the owner.txt",
        "bundles/.hidden",
        "manifests/.hidden",
        "bundles/ab/.hidden",
        "lost+found/x",
    ],
)
def test_harmless_leftovers(world: World, name: str) -> None:
    for data in (b"", b"bytes", next(data for file, data in world.files.items() if "bundles/" in file)):
        found = verify(world.memory({name: data}), True)
        assert found.ok
        assert len(found.notes) == 1
        assert found.bytes == sum(map(len, world.files.values()))
    assert verify(world.memory({".lock": b""}), True).notes == ()


def test_many_hidden_files_are_one_note(world: World) -> None:
    names = [f"bundles/ab/.x{n}" for n in range(50)]
    found = verify(world.memory(dict.fromkeys(names, b"x")), False)
    assert found.ok
    assert found.notes == ("bundles/ab/.x0 and 49 more like it: hidden, put there by a computer; harmless.",)


def test_a_restored_snapshot_whose_base_was_let_go_of(world: World) -> None:
    base = world.nights[0]
    found = verify(world.memory({world.manifests[base]: None}), False)
    assert found.ok
    assert any(note.startswith(base) for note in found.notes)


# -- what is told --------------------------------------------------------------------------------------------


def test_a_lost_layout_costs_no_file(world: World) -> None:
    for file, data in world.files.items():
        if b'{"layout": 1}' in data:
            storage = world.memory({file: data.replace(b'{"layout": 1}', b'{"layout": 2}')})
            found = verify(storage, False)
            assert found.whole == world.nights
            assert found.damage[0].affects == ()
            assert "the layout of tinplate" in found.damage[0].what
            check_truth(world, storage, found)
            return
    raise AssertionError("the layout is in no bundle")


def test_a_hurt_page_hides_what_it_lists(world: World) -> None:
    """A list that is gone cannot say what it listed: the snapshot is named, and no path."""
    seen = False
    for file, data in world.files.items():
        at = data.find(b"HHR1")
        while at >= 0:
            storage = world.memory({file: data[: at + 64] + bytes([data[at + 64] ^ 1]) + data[at + 65 :]})
            found = verify(storage, False)
            affects = [one for damage in found.damage for one in damage.affects]
            unknown = [one for one in affects if one.path is None]
            seen = seen or bool(unknown)
            for one in unknown:
                assert (one.emulator, one.part, one.game) == (None, None, None)
            at = data.find(b"HHR1", at + 1)
    assert seen


def test_a_manifest_names_its_snapshot_as_far_as_it_can(world: World) -> None:
    for name, file in world.manifests.items():
        device = name.partition(".")[0]
        data = world.files[file]
        # The head is there, the end is not: the very name. All is hurt: what the file is called.
        for hurt, wanted in (
            (data[:-1], name),
            (b"x", ".".join(file.partition("/")[2].split(".")[:2])),
        ):
            found = verify(world.memory({file: hurt}), False)
            (damage,) = found.damage
            assert damage.file == file
            assert damage.affects == (Affected(wanted, device),)


def test_renamed_files_are_told_their_names(world: World) -> None:
    for file, data in world.files.items():
        folder, slash, last = file.rpartition("/")
        if slash:
            found = verify(world.memory({file: None, f"{folder}/copy of {last}": data}), False)
            told = [damage.what for damage in found.damage if damage.file == f"{folder}/copy of {last}"]
            assert len(told) == 1 and f"call it {file}" in told[0]
            # What it takes from snapshots is told with it, and not with something unknown.
            if last.endswith(".bundle"):
                assert [damage.file for damage in found.damage] == [f"{folder}/copy of {last}"]


def test_a_safety_snapshot_that_is_gone(world: World) -> None:
    safety = next(name for name, kind in world.kinds.items() if kind is Kind.SAFETY)
    restored = next(name for name, kind in world.kinds.items() if kind is Kind.RESTORED)
    found = verify(world.memory({world.manifests[safety]: None}), False)
    (damage,) = found.damage
    assert damage.file == world.manifests[safety]
    assert restored in damage.what and "undone" in damage.what
    assert found.whole == world.nights


def test_too_much_damage_to_name_every_file(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    def paths(file: str) -> set[str | None]:
        found = verify(world.memory({file: world.files[file][:80]}), False)
        return {one.path for damage in found.damage for one in damage.affects}

    chosen = next(file for file in sorted(world.files) if len(paths(file)) > 2)
    monkeypatch.setattr(report, "MOST_AFFECTED", 2)
    found = verify(world.memory({chosen: world.files[chosen][:80]}), False)
    affects = {one for damage in found.damage for one in damage.affects}
    assert {(one.part, one.game, one.path) for one in affects} == {(None, None, None)}
    assert any("only their emulators" in note for note in found.notes)


def test_messages_are_whole_sentences(world: World) -> None:
    for file, data in world.files.items():
        for changed in (None, b"", data[:-1], data[: len(data) // 2], data + b"x"):
            for damage in verify(world.memory({file: changed}), False).damage:
                assert damage.what.endswith(".")
                assert ".." not in damage.what and "None" not in damage.what


def test_damage_to_the_description_hides_nothing(world: World) -> None:
    for changed in (None, b"", b"format: 1\n", b"\0" * 100):
        storage = world.memory({"archive.yaml": changed})
        found = verify(storage, True)
        assert [damage.file for damage in found.damage] == ["archive.yaml"]
        check_truth(world, storage, found)


def test_an_unreadable_folder_raises_damage_only(world: World) -> None:
    """The top level must be listed, or there is nothing to say."""
    storage = world.memory()
    storage.dead_folders.add("")
    with pytest.raises(Damaged):
        verify(storage, False)


# -- manifests that do not fit their pages -------------------------------------------------------------------


def with_manifest(world: World, change: Callable[[Head, list[PageRef]], tuple[Head, list[PageRef]]]) -> World:
    """The archive with its first manifest written anew, sound by itself, after a change to what it says."""
    name = world.nights[0]
    old = world.files.pop(world.manifests[name])
    lines = decompress(old, heads.LARGEST)
    head, snapshot = heads.decode_head(world.manifests[name], lines)
    head, refs = change(head, list(manifest.decode(world.manifests[name], old).pages))
    packed = manifest.pack(manifest.encode(head, refs, []))
    file = manifest.file_name(head.device, snapshot.taken, packed)
    world.files[file] = packed
    world.manifests[name] = file
    return world


def test_pages_in_the_wrong_order(world: World) -> None:
    made = with_manifest(world, lambda head, refs: (head, refs[::-1]))
    (damage,) = verify(made.memory(), False).damage
    assert damage.file == made.manifests[made.nights[0]]
    assert damage.affects == (Affected(made.nights[0], "meadow"),)


def test_pages_of_other_lengths(world: World) -> None:
    def change(head: Head, refs: list[PageRef]) -> tuple[Head, list[PageRef]]:
        first, second = refs
        return head, [PageRef(first.id, first.entries - 1), PageRef(second.id, second.entries + 1)]

    made = with_manifest(world, change)
    (damage,) = verify(made.memory(), False).damage
    assert damage.affects == (Affected(made.nights[0], "meadow"),)
    assert made.nights[0] not in verify(made.memory(), False).whole


def test_a_wrong_number_of_bytes(world: World) -> None:
    made = with_manifest(world, lambda head, refs: (structs.replace(head, bytes=head.bytes + 1), refs))
    found = verify(made.memory(), False)
    assert [damage.affects for damage in found.damage] == [()]
    check_truth(made, made.memory(), found)


def test_a_safety_snapshot_that_cannot_be(world: World) -> None:
    made = with_manifest(world, lambda head, refs: (structs.replace(head, safety="../../x"), refs))
    (damage,) = verify(made.memory(), False).damage
    assert damage.file == made.manifests[made.nights[0]]
    assert damage.affects == ()


def test_a_sequence_that_cannot_be(world: World) -> None:
    made = with_manifest(world, lambda head, refs: (structs.replace(head, sequence=1 << 62), refs))
    assert verify(made.memory(), False).notes == ()


@pytest.mark.parametrize("damage", [True, False])
@pytest.mark.parametrize("needed", [True, False])
@pytest.mark.parametrize("deep", [True, False])
def test_an_archive_is_not_called_whole_after_a_bundle_that_a_night_needs_vanished(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, deep: bool, needed: bool, damage: bool
) -> None:
    """Between the look at what there is and its turn to be read: its blocks may be elsewhere."""
    archive = make(tmp_path)
    data = b"Mole Hollow, chapter 1" * 40
    writer = BundleWriter(archive.storage)
    writer.add(seal(data))
    alone, _ = writer.close()
    night(again(archive), {"saves/a.sav": data if needed else b"another"})
    if damage:
        Path(path(archive, "ARCHIVE.md")).write_text("something else")
    judged = twofold.judged

    def late(*arguments: Any) -> Any:
        storage.close()  # as where another process opens it
        os.unlink(path(archive, alone))
        return judged(*arguments)

    monkeypatch.setattr(soundness, "judged", late)
    storage = LocalStorage(path(archive))
    if needed:
        with pytest.raises(NotNow, match=re.escape(alone)) as told:
            verify(storage, deep)
        assert ("damage besides" in str(told.value)) == damage
    elif damage:
        found = verify(storage, deep)
        assert [one.file for one in found.damage] == ["ARCHIVE.md"]
    else:
        found = verify(storage, deep)
        assert found.ok
        assert any(alone in note and "vanished" in note for note in found.notes)


def test_a_file_of_several_blocks_needs_no_copy_of_it_in_one(tmp_path: Path) -> None:
    """A zip that one night has in pieces and a later one in one block, because another part claims it.

    All that tells of the later night, once its manifest is lost, is a bundle that nobody needs.
    """
    archive = make(tmp_path)
    with archive.locked("test"), archive.writer() as writer:
        cut, data = put_cut(writer, "nightly.zip", [b"Mole Hollow" * 30, b"Lamplighter" * 30])
        finish(writer, [cut])
    lost = night(again(archive), {"nightly.zip": data}, taken=EVENING + timedelta(days=1))
    os.unlink(path(archive, lost.file))
    for deep in (False, True):
        found = verify(LocalStorage(path(archive)), deep)
        assert found.ok
        assert [note.partition(" holds ")[0] for note in found.notes] == ["1 bundle"]


@pytest.mark.parametrize("deep", [True, False])
def test_a_copy_in_one_block_of_a_file_of_several_may_vanish(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, deep: bool
) -> None:
    archive = make(tmp_path)
    with archive.locked("test"), archive.writer() as writer:
        cut, data = put_cut(writer, "nightly.zip", [b"Mole Hollow" * 30, b"Lamplighter" * 30])
        finish(writer, [cut])
    writer_of_one = BundleWriter(archive.storage)
    writer_of_one.add(seal(data))
    alone, _ = writer_of_one.close()
    judged = twofold.judged

    def late(*arguments: Any) -> Any:
        storage.close()
        os.unlink(path(archive, alone))
        return judged(*arguments)

    monkeypatch.setattr(soundness, "judged", late)
    storage = LocalStorage(path(archive))
    assert verify(storage, deep).ok


@pytest.mark.parametrize("reads", range(3))
@pytest.mark.parametrize("deep", [True, False])
def test_a_hurt_bundle_that_vanishes_while_its_records_are_looked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, deep: bool, reads: int
) -> None:
    """Before the first of its headers is read, or after some."""
    archive = make(tmp_path)
    night(archive, {"a.sav": b"Mole Hollow" * 30, "b.sav": b"Lamplighter" * 30})
    (hurt,) = bundles(archive)
    full = path(archive, hurt)
    os.truncate(full, os.path.getsize(full) - 1)
    left = [reads]
    salvage = bundle.salvage

    def late(storage: Any, *arguments: Any) -> Any:
        class Fading:
            def read(self, *where: Any) -> bytes:
                if not left[0] and os.path.exists(full):
                    storage.close()
                    os.unlink(full)
                left[0] -= 1
                return bytes(storage.read(*where))

        return salvage(Fading(), *arguments)

    monkeypatch.setattr(bundle, "salvage", late)
    found = verify(LocalStorage(path(archive)), deep)
    assert [one.snapshot for damage in found.damage for one in damage.affects] != []
    assert found.whole == ()
    assert any(hurt in note and "vanished" in note for note in found.notes)


def fading(world: World, after: int) -> Memory:
    """An archive that has lost its description after so many reads of it."""
    memory = world.memory()
    read, done = memory.read, [0]

    def fade(name: str, offset: int, length: int) -> bytes:
        if name == "archive.yaml":
            if done[0] == after:
                memory.files.pop(name, None)
            done[0] += 1
        return read(name, offset, length)

    memory.read = fade  # type: ignore[method-assign]
    return memory


@pytest.mark.parametrize("after", [0, 1])
def test_a_description_that_vanishes_as_the_check_begins(world: World, after: int) -> None:
    with pytest.raises(NotNow, match="The archive is gone"):
        verify(fading(world, after), False)


def test_a_description_of_another_format_that_vanishes(world: World) -> None:
    other = b"format: 9\n"
    check = hashlib.sha256(other).hexdigest()
    world.files["archive.yaml"] = other + f'check: "{check}"\n'.encode()
    with pytest.raises(OwnerError) as whole:
        verify(world.memory(), False)
    with pytest.raises(OwnerError) as gone:
        verify(fading(world, 1), False)
    assert gone.value.what == whole.value.what
    assert "9" in gone.value.what
