"""Proof that an archive is whole: every stored byte is read, and every file of every snapshot is followed."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from handhold.archive.description import DESCRIPTION, GUIDE
from handhold.archive.index import Index
from handhold.archive.opening import stated_id
from handhold.archive.report import Affected, Damage, Findings, Report
from handhold.archive.soundness import Meter, Soundness
from handhold.archive.stock import Stock, take_stock
from handhold.archive.storage import Storage
from handhold.archive.wholes import Wholes
from handhold.errors import Damaged, NotNow, OwnerError, WrongInput

if TYPE_CHECKING:
    from handhold.archive.following import Follower, Nights
    from handhold.archive.head import Snapshot

_GUIDE_LINE = re.compile(rb'^guide: "([0-9a-f]{64})"$', re.MULTILINE)
_READ = 1 << 20


def verify(storage: Storage, deep: bool, progress: Callable[[int, int], None] | None = None) -> Report:
    """Checks an archive; works also where ``archive.yaml`` is hurt.

    Reads every byte once: every stored checksum, and that all that snapshots name is there. ``deep`` also
    unpacks every block and compares it with its name, and every file of several blocks with its digest.
    ``progress`` gets the bytes done and their total, which grows in a deep check as large files are found.

    Damage counts a file as lost if ``Archive.content`` cannot give it back; a hurt copy of what is sound
    elsewhere loses nothing. Raises ``NotNow`` if the archive is not there or goes away, ``WrongInput`` if
    something else is there, ``OwnerError`` for an archive of another format.
    """
    findings = Findings()
    described = _description(storage, findings)
    stock = take_stock(storage, findings)
    meter = Meter(progress, stock.bytes)
    if GUIDE in stock.own or described is not None:
        _guide(storage, described, findings)
    meter.step(sum(stock.own.values()))
    strays = _strays(storage, stock, findings)
    nights, soundness = _checked(storage, stock, findings, meter, strays, deep)
    if _vanished(findings):
        _still_there(storage)
        _not_known(soundness, findings)
    damage = tuple(findings.damages())
    return Report(
        ok=not damage,
        deep=deep,
        snapshots=len(stock.manifests),
        bundles=len(stock.bundles),
        blocks=soundness.count,
        bytes=stock.bytes,
        damage=damage,
        notes=tuple(sorted(findings.notes)),
        whole=tuple(one.name for one in sorted(nights.whole, key=_order)),
    )


def _description(storage: Storage, findings: Findings) -> bytes | None:
    """The digest of the guide as ``archive.yaml`` has it, None if that is hurt."""
    try:
        stated_id(storage)
        data = storage.read(DESCRIPTION, 0, _READ)
    except (NotNow, WrongInput):
        raise
    except FileNotFoundError:  # since it was read for its id
        raise NotNow(f"The archive is gone: {storage.where}", "Look whether the card is in.") from None
    except Damaged as error:
        findings.damage(DESCRIPTION, error.what.partition(":")[0])
        return None
    except OwnerError as error:
        try:
            storage.read(DESCRIPTION, 0, 1)
        except OwnerError:
            findings.damage(DESCRIPTION, f"it cannot be read ({error.what.rstrip('.')})")
            return None
        except FileNotFoundError:
            pass  # gone since: what was told of it before counts
        raise
    said = _GUIDE_LINE.search(data)
    return said[1] if said else None


def _guide(storage: Storage, digest: bytes | None, findings: Findings) -> None:
    try:
        data = storage.read(GUIDE, 0, _READ)
    except FileNotFoundError:
        findings.damage(GUIDE, "it is missing; it tells how to read the archive without handhold")
    except NotNow:
        raise
    except OwnerError as error:
        findings.damage(GUIDE, f"it cannot be read ({error.what.rstrip('.')})")
    else:
        if digest is None:
            findings.notes.add(f"{GUIDE}: cannot be checked while {DESCRIPTION} is hurt.")
        elif hashlib.sha256(data).hexdigest().encode() != digest:
            findings.damage(GUIDE, "it is not as it was written")


def _strays(storage: Storage, stock: Stock, findings: Findings) -> dict[bytes, str]:
    """The blocks of bundles that were renamed, and where these lie."""
    if not stock.strays:
        return {}
    from handhold.archive.strays import judge_strays  # seldom

    return judge_strays(storage, stock, findings)


def _checked(
    storage: Storage, stock: Stock, findings: Findings, meter: Meter, strays: dict[bytes, str], deep: bool
) -> tuple[Nights, Soundness]:
    """Reads all bundles, and follows all that the manifests name."""
    index = Index(storage)
    wholes = Wholes(storage, index) if deep else None
    # While others read, all is followed as if every block could be had: mostly it can.
    hoped = Findings()
    hopeful = Soundness(storage, index, stock, hoped, None)
    follower: Follower | None = None
    trial: Nights | None = None

    def meanwhile() -> Iterator[None]:
        nonlocal follower, trial
        if index.hurt or findings.damaged:
            return  # what hurt bundles hold is looked for when all is read
        from handhold.archive.following import Follower  # loaded only now: nobody waits for it

        follower = Follower(storage, index, stock)
        if deep:
            follower.look_ahead()
            return
        nights = follower.nights(hopeful, hoped, Meter(None, 0), None)
        for _ in nights.follow():
            yield
        trial = nights

    soundness = Soundness(storage, index, stock, findings, wholes)
    soundness.check(meter, strays, meanwhile)
    from handhold.archive.following import Follower, conclude

    if trial is not None and not (findings.damaged or hoped.damaged or _vanished(findings)):
        findings.notes |= hoped.notes
        meter.step(sum(stock.manifests.values()))
        soundness.needed = hopeful.needed
        nights = trial
    else:
        follower = follower or Follower(storage, index, stock)
        nights = follower.nights(soundness, findings, meter, wholes)
        for size in nights.follow():
            meter.step(size)
    conclude(nights, storage, stock, soundness, findings, meter)
    return nights, soundness


def _vanished(findings: Findings) -> bool:
    """Whether files vanished while the archive was checked."""
    return any("vanished" in note for note in findings.notes)


def _still_there(storage: Storage) -> None:
    """Files that vanish all at once mean a card that was taken out: ``NotNow``, and nothing about damage."""
    try:
        stated_id(storage)
    except NotNow:
        raise
    except OwnerError:
        pass  # told already


def _not_known(soundness: Soundness, findings: Findings) -> None:
    """Where nights need what nobody has read, nothing is whole: ``NotNow``, for it may lie elsewhere now."""
    gone = sorted(soundness.vanished & soundness.needed)
    if gone:
        hurt = findings.hurt_files()
        more = f", and {len(hurt) - 1} more" if len(hurt) > 1 else ""
        raise NotNow(
            f"{gone[0]}: vanished while the archive was checked, and snapshots need it."
            + (f" There is damage besides: {hurt[0]}{more}." if hurt else ""),
            "Check again.",
        )


def _order(snapshot: Snapshot) -> tuple[float, float, str]:
    return (snapshot.sequence, snapshot.taken.timestamp(), snapshot.file)


__all__ = ["Affected", "Damage", "Report", "verify"]
