"""What is made of blocks on their way into an archive: single ones, recipes, and lists of any length."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from io import BytesIO

from handhold.archive import recipe
from handhold.archive.blocks import Sealed, block_id, seal
from handhold.archive.cutting import pieces


class Putting(ABC):
    """Takes sealed blocks, and knows which it has."""

    #: How hard plain bytes are packed.
    level: int

    @abstractmethod
    def known(self, ident: bytes) -> bool:
        """Whether the block is there, and can be had. May be asked by several threads."""

    @abstractmethod
    def named(self, ident: bytes) -> bool:
        """Whether the block is there by name; it need not be looked whether it can be had."""

    @property
    @abstractmethod
    def moment(self) -> int:
        """A number for ``put_all``."""

    @abstractmethod
    def put_all(self, blocks: Iterable[Sealed], moment: int) -> None:
        """Stores blocks, none of which was known when it was asked for, at ``moment`` or since."""

    def put(self, block: Sealed) -> None:
        """Stores a block; does nothing if it is known. Raises ``OwnerError`` if it cannot be written.

        One whose stored form is hurt is stored a second time, so that it can be had again.
        """
        self.put_all((block,), -1)

    def put_plain(self, plain: bytes) -> str:
        """Stores bytes as one block; its hexadecimal id."""
        ident = block_id(plain)
        if not self.known(ident):
            self.put(seal(plain, self.level, ident))
        return ident.hex()

    def put_recipe(self, ranges: Sequence[recipe.Range]) -> str:
        """Stores a recipe; the hexadecimal id of its block.

        Raises ``ValueError`` if a block that it names is not known, or it names too many.
        """
        if not all(self.named(one.id) for one in ranges):
            raise ValueError("a recipe names a block that was not put")
        return self.put_plain(recipe.encode(ranges))

    def put_list(self, data: bytes) -> str:
        """Stores a list that can be longer than a block; the id of its block, or of its recipe."""
        parts = list(pieces(BytesIO(data), len(data)))
        if len(parts) == 1:
            return self.put_plain(data)
        return self.put_recipe(
            [recipe.Range(bytes.fromhex(self.put_plain(part)), 0, len(part)) for part in parts]
        )
