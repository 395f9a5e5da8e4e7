"""How a file's sectors are laid into stripes, and how much parity they get. Pure arithmetic.

Sector ``i`` belongs to stripe ``i % stripes`` and is there number ``i // stripes``: neighbours in the file
lie in different stripes, so that a dead run takes as little as it can from each.
"""

from __future__ import annotations

from typing import NamedTuple

#: What a medium loses at a time, in bytes; larger losses are runs of these.
SECTOR = 4096
#: The longest stripe has so many sectors of the file, and gets so many of parity: 256 together, which is all
#: that the field GF(2^8) has values for.
WIDEST, MOST_SPARE = 240, 16
#: No stripe has fewer sectors of parity.
LEAST_SPARE = 2
#: No larger file has parity (bytes): while parity is made, the whole of it is in memory.
LARGEST_PROTECTED = 256 << 20


class Shape(NamedTuple):
    """``stripes`` stripes, each of up to ``width`` sectors of the file and ``spare`` sectors of parity.

    As many sectors of a stripe can be lost, of the file or of parity, as it has of parity.
    """

    size: int  # bytes of the file
    stripes: int
    width: int
    spare: int

    @property
    def sectors(self) -> int:
        """Sectors of the file; the last one can be shorter than the others."""
        return -(-self.size // SECTOR)

    @property
    def parity_sectors(self) -> int:
        """Sectors of parity."""
        return self.stripes * self.spare

    @property
    def longest_run(self) -> int:
        """The longest dead run, in sectors, that is repaired wherever it lies, if nothing else is hurt."""
        return self.parity_sectors

    @property
    def possible(self) -> bool:
        """Whether parity can have this shape; for one that was read, and may come from a stranger."""
        return (
            0 < self.size <= LARGEST_PROTECTED
            and 0 < self.width <= WIDEST
            and 0 < self.spare <= MOST_SPARE
            and 0 < self.stripes <= self.sectors <= self.stripes * self.width < self.sectors + self.stripes
        )

    def stripe(self, number: int) -> range:
        """The sectors of the file that are in a stripe, in their order."""
        return range(number, self.sectors, self.stripes)


def shape_for(size: int) -> Shape:
    """The shape for a file of ``size`` bytes: stripes as long as can be, all of about one length.

    >>> shape_for(64 << 20)
    Shape(size=67108864, stripes=69, width=238, spare=16)
    >>> shape_for(20_000)
    Shape(size=20000, stripes=1, width=5, spare=2)
    """
    sectors = -(-size // SECTOR)
    stripes = -(-sectors // WIDEST)
    width = -(-sectors // stripes)
    return Shape(size, stripes, width, max(LEAST_SPARE, -(-width * MOST_SPARE // WIDEST)))
