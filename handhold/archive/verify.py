"""Proof that an archive is whole: every stored byte is read, and every file of every snapshot is followed."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator

from handhold.archive import head
from handhold.archive import manifest as manifests
from handhold.archive.archive import DESCRIPTION, GUIDE, Archive
from handhold.archive.branches import parted_at
from handhold.archive.contents import PAGES_KEPT
from handhold.archive.head import Snapshot
from handhold.archive.manifest import Manifest
from handhold.archive.parity.checking import check_parity, tell_repairable
from handhold.archive.references import References
from handhold.archive.report import Affected, Damage, Findings, Report
from handhold.archive.soundness import Meter, Soundness
from handhold.archive.stock import Stock, judge_strays, named_by_file, rightful_manifest, take_stock
from handhold.archive.storage import Storage
from handhold.archive.wholes import Wholes
from handhold.errors import Damaged, NotNow, OwnerError, WrongInput
from handhold.model import Kind

_GUIDE_LINE = re.compile(rb'^guide: "([0-9a-f]{64})"$', re.MULTILINE)
_READ = 1 << 20
_MOST_MISSING = 100_000  # a larger number is nobody's nights, but a sequence that somebody made up


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
    archive = Archive(storage, "")
    strays = judge_strays(storage, stock, findings)
    nights, soundness = _checked(archive, stock, findings, meter, strays, deep)
    _gone(nights.sound, stock, findings)
    _continued_apart(nights.sound, findings)
    if not findings.damaged and nights.sound:
        _needless(stock, soundness, findings)
    check_parity(storage, stock, findings, meter)
    tell_repairable(storage, stock, findings)
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
        Archive.open(storage)
        data = storage.read(DESCRIPTION, 0, _READ)
    except (NotNow, WrongInput):
        raise
    except Damaged as error:
        findings.damage(DESCRIPTION, error.what.partition(":")[0])
        return None
    except OwnerError as error:
        try:
            storage.read(DESCRIPTION, 0, 1)
        except OwnerError:
            findings.damage(DESCRIPTION, f"it cannot be read ({error.what.rstrip('.')})")
            return None
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


def _checked(
    archive: Archive, stock: Stock, findings: Findings, meter: Meter, strays: dict[bytes, str], deep: bool
) -> tuple[_Nights, Soundness]:
    """Reads all bundles, and follows all that the manifests name."""
    storage, index = archive.storage, archive.index
    wholes = Wholes(storage, index) if deep else None
    # While others read, all is followed as if every block could be had: mostly it can.
    hoped = Findings()
    hopeful = Soundness(storage, index, stock, hoped, None)
    trial = _Nights(archive, stock, hoped, References(archive, hopeful, hoped, Meter(None, 0), None))
    tried = False

    def meanwhile() -> Iterator[None]:
        nonlocal tried
        if index.hurt or findings.damaged:
            return  # what hurt bundles hold is looked for when all is read
        if deep:
            _look_ahead(archive, stock)
            return
        for _ in trial.follow():
            yield
        tried = True

    soundness = Soundness(storage, index, stock, findings, wholes)
    soundness.check(meter, strays, meanwhile)
    if tried and not (findings.damaged or hoped.damaged or _vanished(findings)):
        findings.notes |= hoped.notes
        meter.step(sum(stock.manifests.values()))
        soundness.needed = hopeful.needed
        return trial, soundness
    nights = _Nights(archive, stock, findings, References(archive, soundness, findings, meter, wholes))
    for size in nights.follow():
        meter.step(size)
    return nights, soundness


def _look_ahead(archive: Archive, stock: Stock) -> None:
    """Reads the lists of the first snapshot, as many as are kept.

    What is wrong with them is told by who follows the references.
    """
    if not stock.manifests:
        return
    file, size = min(stock.manifests.items())
    try:
        manifest = manifests.decode(file, archive.storage.read(file, 0, min(size, head.LARGEST)))
        for page in manifest.pages[:PAGES_KEPT]:
            archive.page(page.id)
    except (FileNotFoundError, ValueError, OwnerError):
        pass


class _Nights:
    """All manifests, and what they name: the sound ones (without pages), and the whole nights.

    Both are known once all is followed.
    """

    def __init__(self, archive: Archive, stock: Stock, findings: Findings, references: References) -> None:
        self._archive = archive
        self._stock = stock
        self._findings = findings
        self._references = references
        self.sound: list[Manifest] = []
        self.whole: list[Snapshot] = []

    def follow(self) -> Iterator[int]:
        """Checks one manifest after the other; gives the bytes of each."""
        findings, stock = self._findings, self._stock
        heads: dict[str, Snapshot] | None = None
        superseded = _superseded(self._archive)
        for file, size in sorted(stock.manifests.items()):
            packed = b""
            if file in superseded:
                findings.notes.add(
                    f"{file}: left by a run of thin that was cut off; the next run takes it away."
                )
                yield size
                continue
            try:
                if size > head.LARGEST:
                    raise ValueError("it is larger than any manifest")
                packed = self._archive.storage.read(file, 0, size + 1)
                manifest = manifests.decode(file, packed)
            except FileNotFoundError:
                findings.notes.add(f"{file}: vanished while the archive was checked. Check again.")
            except NotNow:
                raise
            except (ValueError, OwnerError) as error:
                if heads is None:
                    heads = {one.file: one for one in self._archive.records()}
                why = error.what if isinstance(error, OwnerError) else str(error)
                _hurt(file, packed, why.rstrip("."), heads, stock, findings)
            else:
                self._take(manifest)
            yield size

    def _take(self, manifest: Manifest) -> None:
        snapshot = manifest.snapshot
        whole = self._references.check(manifest) and not snapshot.let_go
        if whole and snapshot.kind in (Kind.NIGHT, Kind.ADOPTED):
            self.whole.append(snapshot)
        self.sound.append(_without_pages(manifest))


def _superseded(archive: Archive) -> set[str]:
    """The manifests that do not count any more; none where the medium does not list them (told already)."""
    try:
        return {one.file for one in archive.superseded()}
    except NotNow:
        raise
    except OwnerError:
        return set()


def _hurt(
    file: str, packed: bytes, why: str, heads: dict[str, Snapshot], stock: Stock, findings: Findings
) -> None:
    """A manifest that is not what its name says: hurt, or another one's bytes."""
    rightful = rightful_manifest(packed)
    if rightful is not None:
        snapshot = rightful.snapshot
        if snapshot.file in stock.manifests:
            why = f"it is a copy of {snapshot.file}: take it away"
        else:
            why = f"it is the manifest of {snapshot.name} by another name: call it {snapshot.file}"
            findings.affects(file, Affected(snapshot.name, snapshot.device))
    findings.damage(file, why)
    if rightful is None or _digits(rightful.snapshot.file) != _digits(file):
        # The digits in the name are those of other bytes, which are gone.
        findings.affects(file, _named(file, heads))


def _digits(file: str) -> str:
    """The part of a manifest's name that comes from its bytes."""
    return file.rsplit(".", 2)[1]


def _named(file: str, heads: dict[str, Snapshot]) -> Affected:
    """The snapshot of a hurt manifest: by its own words, else as far as its file's name tells."""
    return Affected(heads[file].name, heads[file].device) if file in heads else named_by_file(file)


def _gone(sound: list[Manifest], stock: Stock, findings: Findings) -> None:
    """Snapshots that others tell of and that are not there."""
    names = {one.snapshot.name for one in sound}
    for one in sound:
        snapshot = one.snapshot
        if one.safety is not None and one.safety not in stock.manifests and not snapshot.let_go:
            if head.FILE.fullmatch(one.safety) is None:
                findings.damage(snapshot.file, "it names a safety snapshot that cannot be")
                continue
            findings.damage(
                one.safety, f"this safety snapshot is missing: the restore {snapshot.name} cannot be undone"
            )
            findings.affects(one.safety, named_by_file(one.safety))
        if one.base is not None and one.base not in names and len(sound) == len(stock.manifests):
            findings.notes.add(f"{one.base}: not here any more; it was restored as {snapshot.name}.")
    numbers = {int(one.snapshot.sequence) for one in sound if one.snapshot.kind is not Kind.ADOPTED}
    missing = max(numbers, default=0) - len(numbers - {0})
    if 0 < missing < _MOST_MISSING and len(sound) == len(stock.manifests):
        amount = "1 snapshot that was" if missing == 1 else f"{missing} snapshots that were"
        findings.notes.add(
            f"{amount} here once cannot be found: let go of, or lost. A second archive may have it."
        )
    if stock.bundles and not stock.manifests:
        findings.notes.add("There are bundles and no snapshot: the first run was cut off, or they are lost.")


def _needless(stock: Stock, soundness: Soundness, findings: Findings) -> None:
    """Bundles with nothing that any snapshot needs: all that tells of a last night whose manifest is gone."""
    count = len(stock.bundles.keys() - soundness.needed)
    if count:
        what = "1 bundle holds" if count == 1 else f"{count} bundles hold"
        findings.notes.add(
            f"{what} nothing that a snapshot needs: left by a run that was cut off, or a snapshot is lost."
        )


def _continued_apart(sound: list[Manifest], findings: Findings) -> None:
    """Numbers that occur twice: two copies of the archive were written on, and then put together."""
    snapshots = [one.snapshot for one in sound]
    number = parted_at(snapshots)
    if number is None:
        return
    devices = sorted({one.device for one in snapshots if one.sequence == number})
    findings.notes.add(
        f"Two copies of this archive were continued by themselves and then put together: number {number:.0f} "
        f"is there twice ({', '.join(devices)}). Nothing is lost by it. Where numbers and times of a "
        "device do not agree on which save came later, carry and restore ask."
    )


def _vanished(findings: Findings) -> bool:
    """Whether files vanished while the archive was checked."""
    return any("vanished" in note for note in findings.notes)


def _still_there(storage: Storage) -> None:
    """Files that vanish all at once mean a card that was taken out: ``NotNow``, and nothing about damage."""
    try:
        Archive.open(storage)
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


def _without_pages(manifest: Manifest) -> Manifest:
    return Manifest(manifest.snapshot, (), (), {}, (), (), manifest.base, manifest.safety, manifest.tool)


def _order(snapshot: Snapshot) -> tuple[float, float, str]:
    return (snapshot.sequence, snapshot.taken.timestamp(), snapshot.file)


__all__ = ["Affected", "Damage", "Report", "verify"]
