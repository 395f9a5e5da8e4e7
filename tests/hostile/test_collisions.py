"""The fast sum finds rot and proves nothing against malice: no content is believed by it alone."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
import xxhash

from handhold.archive.archive import Archive
from handhold.archive.blocks import PLAIN, Sealed, block_id, seal
from handhold.archive.storage import LocalStorage
from handhold.archive.verify import verify
from handhold.errors import Damaged
from tests.archive import fixtures
from tests.cli.world import World
from tests.hostile.forge import Forge, save

# Source: the xxHash specification (doc/xxhash_spec.md), XXH3: the default secret, inputs of 9 to 16 bytes
SECRET = bytes.fromhex(
    "b8fe6c3923a44bbe7c01812cf721ad1cded46de9839097db7240a4a4b7b3671fcb79e64eccc0e578825ad07dccff7221"
)
SECRET += bytes.fromhex("b8084674f743248ee03590e6813a264c")


def collision(chosen: int) -> tuple[bytes, bytes]:
    """Two runs of 16 bytes with one XXH3-64.

    Of 16 bytes, low and high half (each masked by the secret), the sum is a function of
    ``16 + swap(low) + high + fold(low * high)``. Where one half is zero the product vanishes, so a value in
    the one half and the same value, bytes swapped, in the other give the same.
    """
    word = struct.Struct("<Q").unpack_from
    low = word(SECRET, 24)[0] ^ word(SECRET, 32)[0]
    high = word(SECRET, 40)[0] ^ word(SECRET, 48)[0]
    swapped = int.from_bytes(chosen.to_bytes(8, "little"), "big")
    return struct.pack("<2Q", low, chosen ^ high), struct.pack("<2Q", swapped ^ low, high)


def test_the_collision_is_one() -> None:
    mine, theirs = collision(0x0123456789ABCDEF)
    assert mine != theirs
    assert xxhash.xxh3_64_intdigest(mine) == xxhash.xxh3_64_intdigest(theirs)


def test_two_saves_of_one_sum_stay_two(tmp_path: Path) -> None:
    archive = fixtures.make(tmp_path)
    mine, theirs = collision(7)
    kept = {"a.sav": mine, "b.sav": theirs}
    night = fixtures.night(archive, kept)
    assert fixtures.contents(fixtures.again(archive), night) == kept
    assert verify(archive.storage, True).ok


@pytest.mark.parametrize("sum_fits", [True, False], ids=["collision", "plain lie"])
def test_other_content_under_a_blocks_name_is_never_given(tmp_path: Path, sum_fits: bool) -> None:
    """The record of a block holds other bytes; the quick sum fits, by collision or as it was put right."""
    world = World(tmp_path)
    world.furnish()
    mine, theirs = collision(11)
    check = xxhash.xxh3_64_intdigest(mine if sum_fits else b"other")
    stored = theirs if sum_fits else b"other"
    forged = Sealed(block_id(mine), PLAIN, stored, len(stored), check)
    name = Forge(world.archive).night([save("saves/forged.sav", mine)], blocks=[forged])
    assert world.setup().status == 0
    storage = LocalStorage(str(world.archive))
    deep = verify(storage, True)
    assert [one.path for damage in deep.damage for one in damage.affects] == ["saves/forged.sav"]
    assert name not in deep.whole
    with pytest.raises(Damaged, match=r"hurt|cannot be read|does not come out"):
        archive = Archive.open(storage)
        entry = next(iter(archive.entries(archive.read(archive.find(name)))))
        list(archive.content(entry))
    said = world.run("restore", name, "--yes")
    assert said.status in (3, 4) and "made a mistake" not in said.text, said.text
    assert not (world.internal / "Tinplate/saves/forged.sav").exists()
    assert list((world.internal / "Tinplate/saves").glob(".*")) == []  # nor half of it


def test_a_sound_copy_wins_over_a_forged_one(tmp_path: Path) -> None:
    """A forged record beside the sound one takes nothing from anybody."""
    world = World(tmp_path)
    world.furnish()
    mine, theirs = collision(13)
    check = xxhash.xxh3_64_intdigest(mine)
    forge = Forge(world.archive)
    forge.store(Sealed(block_id(mine), PLAIN, theirs, 16, check))
    name = forge.night([save("saves/kept.sav", mine)], blocks=[seal(mine)])
    assert world.setup().status == 0
    assert world.run("restore", name, "--yes").status == 0
    assert (world.internal / "Tinplate/saves/kept.sav").read_bytes() == mine


def test_a_forged_block_keeps_no_save_out(tmp_path: Path) -> None:
    """An archive that claims to hold the block of a save is not believed: the night stores it."""
    world = World(tmp_path)
    world.furnish()
    mine, theirs = collision(17)
    forge = Forge(world.archive)
    forge.store(Sealed(block_id(mine), PLAIN, theirs, 16, xxhash.xxh3_64_intdigest(mine)))
    world.write(world.internal / "Tinplate/saves/mine.sav", mine)
    assert world.setup().status == 0
    said = world.run("snapshot")
    assert said.status == 0, said.text
    archive = Archive.open(LocalStorage(str(world.archive)))
    entries = {one.path: one for one in archive.entries(archive.read(archive.find("latest")))}
    assert b"".join(archive.content(entries["saves/mine.sav"])) == mine
