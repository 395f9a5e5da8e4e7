"""What of an archive is needed: every record of a bundle that some snapshot leads to.

Follows all references that FORMAT.md knows: pages, layouts, lists of games and of a zip's members (a block,
or the recipe of several), blocks and recipes of files. Of a snapshot that was let go only its pages are
needed.
"""

from __future__ import annotations

from handhold.archive import recipe
from handhold.archive.archive import Archive
from handhold.archive.head import Snapshot
from handhold.errors import Damaged, NotNow, OwnerError
from handhold.model import Entry

ADVICE = "handhold verify says what is hurt, and handhold mend repairs what can be repaired."


class Reachable:
    """Which records are needed, and how many blocks are needed and not there.

    Whoever deletes must be sure of what is needed: a page, recipe or list that cannot be read is
    ``Damaged``, for nobody knows what it leads to. A block of content that is in no whole bundle is only
    counted.
    """

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._index = archive.index
        self.needed = bytearray(len(self._index))
        #: The records of the blocks that lie in more than one place.
        self.copies: dict[bytes, tuple[int, ...]] = {}
        self.missing: set[bytes] = set()
        # One block can be several of these, as a save that holds the very bytes of a recipe.
        self._marked: set[bytes] = set()
        self._pages: set[str] = set()
        self._recipes: set[str] = set()
        self._lists: set[str] = set()

    def follow(self, snapshot: Snapshot, *, content: bool = True) -> None:
        """Marks all that a snapshot needs; without ``content``, what it will need when it is let go.

        Raises ``Damaged``, and ``NotNow`` if the archive goes away.
        """
        manifest = self._archive.read(snapshot)
        for page in manifest.pages:
            ident = bytes.fromhex(page.id)
            self._mark(ident)
            if ident in self.missing:
                raise Damaged(f"A list of files of {snapshot.name} is not in the archive.", ADVICE)
            if content and not snapshot.let_go and page.id not in self._pages:
                self._pages.add(page.id)
                for entry in self._archive.page(page.id):
                    self._entry(entry)
        if content:
            for layout in manifest.layouts.values():
                self._mark(bytes.fromhex(layout))
            if manifest.games is not None:
                self._list(manifest.games.list)

    def _entry(self, entry: Entry) -> None:
        if entry.members is not None:
            self._list(entry.members)
        if not entry.size:
            return
        if entry.recipe is None:
            self._mark(bytes.fromhex(entry.sha256))
        else:
            self._recipe(entry.recipe, f"{entry.path} ({entry.emulator})")

    def _list(self, ident: str) -> None:
        if ident in self._lists:
            return
        self._lists.add(ident)
        if self._read(ident, "a list").startswith(recipe.MAGIC):
            self._recipe(ident, "a list")
        else:
            self._mark(bytes.fromhex(ident))

    def _recipe(self, ident: str, what: str) -> None:
        if ident in self._recipes:
            return
        self._recipes.add(ident)
        try:
            ranges = recipe.decode(self._read(ident, what))
        except ValueError as error:
            raise Damaged(f"What {what} is made of cannot be read: {error}.", ADVICE) from error
        self._mark(bytes.fromhex(ident))
        for one in ranges:
            self._mark(one.id)

    def _read(self, ident: str, what: str) -> bytes:
        try:
            return self._archive.block(ident)
        except NotNow:
            raise
        except OwnerError as error:
            raise Damaged(f"What {what} is made of cannot be read: {error.what}", ADVICE) from error

    def _mark(self, ident: bytes) -> None:
        if ident in self._marked:
            return
        self._marked.add(ident)
        numbers = tuple(self._index.numbers(ident))
        for number in numbers:
            self.needed[number] = 1
        if len(numbers) > 1:
            self.copies[ident] = numbers
        elif not numbers:
            self.missing.add(ident)
