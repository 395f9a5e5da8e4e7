"""Follows what the snapshots of an archive name, and says what they tell of each other.

A check loads it, and what it needs, while other processes read.
"""

from __future__ import annotations

from collections.abc import Iterator

from handhold.archive import head
from handhold.archive import manifest as manifests
from handhold.archive.archive import Archive
from handhold.archive.branches import parted_at
from handhold.archive.contents import PAGES_KEPT
from handhold.archive.filenames import is_manifest_name
from handhold.archive.head import Snapshot
from handhold.archive.index import Index
from handhold.archive.manifest import Manifest
from handhold.archive.parity.checking import check_parity, tell_repairable
from handhold.archive.references import References
from handhold.archive.report import Affected, Findings
from handhold.archive.soundness import Meter, Soundness
from handhold.archive.stock import Stock, named_by_file
from handhold.archive.storage import Storage
from handhold.archive.strays import rightful_manifest
from handhold.archive.wholes import Wholes
from handhold.errors import NotNow, OwnerError
from handhold.model import Kind

_MOST_MISSING = 100_000  # a larger number is nobody's nights, but a sequence that somebody made up


class Follower:
    """Follows the manifests of an archive, more than once if need be: it keeps lists that it has decoded."""

    def __init__(self, storage: Storage, index: Index, stock: Stock) -> None:
        self._archive = Archive(storage, "", index)
        self._stock = stock

    def nights(self, soundness: Soundness, findings: Findings, meter: Meter, wholes: Wholes | None) -> Nights:
        """All manifests, to be followed; with ``wholes`` files of several blocks are put together too."""
        references = References(self._archive, soundness, findings, meter, wholes)
        return Nights(self._archive, self._stock, findings, references)

    def look_ahead(self) -> None:
        """Reads the lists of the first snapshot, as many as are kept.

        What is wrong with them is told by who follows the references.
        """
        archive, stock = self._archive, self._stock
        if not stock.manifests:
            return
        file, size = min(stock.manifests.items())
        try:
            manifest = manifests.decode(file, archive.storage.read(file, 0, min(size, head.LARGEST)))
            for page in manifest.pages[:PAGES_KEPT]:
                archive.page(page.id)
        except (FileNotFoundError, ValueError, OwnerError):
            pass


class Nights:
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


def conclude(
    nights: Nights, storage: Storage, stock: Stock, soundness: Soundness, findings: Findings, meter: Meter
) -> None:
    """Says what is known once all is followed: of snapshots among each other, needless bundles, parity."""
    _gone(nights.sound, stock, findings)
    _continued_apart(nights.sound, findings)
    if not findings.damaged and nights.sound:
        _needless(stock, soundness, findings)
    check_parity(storage, stock, findings, meter)
    tell_repairable(storage, stock, findings)


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
            if not is_manifest_name(one.safety):
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


def _without_pages(manifest: Manifest) -> Manifest:
    return Manifest(manifest.snapshot, (), (), {}, (), (), manifest.base, manifest.safety, manifest.tool)
