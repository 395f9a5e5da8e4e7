"""Whole files in a deep check: what it says is what a plain reader by FORMAT.md says, whatever is hurt."""

from __future__ import annotations

import hashlib
import json
import random
import struct
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import pytest
import xxhash
import zstandard
from msgspec import structs

from handhold.archive import bundle, judging
from handhold.archive.archive import Archive
from handhold.archive.blocks import Sealed, seal, unseal
from handhold.archive.bundle import BundleWriter
from handhold.archive.report import Report
from handhold.archive.verify import verify
from handhold.archive.wholes import in_order
from handhold.archive.writer import Writer
from handhold.model import Entry
from tests.archive.damaged import Memory, put_cut
from tests.archive.fixtures import EVENING, entry, files, finish, make
from tests.archive.twice import in_two

_UNFIT = "a list of files in it does not fit the files that are stored"
#: Each file of the archive that is hurt: what is said of it, and what is lost by it (night, path).
Said = dict[str, tuple[frozenset[str], frozenset[tuple[str, str]]]]


@dataclass
class _Record:
    file: str
    offset: int
    ident: bytes
    plain: bytes
    trouble: str
    header: bool  # is sound


def records(file: str, data: bytes) -> Iterator[_Record]:
    """The records of a bundle whose table is sound. Source: FORMAT.md, Bundles."""
    length = int.from_bytes(data[-16:-12], "little")
    table = data[-24 - length : -24]
    for ident, offset, stored, size, codec, check in struct.iter_unpack("<32sIIIIQ", table):
        head = struct.pack("<4sIIIQ32s", b"HHR1", codec, stored, size, check, ident)
        head += xxhash.xxh3_64_intdigest(head).to_bytes(8, "little")
        payload = data[offset + 64 : offset + 64 + stored]
        plain, trouble = b"", ""
        if xxhash.xxh3_64_intdigest(payload) != check:
            trouble = "its stored bytes are not what was stored"
        else:
            plain = payload if codec == 0 else zstandard.ZstdDecompressor().decompress(payload)
            if hashlib.sha256(plain).digest() != ident:
                trouble = "its content is not what its name says"
        yield _Record(file, offset, ident, plain, trouble, data[offset : offset + 64] == head)


def plainly(archive: dict[str, bytes]) -> Said:
    """What a deep check must say of an archive whose tables, lists and manifests are sound."""
    troubles: dict[str, set[str]] = defaultdict(set)
    lost: dict[str, set[tuple[str, str]]] = defaultdict(set)
    places: dict[bytes, list[_Record]] = defaultdict(list)
    for file, data in archive.items():
        if not file.endswith(".bundle"):
            continue
        found = list(records(file, data))
        for one in found:
            places[one.ident].append(one)
        bad = [one for one in found if one.trouble]
        if bad:
            troubles[file].add(
                f"{len(bad)} of its {len(found)} records cannot be read, the first at byte {bad[0].offset} "
                f"({bad[0].trouble})"
            )
        if headers := sum(not one.header for one in found):
            troubles[file].add(f"the beginning of {headers} of its {len(found)} records is hurt")

    def sound(ident: bytes) -> list[_Record]:
        return [one for one in places[ident] if not one.trouble]

    for file, data in archive.items():
        if not file.endswith(".manifest"):
            continue
        lines = list(map(json.loads, zstandard.ZstdDecompressor().decompress(data).splitlines()))
        night = lines[0]["name"]
        for page in (bytes.fromhex(line["page"]) for line in lines if "page" in line):
            (copy,) = sound(page)
            for kept in map(json.loads, copy.plain.splitlines()):
                blocks = [bytes.fromhex(kept.get("recipe") or kept["sha256"])]
                if "recipe" in kept and (recipe := sound(blocks[0])):
                    blocks = [one[0] for one in struct.iter_unpack("<32sII", recipe[0].plain[12:])]
                missing = [ident for ident in blocks if not sound(ident)]
                blamed = {one.file for ident in missing for one in places[ident]}
                if not missing:
                    content = b"".join(sound(ident)[0].plain for ident in blocks)
                    if hashlib.sha256(content).hexdigest() != kept["sha256"]:
                        blamed = {copy.file}
                        troubles[copy.file].add(_UNFIT)
                for hurt in blamed:
                    lost[hurt].add((night, kept["path"]))
    return {file: (frozenset(what), frozenset(lost[file])) for file, what in troubles.items()}


def said(report: Report) -> Said:
    """A report in the same form."""
    return {
        one.file: (
            frozenset(one.what.removesuffix(" No snapshot loses a file by it.").rstrip(".").split("; ")),
            frozenset((affected.snapshot, affected.path or "") for affected in one.affects),
        )
        for one in report.damage
    }


@dataclass
class Nights:
    """Three nights of large files, in many small bundles."""

    files: dict[str, bytes]
    content: set[bytes]  # the blocks of files and the recipes, by name

    def payloads(self) -> list[tuple[str, int, int]]:
        """Where the blocks of files lie: bundle, offset of the payload, stored size."""
        found = []
        for file, data in self.files.items():
            if file.endswith(".bundle"):
                length = int.from_bytes(data[-16:-12], "little")
                rows = struct.iter_unpack("<32sIIIIQ", data[-24 - length : -24])
                found += [(file, row[1] + 64, row[2]) for row in rows if row[0] in self.content]
        return found


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> Nights:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bundle, "FULL", 25_000)
        return some_nights(make(tmp_path_factory.mktemp("nights")))


def some_nights(archive: Archive, forged: frozenset[int] = frozenset(), lie: int = -1) -> Nights:
    """Files of up to 40 blocks: new ones, ones with a new end, a new begin, or pieces in another order.

    Some ``forged`` blocks of files (by their number) are turned round, with sums that fit; a ``lie`` is the
    number of a file of the last night of which the list has another digest.
    """
    chance = random.Random(17)
    large: dict[str, list[bytes]] = {}
    content: set[bytes] = set()

    def block() -> bytes:
        size = chance.randrange(1, 3000)
        return (
            chance.randbytes(size)
            if chance.random() < 0.5
            else chance.randbytes(size // 8 + 1).hex().encode()
        )

    for number in range(9):
        large[f"card {number}.mc"] = [block() for _ in range(chance.randrange(2, 40))]
    real = Writer.put
    count = 0

    def put(self: Writer, sealed: Sealed) -> None:
        nonlocal count
        plain = unseal(sealed)
        if not self.known(sealed.id) and not plain.startswith((b"HHRECIP1", b"{")):
            count += 1
            if count in forged:
                sealed = seal(plain[::-1])._replace(id=sealed.id)
        real(self, sealed)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Writer, "put", put)
        for night in range(3):
            with archive.locked("test"), archive.writer() as writer:
                entries: list[Entry] = []
                for name, runs in large.items():
                    save = chance.randbytes(200)
                    content.add(bytes.fromhex(writer.put_plain(save)))
                    cut, _ = put_cut(writer, name, runs)
                    content.update(hashlib.sha256(run).digest() for run in runs)
                    content.add(bytes.fromhex(cut.recipe or ""))
                    if night == 2 and len(entries) == 2 * lie:
                        cut = structs.replace(cut, sha256=hashlib.sha256(save).hexdigest())
                    entries += [cut, entry(f"{name}.sav", save)]
                finish(writer, entries, taken=EVENING + timedelta(days=night))
            large["card 0.mc"] = [*large["card 0.mc"], block()]
            large["card 1.mc"] = [block(), *large["card 1.mc"]]
            large["card 2.mc"] = large["card 2.mc"][::-1]
            large["card 3.mc"] = [*large["card 3.mc"][:1], block(), *large["card 3.mc"][1:]]
            large["card 4.mc"] = [*large["card 4.mc"], large["card 4.mc"][0]]
            large["card 5.mc"] = [*large["card 6.mc"], *large["card 5.mc"]]
    return Nights(files(archive), content)


@pytest.fixture(autouse=True, params=[(700, 1), (700, 2), (1 << 21, 1), (1 << 21, 2)])
def short_runs(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Short runs and long ones, in one process and in two."""
    run, processes = request.param
    monkeypatch.setattr(judging, "RUN", run)
    if processes == 2:
        in_two(monkeypatch)


def test_it_is_sound(nights: Nights) -> None:
    assert len([file for file in nights.files if file.endswith(".bundle")]) > 8
    assert plainly(nights.files) == said(verify(Memory(nights.files), True)) == {}


def test_random_damage_is_told_as_a_plain_reader_tells_it(nights: Nights) -> None:
    chance = random.Random(23)
    payloads = nights.payloads()
    lost = 0
    for _ in range(60):
        changed = {file: bytearray(data) for file, data in nights.files.items()}
        for file, offset, stored in chance.sample(payloads, chance.choice((1, 1, 2, 3, 12))):
            at = chance.randrange(-64, stored)  # the record's header too
            changed[file][offset + at] ^= 1 << chance.randrange(8)
        hurt = {file: bytes(data) for file, data in changed.items()}
        expected = plainly(hurt)
        assert said(verify(Memory(hurt), True)) == expected
        lost += sum(len(paths) for _, paths in expected.values())
    assert lost > 60


def test_a_second_copy_does_for_a_hurt_one(
    nights: Nights, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Blocks of files lie once more in another bundle; either copy is hurt, or both."""
    monkeypatch.setattr(bundle, "FULL", 1 << 30)
    again = make(tmp_path)
    twice = {
        one.ident: one
        for file, data in nights.files.items()
        if file.endswith(".bundle")
        for one in records(file, data)
    }
    chance = random.Random(29)
    writer = BundleWriter(again.storage)
    for ident in sorted(nights.content):
        writer.add(seal(twice[ident].plain))
    writer.close()
    added = {file: data for file, data in files(again).items() if file.endswith(".bundle")}
    both = Nights({**nights.files, **added}, nights.content)
    payloads = both.payloads()
    for _ in range(30):
        changed = {file: bytearray(data) for file, data in both.files.items()}
        for file, offset, _ in chance.sample(payloads, len(payloads) // chance.choice((3, 30))):
            changed[file][offset] ^= 1
        hurt = {file: bytes(data) for file, data in changed.items()}
        assert said(verify(Memory(hurt), True)) == plainly(hurt)


@pytest.mark.parametrize("turn", range(6))
def test_forged_blocks_and_lists(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, turn: int) -> None:
    """Every sum fits, and yet blocks or whole files are not what their names say: only a deep check tells."""
    monkeypatch.setattr(bundle, "FULL", 25_000)
    chance = random.Random(turn)
    made = some_nights(make(tmp_path), frozenset(chance.sample(range(1, 150), turn)), turn + 1)
    expected = plainly(made.files)
    assert any(_UNFIT in what for what, _ in expected.values())
    assert verify(Memory(made.files), False).ok
    assert said(verify(Memory(made.files), True)) == expected


def test_what_was_stored_in_one_go_is_unpacked_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Across bundles too; the others are put together from their pieces."""
    monkeypatch.setattr(bundle, "FULL", 25_000)
    made = some_nights(make(tmp_path))
    real = Archive.comes_out
    again: list[str] = []

    def comes_out(self: Archive, file: Entry) -> bool:
        again.append(file.path)
        return real(self, file)

    monkeypatch.setattr(Archive, "comes_out", comes_out)
    assert verify(Memory(made.files), True).ok
    assert not {"card 6.mc", "card 7.mc", "card 8.mc"} & set(again)
    assert "card 2.mc" in again  # turned round


@pytest.mark.parametrize(
    ("chains", "expected"),
    [
        ([], "abcd"),
        (["dcba"], "dcba"),
        (["bd", "da"], "bdac"),
        (["ab", "ba"], "bacd"),  # that cannot be: any order will do
        (["ca", "da"], "cdab"),
        (["ad", "ac", "db"], "acdb"),
        (["bd", "da", "bc"], "bcda"),
    ],
)
def test_the_order_of_bundles(chains: list[str], expected: str) -> None:
    assert "".join(in_order("abcd", chains)) == expected
