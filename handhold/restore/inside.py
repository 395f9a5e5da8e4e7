"""What lies in the zips of a snapshot, as their layouts see it: the part and the game of each member."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

from handhold.errors import OwnerError
from handhold.model import Entry, Part

if TYPE_CHECKING:
    from handhold.archive.archive import Archive
    from handhold.archive.manifest import Manifest
    from handhold.archive.members import Member
    from handhold.layouts.layout import Layout


class Inner(NamedTuple):
    """One member of a zip, and what it is."""

    member: Member
    part: Part
    game: str | None


class Inside:
    """Looks into the zips of one snapshot; ``layouts`` are those that the owner has now, which win.

    Zips whose list is hurt hold nothing here; they stand in ``hurt``.
    """

    def __init__(self, archive: Archive, manifest: Manifest, layouts: Mapping[str, Layout]) -> None:
        self._archive = archive
        self._manifest = manifest
        self._layouts: dict[str, Layout | None] = dict(layouts)
        self._seen: dict[str, tuple[Inner, ...]] = {}
        self.hurt: list[str] = []

    def of(self, entry: Entry) -> tuple[Inner, ...]:
        """The members of a zip, without mere folders; nothing for what is no zip."""
        if entry.members is None:
            return ()
        key = f"{entry.emulator} {entry.part} {entry.game} {entry.members}"
        if key not in self._seen:
            try:
                members = self._archive.members(entry)
            except OwnerError as error:
                self.hurt.append(error.what)
                members = ()
            layout = self.layout(entry.emulator)
            self._seen[key] = tuple(inner(one, entry, layout) for one in members if not one.is_folder)
        return self._seen[key]

    def layout(self, emulator: str) -> Layout | None:
        """The layout of an emulator: the owner's, or else the one that was stored with the snapshot."""
        if emulator not in self._layouts:
            from handhold.layouts.stored import from_stored

            self._layouts[emulator] = None
            try:
                stored = self._archive.layout(self._manifest, emulator)
                if stored is not None:
                    self._layouts[emulator] = from_stored(stored)
            except (OwnerError, ValueError):
                pass  # without a layout every member is of the part of its zip
        return self._layouts[emulator]


def plain_name(member: Member) -> str:
    """The name without the ``./`` that some writers put before each (common practice, no source)."""
    name = member.name
    while name.startswith("./"):
        name = name[2:]
    return name


def inner(member: Member, entry: Entry, layout: Layout | None) -> Inner:
    """What a member is: by the layout's rules, else of the part and the game of its zip. Pure."""
    verdict = layout.member(plain_name(member)) if layout is not None else None
    if verdict is None or verdict.part is None:
        return Inner(member, entry.part, entry.game)
    return Inner(member, verdict.part, verdict.game or entry.game)
