"""A writer that takes in only what is missing, whatever is read to find it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from handhold.archive import recipe
from handhold.archive.archive import Archive
from handhold.archive.blocks import Sealed, block_id
from handhold.archive.writer import Writer


class Filling(Writer):
    """Everything but what is ``wanted`` counts as known, so that reading a whole file adds nothing else.

    With ``dry`` nothing is written: ``found`` has what could have been.
    """

    def __init__(self, archive: Archive, *, dry: bool) -> None:
        super().__init__(archive, 3)
        self._dry = dry
        self.wanted: set[bytes] = set()
        self.found: set[bytes] = set()

    def __enter__(self) -> Filling:
        if not self._dry:
            super().__enter__()
        return self

    def want(self, idents: Collection[bytes]) -> None:
        """From here on these are taken in."""
        self.wanted = {ident for ident in idents if ident not in self.found}

    def known(self, ident: bytes) -> bool:
        return ident in self.found or ident not in self.wanted

    def put_all(self, blocks: Iterable[Sealed], moment: int) -> None:
        for block in blocks:
            if self.known(block.id):
                continue
            if not self._dry:
                super().put_all((block,), moment)
            self.found.add(block.id)

    def put_recipe(self, ranges: Sequence[recipe.Range]) -> str:
        plain = recipe.encode(ranges)
        self.put_plain(plain)
        return block_id(plain).hex()
