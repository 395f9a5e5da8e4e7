"""What of a snapshot can still be read, where its archive is hurt; and no more of it than is needed."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence

from handhold.archive.archive import Archive
from handhold.archive.manifest import Manifest, PageRef
from handhold.archive.searching import Glance
from handhold.errors import Damaged, UnknownName, WrongInput
from handhold.model import Entry
from handhold.restore.inside import Inner
from handhold.restore.select import Chosen, Fits, Selection, choose, title, words_of


class Listed:
    """The entries of every list of files that can be read; ``hurt`` is the number of lists that cannot.

    ``Archive.entries`` stops at the first one that is hurt; a restore goes on with the rest and says so.
    Nothing is read before it is asked for.
    """

    def __init__(self, archive: Archive, manifest: Manifest) -> None:
        self._archive = archive
        self._manifest = manifest
        self._every: list[Entry] | None = None
        self.hurt = 0

    def __iter__(self) -> Iterator[Entry]:
        return iter(self.every())

    def every(self) -> list[Entry]:
        """All of them, by key. Raises ``Damaged`` if there are lists, and all are hurt."""
        if self._every is None:
            self._every = self._together(map(self._page, self._manifest.pages))
        if self.hurt and not self._every:
            raise Damaged(
                f"None of the lists of files of {self._manifest.snapshot.name} can be read.",
                "handhold verify says what is hurt; restore another night.",
            )
        return self._every

    def fitting(self, fits: Callable[[Glance | Entry], bool], words: Collection[str]) -> list[Entry]:
        """Those that fit, by key; only what has one of the ``words`` can fit (see ``searching.Search``)."""
        return self._together(self._archive.search_all(self._manifest.pages, fits, words))

    def _page(self, page: PageRef) -> Sequence[Entry] | None:
        """What a page lists; None if it cannot be read, or is not the one that the manifest means."""
        try:
            found = self._archive.page(page.id)
        except Damaged:
            return None
        return found if len(found) == page.entries else None

    def _together(self, found: Iterable[Sequence[Entry] | None]) -> list[Entry]:
        entries: list[Entry] = []
        self.hurt = 0
        for some in found:
            # Not the list that the manifest means if it does not come behind the one before.
            if some is None or (some and entries and some[0].key <= entries[-1].key):
                self.hurt += 1
            else:
                entries.extend(some)
        return entries


def choose_of(listed: Listed, selection: Selection, inside: Callable[[Entry], tuple[Inner, ...]]) -> Chosen:
    """What a selection picks of a snapshot, as ``choose`` does.

    Where it names games or paths, only what speaks of them is decoded; all is where that picks nothing, for
    the names that there are.
    """
    words = words_of(selection.games or selection.paths)
    if words:
        fits = Fits(selection)

        def speaks(one: Glance | Entry) -> bool:
            return one.members is not None or (fits.game(title(one.game, one.path)) and fits.path(one.path))

        try:
            return choose(listed.fitting(speaks, words), selection, inside)
        except (UnknownName, WrongInput):
            pass  # it is said below, with all the names that there are
    try:
        return choose(listed.every(), selection, inside)
    except WrongInput as error:
        if listed.hurt:  # there it may be
            lists = "A list" if listed.hurt == 1 else f"{listed.hurt} lists"
            told = f"{lists} of files cannot be read; handhold verify says what is hurt."
            error.advice = f"{told} {error.advice}".strip()
        raise
