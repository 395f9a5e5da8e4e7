"""A decoder of parity files of our own: slow, from FORMAT.md alone, without handhold's code and without zfec.

The field is GF(2^8) with x^8 + x^4 + x^3 + x^2 + 1, the code is read as the values of a polynomial.
Source: I. S. Reed, G. Solomon, "Polynomial Codes over Certain Finite Fields", Journal of SIAM 8(2), 1960
(a code word is the values of a polynomial at the elements of a finite field)
"""

from __future__ import annotations

import struct
from collections.abc import Mapping

import xxhash

SECTOR = 4096


def product(a: int, b: int) -> int:
    """a times b in the field, by the definition: polynomials over GF(2), remainder by 0x11d."""
    result = 0
    while b:
        if b & 1:
            result ^= a
        a <<= 1
        if a & 0x100:
            a ^= 0x11D
        b >>= 1
    return result


def inverse(a: int) -> int:
    """1 / a, by trying."""
    return next(b for b in range(1, 256) if product(a, b) == 1)


def point(number: int) -> int:
    """Where the polynomial has the value of block ``number``: 0, 1, 2, 4, 8, …"""
    x = 1
    if number == 0:
        return 0
    for _ in range(number - 1):
        x = product(x, 2)
    return x


def value(known: Mapping[int, int], number: int) -> int:
    """The byte of block ``number`` from the bytes of any other blocks, by Lagrange's formula."""
    total = 0
    x = point(number)
    for one, byte in known.items():
        above, below = byte, 1
        for other in known:
            if other != one:
                above = product(above, x ^ point(other))
                below = product(below, point(one) ^ point(other))
        total ^= product(above, inverse(below))
    return total


def read(parity: bytes) -> tuple[str, int, int, int, int, list[int], list[bytes]]:
    """A sound parity file: name, size, stripes, width, spare, checksums, sectors of parity."""
    checks: list[int] = []
    number, count = 0, 1
    while number < count:
        sheet = parity[number * SECTOR : (number + 1) * SECTOR]
        assert sheet[:8] == bytes.fromhex("8948485031 0d0a1a")
        check, here, count, size, stripes = struct.unpack_from("<QIIII", sheet, 8)
        width, spare, length, zero = struct.unpack_from("<HHHH", sheet, 32)
        assert (here, zero) == (number, 0)
        assert xxhash.xxh3_64_intdigest(sheet[16 : 140 + length]) == check
        name = sheet[40:140].rstrip(b"\0").decode()
        checks += struct.unpack_from(f"<{length // 8}Q", sheet, 140)
        number += 1
    sectors = [parity[at * SECTOR : (at + 1) * SECTOR] for at in range(count, count + stripes * spare)]
    return name, size, stripes, width, spare, checks, sectors


def repaired(hurt: bytes, parity: bytes) -> bytes:
    """The file, from what is left of it and its parity file."""
    _, size, stripes, width, spare, checks, extra = read(parity)
    count = -(-size // SECTOR)
    there = [hurt[at * SECTOR : min(size, (at + 1) * SECTOR)] for at in range(count)]
    sound = [xxhash.xxh3_64_intdigest(one) == check for one, check in zip(there, checks, strict=False)]
    out = list(there)
    for at in range(count):
        if sound[at]:
            continue
        stripe = at % stripes
        blocks: dict[int, bytes] = {}
        for position in range(width):
            sector = position * stripes + stripe
            if sector >= count:
                blocks[position] = bytes(SECTOR)
            elif sound[sector]:
                blocks[position] = there[sector].ljust(SECTOR, b"\0")
        for number in range(spare):
            blocks[width + number] = extra[number * stripes + stripe]
        blocks = {key: blocks[key] for key in sorted(blocks)[:width]}
        whole = bytes(
            value({key: data[i] for key, data in blocks.items()}, at // stripes) for i in range(SECTOR)
        )
        out[at] = whole[: size - at * SECTOR]
    return b"".join(out)
