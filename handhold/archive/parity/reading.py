"""Reading a parity file, hurt or not, and finding out which sectors of what it protects are lost."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec
import xxhash

from handhold.archive.parity.code import decoded
from handhold.archive.parity.sectors import each_sector, read_sectors
from handhold.archive.parity.shape import LARGEST_PROTECTED, SECTOR, Shape, shape_for
from handhold.archive.parity.sheet import (
    MAGIC,
    Sheet,
    checks,
    is_small,
    parity_file,
    parity_size,
    read_sheet,
    sheets_for,
)
from handhold.archive.storage import Readable

#: No larger file is parity (bytes).
_LARGEST = parity_size(shape_for(LARGEST_PROTECTED))


class Parity(msgspec.Struct):
    """What could be read of a parity file.

    ``sound`` tells whether nothing of it is hurt. ``checks`` has the checksums of sectors by number, those of
    parity behind those of the file; one whose two sheets are both lost is missing.
    """

    file: str  # the parity file
    protects: str
    shape: Shape
    sound: bool
    whole: bytes | None = None  # the file itself, if it is a small one
    checks: dict[int, int] = {}
    sheets: int = 1


def read_parity(storage: Readable, file: str, size: int) -> Parity | None:
    """Reads the sheets and checks every byte of a parity file of ``size`` bytes; None if no sheet is sound.

    Raises ``NotNow``, and ``FileNotFoundError``.
    """
    sheets: list[tuple[int, Sheet]] = []
    whole = size <= _LARGEST
    size = min(size, _LARGEST)
    sums: dict[int, int] = {}
    for at, sector in enumerate(each_sector(storage, file, -(-size // SECTOR))):
        if sector is None:
            continue
        sums[at] = xxhash.xxh3_64_intdigest(sector)
        sheet = read_sheet(sector) if sector.startswith(MAGIC) else None
        if sheet is not None and parity_file(sheet.file) == file:
            sheets.append((at, sheet))
    if not sheets:
        return None
    facts = sheets[0][1].facts
    found = Parity(file, *facts, sound=whole and size == parity_size(facts[1]), sheets=sheets[0][1].sheets)
    for _, sheet in sheets:
        if sheet.facts != facts:
            continue
        if is_small(found.shape):
            found.whole = sheet.body
        else:
            found.checks.update(checks(sheet))
    found.sound = found.sound and _complete(found, sheets, sums)
    return found


def _complete(found: Parity, sheets: list[tuple[int, Sheet]], sums: dict[int, int]) -> bool:
    """Whether every sheet stands at both of its places, and every sector of parity is what was written."""
    count = sheets_for(found.shape)
    behind = count if is_small(found.shape) else count + found.shape.parity_sectors
    wanted = [*range(count), *range(behind, behind + count)]
    facts = (found.protects, found.shape)
    placed = {at: sheet for at, sheet in sheets if sheet.facts == facts and at in wanted}
    if any(at not in placed or placed[at].number != number % count for number, at in enumerate(wanted)):
        return False
    if any(placed[at].body != placed[at + behind].body for at in range(count)):
        return False
    first = found.shape.sectors
    return is_small(found.shape) or all(
        sums.get(count + at) == found.checks.get(first + at) for at in range(found.shape.parity_sectors)
    )


class Repair(msgspec.Struct):
    """What a file looks like beside its parity: sectors that are lost, and those that came back.

    ``hurt`` is how many sectors were not as they should be; of these ``lost`` cannot be computed, and
    ``back`` has the others.
    """

    hurt: int = 0
    lost: set[int] = set()
    back: dict[int, bytes] = {}


def lost_sectors(storage: Readable, parity: Parity) -> set[int]:
    """The sectors of the protected file that cannot be read, or are not as they were.

    One of which no checksum is left counts as sound if it can be read. Raises ``NotNow``.
    """
    if parity.whole is not None:
        return _differing(storage, parity)
    lost = set()
    shape = parity.shape
    last = shape.size - (shape.sectors - 1) * SECTOR
    try:
        for at, sector in enumerate(each_sector(storage, parity.protects, shape.sectors)):
            whole = SECTOR if at < shape.sectors - 1 else last
            data = b"" if sector is None else sector[:whole]
            if len(data) < whole or _differs(data, parity.checks.get(at)):
                lost.add(at)
    except FileNotFoundError:
        return set(range(shape.sectors))
    return lost


def _differs(data: bytes, check: int | None) -> bool:
    return check is not None and xxhash.xxh3_64_intdigest(data) != check


def _differing(storage: Readable, parity: Parity) -> set[int]:
    assert parity.whole is not None
    try:
        (sector,) = read_sectors(storage, parity.protects, 0, 1)
    except FileNotFoundError:
        sector = None
    return set() if sector == parity.whole else {0}


def repaired(storage: Readable, parity: Parity, lost: Iterable[int]) -> Repair:
    """Computes lost sectors anew, stripe by stripe, as far as parity allows.

    Holds no more in memory than as much as the file has of parity, and one stripe. Raises ``NotNow`` and
    ``NoParity``.
    """
    lost = set(lost)
    done = Repair(len(lost))
    if parity.whole is not None:
        done.back = dict.fromkeys(lost, parity.whole)
        return done
    for stripe in sorted({sector % parity.shape.stripes for sector in lost}):
        gone = [sector for sector in parity.shape.stripe(stripe) if sector in lost]
        known = _known(storage, parity, stripe, lost) if len(gone) <= parity.shape.spare else {}
        if len(known) < parity.shape.width:
            done.lost.update(gone)
            continue
        blocks = decoded(parity.shape.width, parity.shape.spare, known)
        for sector in gone:
            data = blocks[sector // parity.shape.stripes]
            done.back[sector] = data[: parity.shape.size - sector * SECTOR]
    return done


def _known(storage: Readable, parity: Parity, stripe: int, lost: set[int]) -> dict[int, bytes]:
    """The sound blocks of a stripe by their numbers, as many as are needed."""
    shape = parity.shape
    known: dict[int, bytes] = {}
    for position in range(shape.width):
        sector = position * shape.stripes + stripe
        if sector >= shape.sectors:
            known[position] = bytes(SECTOR)
        elif sector not in lost:
            (data,) = read_sectors(storage, parity.protects, sector, 1)
            if data is not None:
                known[position] = data[: shape.size - sector * SECTOR].ljust(SECTOR, b"\0")
    for number in range(shape.spare):
        if len(known) >= shape.width:
            break
        place = number * shape.stripes + stripe
        check = parity.checks.get(shape.sectors + place)
        (data,) = read_sectors(storage, parity.file, parity.sheets + place, 1)
        if data is not None and check is not None and xxhash.xxh3_64_intdigest(data) == check:
            known[shape.width + number] = data
    return known
