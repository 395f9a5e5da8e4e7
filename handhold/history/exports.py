"""What was seen of saves inside exports, over the nights. Pure.

A member has no digest of its own in the archive; the checksum and the size in the zip's directory tell one
content from another (Source: APPNOTE.TXT, .ZIP File Format Specification, 6.3.10, 4.4.7, CRC-32). It is one
save by its name in the zip, whatever the zip is called: exports often bear their date.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import NamedTuple

from handhold.archive.head import Snapshot
from handhold.archive.sightings import Held, Sighting
from handhold.archive.standing import Line, Span
from handhold.history.versions import Seen
from handhold.model import NS, Entry, Identity, nanoseconds
from handhold.restore.inside import Inner, plain_name


class _Member(NamedTuple):
    """A member in one zip."""

    inner: Inner
    entry: Entry
    line: Line
    held: Held

    @property
    def content(self) -> str:
        return content_of(self.inner)

    @property
    def age(self) -> tuple[int, str]:
        """What tells the newer of two zips that lie side by side."""
        return self.entry.modified, self.entry.path


def content_of(one: Inner) -> str:
    """What tells one content of a member from another."""
    return f"{one.member.crc32}-{one.member.size}"


def members_seen(zips: Iterable[tuple[Sighting, Sequence[Inner]]]) -> dict[Identity, list[Seen]]:
    """What was seen of each member, by save.

    Of several exports that lie side by side the newest tells what stands; what an older one holds stood
    before the first snapshot that has it.
    """
    held: dict[Identity, list[_Member]] = {}
    for sighting, members in zips:
        for one in members:
            identity = (sighting.entry.emulator, one.part, plain_name(one.member))
            held.setdefault(identity, []).append(_Member(one, sighting.entry, sighting.line, sighting.held))
    return {identity: _seen(some) for identity, some in held.items()}


def _seen(some: Sequence[_Member]) -> list[Seen]:
    newest: dict[tuple[Line, str], tuple[Snapshot, _Member]] = {}
    for one in some:
        for snapshot in one.held.all:
            known = newest.get((one.line, snapshot.file))
            if known is None or known[1].age < one.age:
                newest[one.line, snapshot.file] = snapshot, one
    stood: dict[tuple[Line, str], list[float]] = {}
    for (line, _), (snapshot, one) in newest.items():
        stood.setdefault((line, one.content), []).append(snapshot.sequence)
    ranks = {one.age: at for at, one in enumerate(sorted(some, key=lambda one: one.age), start=1)}
    seen = []
    for one in some:
        when = stood.get((one.line, one.content))
        if when is None:  # it never was the newest: it was exported before the archive saw the first
            before = one.held.first.sequence - 0.5 + ranks[one.age] / (2 * len(some) + 2)
            span = Span(before, before)
        else:
            span = Span(min(when), max(when))
        member = one.inner.member
        seen.append(
            Seen(
                one.content, one.line, one.held, span, _as_entry(one), member.size,
                _modified(member.modified),
            )
        )  # fmt: skip
    return seen


def _as_entry(one: _Member) -> Entry:
    """The zip, with the game of the member."""
    entry = one.entry
    return Entry(
        entry.emulator, entry.part, entry.home, entry.path, entry.size, entry.modified, entry.sha256,
        one.inner.game, entry.recipe, entry.members,
    )  # fmt: skip


def _modified(text: str) -> int | None:
    """A member's time in nanoseconds; one without an offset is taken as it stands."""
    if not text:
        return None
    return nanoseconds(datetime.fromisoformat(text.removesuffix("Z")).replace(tzinfo=UTC)) // NS * NS
