"""What snapshots need and cannot have: the blocks, and the files that cannot be given back without them."""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from handhold.archive import members, pages, recipe
from handhold.archive.archive import Archive
from handhold.archive.manifest import Manifest
from handhold.errors import Damaged, NotNow
from handhold.model import Entry

#: Gives a block's plain bytes, None if it cannot be had.
Read = Callable[[bytes], bytes | None]


class Needs(msgspec.Struct):
    """``missing`` are blocks that are needed and cannot be had; ``entries`` are the files that need them."""

    missing: set[bytes] = set()
    entries: list[Entry] = []
    #: Manifests that cannot be read: what they need is not known.
    unknown: list[str] = []


def needs_of(archive: Archive, have: Callable[[bytes], bool], read: Read) -> Needs:
    """Follows every snapshot to its blocks; ``have`` says whether one can be had. Raises ``NotNow``."""
    walk = _Walk(have, read)
    for one in archive.records():
        try:
            manifest = archive.read(one)
        except NotNow:
            raise
        except Damaged:
            walk.needs.unknown.append(one.file)
        else:
            walk.follow(manifest)
    walk.needs.unknown += archive.unreadable
    return walk.needs


class _Walk:
    def __init__(self, have: Callable[[bytes], bool], read: Read) -> None:
        self._have = have
        self._read = read
        self.needs = Needs()
        self._seen: set[str] = set()
        self._listed: set[str] = set()
        self._recipes: dict[str, bool] = {}

    def follow(self, manifest: Manifest) -> None:
        for page in manifest.pages:
            if page.id not in self._seen:
                self._seen.add(page.id)
                data = self._get(page.id)
                if data is not None and not manifest.snapshot.let_go:
                    self._page(data)
        for layout in manifest.layouts.values():
            self._block(layout)
        if manifest.games is not None:
            self._list(manifest.games.list)

    def _page(self, data: bytes) -> None:
        try:
            entries = pages.decode(data)
        except ValueError:
            return  # it is what its name says, and still no page: nothing can mend that
        for entry in entries:
            whole = True
            if entry.members is not None:
                whole = self._list(entry.members)
            if entry.recipe is not None:
                whole = self._recipe(entry.recipe) and whole
            elif entry.size:
                whole = self._block(entry.sha256) and whole
            if not whole:
                self.needs.entries.append(entry)

    def _block(self, ident: str) -> bool:
        key = bytes.fromhex(ident)
        if self._have(key):
            return True
        self.needs.missing.add(key)
        return False

    def _get(self, ident: str) -> bytes | None:
        return self._read(bytes.fromhex(ident)) if self._block(ident) else None

    def _recipe(self, ident: str) -> bool:
        if ident not in self._recipes:
            data = self._get(ident)
            self._recipes[ident] = data is not None and self._parts(data)
        return self._recipes[ident]

    def _parts(self, data: bytes) -> bool:
        try:
            ranges = recipe.decode(data)
        except ValueError:
            return True
        lacking = [ident for ident in {one.id for one in ranges} if not self._block(ident.hex())]
        return not lacking

    def _list(self, ident: str) -> bool:
        """A list of games or members: a block, or the recipe of several."""
        data = self._get(ident)
        if data is not None and ident not in self._listed:
            self._listed.add(ident)
            if data.startswith(recipe.MAGIC) and len(data) <= members.LARGEST_LIST:
                return self._recipe(ident)
        return data is not None
