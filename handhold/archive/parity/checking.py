"""What a check of an archive says of its parity: hurt, missing, left over, and what it could repair."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from handhold.archive import head
from handhold.archive import manifest as manifests
from handhold.archive.description import DESCRIPTION, GUIDE
from handhold.archive.filenames import is_manifest_name
from handhold.archive.parity.keeping import keeps_parity
from handhold.archive.parity.mended import Mended
from handhold.archive.parity.reading import read_parity
from handhold.archive.parity.shape import LARGEST_PROTECTED
from handhold.archive.parity.sheet import parity_file
from handhold.archive.report import Findings
from handhold.archive.soundness import Meter
from handhold.archive.stock import Stock, named_by_file
from handhold.archive.storage import Storage
from handhold.errors import NotNow, OwnerError

MEND = "handhold mend can repair it"


def check_parity(storage: Storage, stock: Stock, findings: Findings, meter: Meter) -> None:
    """Checks every parity file, byte by byte. ``NotNow`` passes."""
    there = {**stock.own, **stock.manifests, **stock.bundles}
    orphans = []
    for file, size in sorted(stock.parity.items()):
        try:
            parity = read_parity(storage, file, size)
        except FileNotFoundError:
            findings.notes.add(f"{file}: vanished while the archive was checked. Check again.")
            continue
        meter.step(size)
        if parity is None:
            findings.damage(file, f"this parity is hurt and of no use any more: {_anew(file, there)}")
        elif not parity.sound:
            findings.damage(file, f"this parity is hurt; some of it can still be used: {_anew(file, there)}")
        elif parity.protects not in there:
            if _lost(storage, parity.protects, stock):
                findings.damage(parity.protects, f"it is missing; {MEND}")
                findings.affects(parity.protects, named_by_file(parity.protects))
            else:
                orphans.append(file)
    if orphans:
        more = f" and {len(orphans) - 1} more like it" if len(orphans) > 1 else ""
        findings.notes.add(f"{orphans[0]}{more}: parity of what is not here any more: let go of, or lost.")
    if stock.parity or keeps_parity(storage):
        bare = [file for file in unprotected(there, stock.parity) if not findings.is_hurt(file)]
        if bare:
            more = f" and {len(bare) - 1} more" if len(bare) > 1 else ""
            findings.notes.add(f"{bare[0]}{more}: without parity yet; handhold mend makes it.")


def _lost(storage: Storage, file: str, stock: Stock) -> bool:
    """Whether this is a manifest that is not there and that its parity gives back. ``NotNow`` passes.

    Whoever deletes a file deletes its parity first (FORMAT.md, "Parity"): so it was lost, and its night too.
    Where a power cut kept only the second of these steps of a thinning, what is remembered of the night is
    there, by the same device and time.
    """
    if not is_manifest_name(file):
        return False
    night = file.rsplit(".", 2)[0] + "."
    if any(one.startswith(night) for one in stock.manifests):
        return False
    try:
        storage.size(file)
        return False  # it came since the archive was listed
    except FileNotFoundError:
        pass
    except NotNow:
        raise
    except OwnerError:
        return False
    view = Mended(storage, file)
    if view.repair.lost or not 0 < view.size <= head.LARGEST:
        return False
    try:
        manifests.decode(file, view.whole())
    except ValueError:
        return False
    return True


def _anew(file: str, there: Iterable[str]) -> str:
    own = any(parity_file(one) == file for one in there)
    return "handhold mend makes it anew" if own else "take it away, what it belonged to is not here"


def unprotected(there: dict[str, int], parity: Collection[str]) -> list[str]:
    """The files that could have parity and have none."""
    return sorted(
        file
        for file, size in there.items()
        if 0 < size <= LARGEST_PROTECTED and parity_file(file) not in parity
    )


def tell_repairable(storage: Storage, stock: Stock, findings: Findings) -> None:
    """Adds to each hurt file whether its parity gives it back. ``NotNow`` passes."""
    for file in findings.hurt_files():
        if file not in stock.manifests and file not in stock.bundles and file not in (DESCRIPTION, GUIDE):
            continue
        try:
            view = Mended(storage, file)
        except NotNow:
            raise
        except OwnerError:
            continue
        if view.has_parity and view.repair.hurt:
            lost = len(view.repair.lost)
            if not lost:
                findings.damage(file, MEND)
            elif lost < view.repair.hurt or view.needs_library:
                findings.damage(file, "handhold mend can repair some of it")
