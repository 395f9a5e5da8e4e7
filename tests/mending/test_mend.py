"""What is hurt comes back: from parity, from another archive; what does not is said and left as it is."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from handhold.archive.archive import Archive
from handhold.archive.parity.keeping import protect
from handhold.archive.parity.sheet import parity_file
from handhold.archive.storage import LocalStorage
from handhold.archive.verify import verify
from handhold.errors import OwnerError
from tests.archive.fixtures import contents
from tests.mending.world import SECTOR, Hurt


@pytest.fixture
def hurt(tmp_path: Path) -> Hurt:
    return Hurt(tmp_path, parity=True)


def frozen(root: Path) -> dict[str, bytes]:
    """Every file with its bytes, without the lock's."""
    return {
        str(path.relative_to(root)): path.read_bytes()
        for path in root.rglob("*")
        if path.is_file() and not path.name.startswith(".lock")
    }


def test_nothing_is_done_to_a_whole_archive(hurt: Hurt) -> None:
    before = frozen(hurt.root)
    result = hurt.mend()
    assert result.nothing and result.after.ok
    assert frozen(hurt.root) == before


def test_dead_sectors_come_back_from_parity_just_as_they_were(hurt: Hurt) -> None:
    before = frozen(hurt.root)
    hurt.kill(hurt.bundle, 0, 3, 7, 40, 41)
    hurt.kill(hurt.bundle, (len(before[hurt.bundle]) - 1) // SECTOR)
    report = verify(hurt.storage, False)
    assert not report.ok and any("handhold mend can repair it" in one.what for one in report.damage)
    result = hurt.mend()
    assert [deed.file for deed in result.done] == [hurt.bundle] and result.done[0].source == "its parity"
    assert frozen(hurt.root) == before
    hurt.check()


def test_every_file_of_the_archive_may_be_hurt_at_once(hurt: Hurt) -> None:
    """One sector of each file: of bundles, manifests, parity, and the archive's own two."""
    before = frozen(hurt.root)
    for file in before:
        hurt.kill(file, 0)
    result = hurt.mend()
    assert result.after.ok, result.after.damage
    assert frozen(hurt.root) == before


def test_a_dry_run_writes_nothing_and_says_the_same(hurt: Hurt) -> None:
    hurt.kill(hurt.bundle, 5)
    hurt.kill(hurt.files("manifests")[0], 0)
    before = frozen(hurt.root)
    planned = hurt.mend(dry=True)
    assert frozen(hurt.root) == before and not planned.after.ok
    assert planned.done == hurt.mend().done
    hurt.check()


@pytest.mark.parametrize("head", [0, 20])
@pytest.mark.parametrize("tail", [0, 1, 100])
def test_a_bundle_repairs_what_stands_twice_in_it_without_parity(
    tmp_path: Path, head: int, tail: int
) -> None:
    """Headers from the table, the table from the headers: not if both are hurt."""
    hurt = Hurt(tmp_path, parity=False)
    before = frozen(hurt.root)
    data = before[hurt.bundle]
    (hurt.root / hurt.bundle).write_bytes(b"\0" * head + data[head : len(data) - tail])
    result = hurt.mend()
    if head and tail:
        assert not result.after.ok
    else:
        assert [deed.source for deed in result.done] == ["its own second listing"] * bool(head + tail)
        assert frozen(hurt.root) == before


def test_what_parity_cannot_repair_comes_from_another_archive(hurt: Hurt, tmp_path: Path) -> None:
    other = hurt.copy(tmp_path / "copy")
    hurt.kill(hurt.bundle, *range(2, 30))
    bundle, manifest = hurt.bundle, hurt.files("manifests")[0]
    (hurt.root / manifest).write_bytes(b"")
    (hurt.root / parity_file(manifest)).unlink()
    result = hurt.mend(other)
    assert result.after.ok, result.after.damage
    assert result.removed == [bundle] and not (hurt.root / parity_file(bundle)).exists()
    hurt.check()
    assert (hurt.root / parity_file(manifest)).exists()
    assert all((hurt.root / parity_file(file)).exists() for file in hurt.files("bundles"))


def test_a_bundle_that_is_gone_comes_from_another_archive(tmp_path: Path) -> None:
    hurt = Hurt(tmp_path, parity=False)
    other = hurt.copy(tmp_path / "copy")
    (hurt.root / hurt.bundle).unlink()
    assert hurt.mend(other).after.ok
    hurt.check()


def test_a_manifest_that_is_gone_comes_back_from_its_parity(hurt: Hurt) -> None:
    """Whoever lets a night go deletes the parity of its manifest first: so this one was lost."""
    before = frozen(hurt.root)
    last = max(hurt.files("manifests"))
    (hurt.root / last).unlink()
    for deep in (False, True):
        report = verify(hurt.storage, deep)
        (damage,) = report.damage
        assert damage.file == last and damage.what == "it is missing; handhold mend can repair it."
        assert [one.device for one in damage.affects] == ["meadow"]
    result = hurt.mend()
    assert [(deed.file, deed.source) for deed in result.done] == [(last, "its parity")]
    assert frozen(hurt.root) == before
    hurt.check()


def test_the_parity_of_a_manifest_that_is_gone_and_cannot_be_had_is_only_told(hurt: Hurt) -> None:
    """Of a long one parity gives back a part; and what a stranger calls one is none."""
    last = max(hurt.files("manifests"))
    (hurt.root / last).unlink()
    for stored in (b"no manifest", hurt.chance.randbytes(100_000)):
        with (hurt.root / last).open("wb") as file:
            file.write(stored)
        with Archive.open(hurt.storage).locked("test"):
            protect(hurt.storage, last, len(stored))
        (hurt.root / last).unlink()
        report = verify(hurt.storage, False)
        assert report.ok and any(parity_file(last) in note for note in report.notes), report.notes
        assert hurt.mend().nothing


def test_what_cannot_be_mended_is_said_and_all_else_is_kept(hurt: Hurt) -> None:
    bundle = hurt.bundle
    before = frozen(hurt.root)[bundle]
    hurt.kill(bundle, *range(2, 30))
    result = hurt.mend()
    assert not result.after.ok and result.lost_blocks
    # The hurt one stays, for another reader may get more out of it; what is sound in it is in a new one.
    assert (hurt.root / bundle).stat().st_size == len(before)
    assert len(hurt.files("bundles")) == 3
    lost = {one.path for damage in result.after.damage for one in damage.affects}
    archive = Archive.open(hurt.storage)
    for snapshot in archive.snapshots():
        for entry in archive.entries(archive.read(snapshot)):
            if entry.path not in lost:
                assert b"".join(archive.content(entry)) == hurt.nights[snapshot.name][entry.path]
    assert lost and "cards/card.mc" in lost and len(lost) < 41
    again = hurt.mend()
    assert again.nothing and not again.after.ok  # and nothing is done over and over
    # Somebody finds the bytes after all.
    (hurt.root / bundle).write_bytes(before)
    assert hurt.mend().after.ok
    hurt.check()


def test_parity_that_is_hurt_or_missing_is_made_anew(hurt: Hurt) -> None:
    before = frozen(hurt.root)
    names = hurt.files("parity")
    hurt.kill(names[0], 1)
    (hurt.root / names[1]).unlink()
    (hurt.root / names[2]).write_bytes(b"")
    report = verify(hurt.storage, False)
    assert {one.file for one in report.damage} == {names[0], names[2]}
    assert all("mend makes it anew" in one.what for one in report.damage)
    assert any("without parity yet" in note for note in report.notes)
    result = hurt.mend()
    assert result.parity == 3 and result.after.ok
    assert frozen(hurt.root) == before


def test_parity_is_never_made_of_what_is_hurt(hurt: Hurt) -> None:
    bundle = hurt.bundle
    name = parity_file(bundle)
    hurt.kill(bundle, *range(2, 30))
    (hurt.root / name).write_bytes(b"")
    hurt.mend()
    assert not (hurt.root / name).read_bytes()


def test_add_parity_protects_what_is_there(tmp_path: Path) -> None:
    hurt = Hurt(tmp_path, parity=False)
    assert hurt.mend().nothing and not (hurt.root / "parity").exists()
    planned = hurt.mend(add_parity=True, dry=True)
    assert planned.parity == 6 and not (hurt.root / "parity").exists()  # two nights, and the archive's own
    assert hurt.mend(add_parity=True).parity == 6
    assert hurt.mend(add_parity=True).nothing
    hurt.kill(hurt.bundle, 4, 5)
    assert hurt.mend().after.ok
    hurt.check()


@pytest.mark.parametrize("file", ["archive.yaml", "ARCHIVE.md"])
@pytest.mark.parametrize("parity", [True, False])
@pytest.mark.parametrize("how", ["gone", "flipped"])
def test_the_archives_own_files(tmp_path: Path, file: str, parity: bool, how: str) -> None:
    hurt = Hurt(tmp_path, parity=parity, size=30_000)
    before = frozen(hurt.root)
    if how == "gone":
        (hurt.root / file).unlink()
    else:
        data = bytearray(before[file])
        data[-5] ^= 1  # in the last line: the others are left
        (hurt.root / file).write_bytes(data)
    result = hurt.mend()
    assert result.after.ok, result.after.damage
    if file == "archive.yaml" and not parity and how == "gone":
        assert Archive.open(hurt.storage).id != "" and "new id" in result.done[0].source
    else:
        assert frozen(hurt.root) == before
    hurt.check()


def test_sectors_that_the_medium_cannot_read(hurt: Hurt, monkeypatch: pytest.MonkeyPatch) -> None:
    """EIO on every read that touches a dead sector; what is written anew lies elsewhere."""
    bundle, parity = hurt.bundle, parity_file(hurt.bundle)
    inodes = {
        os.stat(hurt.root / file).st_ino: dead for file, dead in ((bundle, {0, 9, 33}), (parity, {0, 3}))
    }
    real = os.pread
    for number, file in enumerate((bundle, parity)):  # so that nothing new gets the same number
        os.link(hurt.root / file, hurt.root.parent / str(number))

    def pread(file: int, length: int, offset: int) -> bytes:
        dead = inodes.get(os.fstat(file).st_ino, set())
        if dead & set(range(offset // SECTOR, (offset + length - 1) // SECTOR + 1)):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(file, length, offset)

    monkeypatch.setattr(os, "pread", pread)
    assert not verify(hurt.storage, False).ok
    result = hurt.mend()
    assert result.after.ok, result.after.damage
    assert {deed.source for deed in result.done} == {"its parity"} and result.parity == 1
    hurt.check()


def test_what_does_not_read_back_takes_nobodys_place(hurt: Hurt, monkeypatch: pytest.MonkeyPatch) -> None:
    manifest = hurt.files("manifests")[0]
    hurt.kill(manifest, 0)
    before = frozen(hurt.root)
    real = os.pread

    def pread(file: int, length: int, offset: int) -> bytes:
        data = real(file, length, offset)
        unfinished = os.readlink(f"/proc/self/fd/{file}").endswith(".part")
        return bytes([data[0] ^ 1]) + data[1:] if unfinished and offset == 0 else data

    monkeypatch.setattr(os, "pread", pread)
    result = hurt.mend()
    assert not result.after.ok and any("does not read back" in text for text in result.told)
    assert frozen(hurt.root) == before


def test_a_hurt_bundle_stays_where_the_new_one_does_not_read_back(
    hurt: Hurt, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The medium spoils whatever is written from here on."""
    bundle, before = hurt.bundle, frozen(hurt.root)
    hurt.kill(bundle, *range(2, 30))
    other = hurt.root.parent / "other"
    other.mkdir()
    for name, data in before.items():
        (other / name).parent.mkdir(parents=True, exist_ok=True)
        (other / name).write_bytes(data)
    real = os.pread

    def pread(file: int, length: int, offset: int) -> bytes:
        data = real(file, length, offset)
        name = os.readlink(f"/proc/self/fd/{file}").partition("/archive/")[2]
        if not name.endswith(".bundle") or name in before or not offset <= 100 < offset + len(data):
            return data
        return data[: 100 - offset] + b"?!"[data[100 - offset] == ord("?") :][:1] + data[101 - offset :]

    monkeypatch.setattr(os, "pread", pread)
    result = hurt.mend(other)
    assert not result.removed and (hurt.root / bundle).exists() and not result.after.ok
    assert any("does not read back" in text for text in result.told)


def test_without_the_library_it_says_how_to_get_it(hurt: Hurt, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    hurt.kill(hurt.bundle, 3)
    monkeypatch.setitem(sys.modules, "zfec", None)
    result = hurt.mend()
    assert not result.after.ok and any("zfec" in text for text in result.told)
    with pytest.raises(OwnerError, match="zfec"):
        hurt.mend(add_parity=True)
    monkeypatch.undo()
    assert hurt.mend().after.ok
    hurt.check()


def test_a_strangers_parity_changes_nothing(hurt: Hurt) -> None:
    """Parity whose checksums are right and whose content is another's: what does not fit is not believed."""
    from handhold.archive.parity.making import parity_of

    bundle = hurt.bundle
    data = (hurt.root / bundle).read_bytes()
    elsewhere = hurt.root.parent / "elsewhere"
    (elsewhere / bundle).parent.mkdir(parents=True)
    (elsewhere / bundle).write_bytes(data[:20_000] + bytes(2000) + data[22_000:])
    forged = b"".join(parity_of(LocalStorage(str(elsewhere)), bundle, len(data)))
    (hurt.root / parity_file(bundle)).write_bytes(forged)
    assert hurt.mend().nothing
    hurt.kill(bundle, 1)
    hurt.mend()
    archive = Archive.open(hurt.storage)
    for snapshot in archive.snapshots():
        for path, content in _obtainable(archive, snapshot.name).items():
            assert content == hurt.nights[snapshot.name][path]


def _obtainable(archive: Archive, name: str) -> dict[str, bytes]:
    found = {}
    snapshot = archive.find(name)
    for entry in archive.entries(archive.read(snapshot)):
        try:
            found[entry.path] = b"".join(archive.content(entry))
        except OwnerError:
            continue
    return found


def test_contents_come_out(hurt: Hurt) -> None:
    """The helper of these tests itself: what it calls whole is whole."""
    archive = Archive.open(hurt.storage)
    assert {one.name: contents(archive, one) for one in archive.snapshots()} == hurt.nights
    hurt.kill(hurt.bundle, 3)
    with pytest.raises(AssertionError):
        hurt.check()
