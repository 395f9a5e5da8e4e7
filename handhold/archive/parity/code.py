"""The code over one stripe: Reed-Solomon over GF(2^8), by ``zfec``, which is an extra.

A stripe of ``width`` sectors is taken byte by byte: the bytes at one place are the values of a polynomial of
degree below ``width`` at 0, 1, a, a^2, …, and those of its parity the values at the next powers of a.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib.util import find_spec

from handhold.errors import OwnerError


def can_code() -> bool:
    """Whether the library is there."""
    return find_spec("zfec") is not None


class NoParity(OwnerError):
    """The library that computes parity is not installed."""

    def __init__(self, what: str) -> None:
        super().__init__(
            f"{what} needs the library zfec, which is not installed.",
            "Install handhold with it: pip install 'handhold[parity]'",
        )


def encoded(blocks: Sequence[bytes], spare: int) -> list[bytes]:
    """The parity of a stripe: ``spare`` runs as long as the ``blocks``, which are all of one length."""
    if len(blocks) == 1:
        return [bytes(blocks[0])] * spare  # a polynomial of degree 0
    try:
        from zfec import Encoder
    except ImportError:
        raise NoParity("Making parity") from None
    width = len(blocks)
    made: list[bytes] = Encoder(width, width + spare).encode(blocks, range(width, width + spare))
    return made


def decoded(width: int, spare: int, known: Mapping[int, bytes]) -> list[bytes]:
    """All ``width`` blocks of a stripe from any ``width`` of its blocks, by their numbers; parity comes last.

    Raises ``ValueError`` if they are too few.
    """
    if len(known) < width:
        raise ValueError("more of a stripe is lost than it has parity")
    try:
        from zfec import Decoder
    except ImportError:
        raise NoParity("Repairing from parity") from None
    numbers = sorted(known)[:width]
    found: list[bytes] = Decoder(width, width + spare).decode([known[number] for number in numbers], numbers)
    return found
