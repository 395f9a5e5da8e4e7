"""How much, in words: one way of saying it in every message."""

from __future__ import annotations


def size(count: int) -> str:
    """Bytes in binary units, to three figures.

    Source: IEC 80000-13, binary prefixes

    >>> size(0), size(1), size(1023), size(1024), size(10 * 1024 + 300), size(5 << 30)
    ('0 B', '1 B', '1023 B', '1.0 KiB', '10 KiB', '5.0 GiB')
    """
    value = float(count)
    if count < 1024:
        return f"{count} B"
    for unit in ("KiB", "MiB", "GiB", "TiB", "PiB"):
        value /= 1024
        if value < 9.95:
            return f"{value:.1f} {unit}"
        if value < 1023.5:
            return f"{value:.0f} {unit}"
    return f"{value:.0f} PiB"
