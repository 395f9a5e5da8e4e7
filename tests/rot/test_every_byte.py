"""Every bit, every cut, every file: the check finds it, and says neither too much nor too little."""

from __future__ import annotations

import itertools
import random

import pytest

from handhold.archive.verify import verify
from handhold.model import Kind
from tests.archive.damaged import World, check_truth, large_world, small_world
from tests.rot.counting import Changes, Counts, cuts, damages, flips


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> World:
    with pytest.MonkeyPatch.context() as patch:
        return small_world(tmp_path_factory.mktemp("small"), patch)


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> World:
    return large_world(tmp_path_factory.mktemp("large"))


def hurt(world: World, changed: Changes, deep: bool = False) -> None:
    """The changed archive is found out, and what is said of it is true."""
    storage = world.memory(changed)
    report = verify(storage, deep)
    assert not report.ok
    check_truth(world, storage, report)


def none_missed(counts: Counts) -> None:
    print(counts)
    assert counts.kinds.total() and not counts.missed, counts.missed[:3]


def test_flipped_bits(world: World) -> None:
    counts = Counts()
    damages(counts, world, flips(world, 29, (0, 7)), 2)
    damages(counts, world, flips(world, 31, (3,)), 2)
    none_missed(counts)


def test_a_file_cut(world: World) -> None:
    counts = Counts()
    damages(counts, world, cuts(world, 11), 2)
    none_missed(counts)


@pytest.mark.long
@pytest.mark.timeout(1200)
def test_every_flipped_bit(world: World) -> None:
    counts = Counts()
    damages(counts, world, flips(world), 1)
    none_missed(counts)


@pytest.mark.long
@pytest.mark.timeout(1200)
def test_a_file_cut_at_every_byte(world: World) -> None:
    counts = Counts()
    damages(counts, world, cuts(world), 1)
    none_missed(counts)


def test_a_file_that_has_grown(world: World) -> None:
    for file, data in world.files.items():
        for more in (b"\0", b"\n", data, bytes(70)):
            hurt(world, {file: data + more})
            hurt(world, {file: more + data})


def test_an_empty_sector_anywhere(world: World) -> None:
    """A flash card gives zeros or ones for what it has lost."""
    for file, data in world.files.items():
        for at in range(0, len(data), 48):
            for fill in (b"\0", b"\xff"):
                lost = data[:at] + fill * len(data[at : at + 64]) + data[at + 64 :]
                if lost != data:
                    hurt(world, {file: lost})


def test_every_file_taken_away(world: World) -> None:
    for file in world.files:
        name = next((name for name, own in world.manifests.items() if own == file), None)
        if name is None or world.kinds[name] is Kind.SAFETY:
            hurt(world, {file: None})
            continue
        # Nothing in an archive tells for sure of a night that is not there: nights are let go of, too.
        report = verify(world.memory({file: None}), False)
        assert report.ok
        assert list(report.whole) == [night for night in world.nights if night != name]
        last = list(world.manifests)[-1]
        told = "1 bundle holds nothing" if name == last else "1 snapshot that was here once"
        assert any(told in note for note in report.notes)


def test_every_pair_of_files_taken_away(world: World) -> None:
    """Bundles two at a time: what is lost with both is named."""
    bundles = [file for file in world.files if file.endswith(".bundle")]
    for first, second in itertools.combinations(bundles, 2):
        hurt(world, {first: None, second: None})
        hurt(world, {first: None, second: world.files[second][:-1]})
        hurt(world, {first: world.files[first][:100], second: world.files[second][:100]})


def other_names(file: str) -> list[str]:
    """Names that a file can get by accident: a person's, a wrong time, a wrong digest, a wrong folder."""
    folder, slash, last = file.rpartition("/")
    names = [f"{folder}{slash}{last} (2)", f"manifests/{last[:-1]}", f"bundles/aa/{last}x", f"parity/{last}x"]
    if file.endswith(".manifest"):
        device, time, digest, _ = last.split(".")
        names += [
            f"manifests/{device}.{time[:-2]}7Z.{digest}.manifest",
            f"manifests/elsewhere.{time}.{digest}.manifest",
            f"bundles/{last}",
            f"manifests/.{last}",
        ]
    if file.endswith(".bundle"):
        ident = last.removesuffix(".bundle")
        names += [
            f"bundles/ff/ff{ident[2:]}.bundle",
            f"bundles/ff/{last}",
            f"bundles/{ident[:2]}/{ident[:2]}{'0' * 30}.bundle",
            f"manifests/{last}",
        ]
    return names


def test_every_file_by_another_name(world: World) -> None:
    for file, data in world.files.items():
        for name in other_names(file):
            hurt(world, {file: None, name: data})


def test_every_file_twice(world: World) -> None:
    for file, data in world.files.items():
        for name in other_names(file):
            storage = world.memory({name: data})
            report = verify(storage, False)
            if "/." in name or "/" not in name:
                # Hidden, or at the top: said, and no damage.
                assert report.ok and len(report.notes) == 1
                assert name in report.notes[0]
                continue
            assert [damage.file for damage in report.damage] == [name]
            assert report.damage[0].affects == ()
            assert report.whole == world.nights
            check_truth(world, storage, report)


def test_every_two_files_swapped(world: World) -> None:
    for first, second in itertools.combinations(world.files, 2):
        hurt(world, {first: world.files[second], second: world.files[first]})


def test_every_file_with_the_bytes_of_another(world: World) -> None:
    for first, second in itertools.permutations(world.files, 2):
        hurt(world, {first: world.files[second]})


def test_foreign_files(world: World) -> None:
    for folder in ("manifests/", "bundles/", "bundles/ab/", "parity/"):
        for name in ("photo.jpg", "meadow.manifest", "x.bundle", "a\udce9"):
            storage = world.memory({f"{folder}{name}": b"something"})
            report = verify(storage, False)
            assert [damage.affects for damage in report.damage] == [()]
            assert "does not belong here" in report.damage[0].what
            assert "take it away" in report.damage[0].what
            report.damage[0].file.encode()  # can be printed
            check_truth(world, storage, report)


def test_random_damage_to_a_larger_archive(large: World) -> None:
    sample_damage(large, 70)


@pytest.mark.long
def test_much_random_damage_to_a_larger_archive(large: World) -> None:
    sample_damage(large, 3000)


def sample_damage(large: World, times: int) -> None:
    chance = random.Random(times)
    assert verify(large.memory(), True).ok
    for turn in range(times):
        changed: Changes = {}
        for file in chance.sample(sorted(large.files), chance.choice((1, 1, 1, 2))):
            data = bytearray(large.files[file])
            at = chance.randrange(len(data))
            kind = chance.randrange(4)
            if kind == 0:
                data[at] ^= 1 << chance.randrange(8)
            elif kind == 1:
                del data[at:]
            elif kind == 2:
                data[at : at + 4096] = bytes(len(data[at : at + 4096]))
            else:
                data[at:at] = chance.randbytes(chance.randrange(1, 100))
            if data != large.files[file]:
                changed[file] = bytes(data)
        if changed:
            hurt(large, changed, deep=turn % 4 == 0)
