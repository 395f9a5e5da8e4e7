"""A tiny program for a handheld of the late eighties: a cartridge that counts in its battery-backed memory.

It is assembled here, byte by byte, and holds nothing that anybody else wrote: the area for the maker's
picture stays zero, which the emulator library's own start-up program does not mind.

The cartridge's first four bytes of save memory hold two numbers, low byte first:

- 0 and 1: the frames that it has shown, counted once per picture;
- 2 and 3: how many times it was switched on, so the evenings.
"""

# Source: Pan Docs, "The Cartridge Header", "MBC1" and "LCD Status Registers" (gbdev.io/pandocs); from memory.
# Source: "Game Boy CPU (SM83) instruction set" (gbdev.io/gb-opcodes); from memory.

from __future__ import annotations

TITLE = b"LAMPLIGHTER"
SAVE_SIZE = 8 * 1024  # bytes of save memory that the header asks for
PROGRAM_SIZE = 32 * 1024

_ENTRY = bytes.fromhex("00 C3 50 01")  # do nothing; jump to 0150

_PROGRAM = bytes.fromhex(
    "F3"  # no interrupts
    "3E 0A  EA 00 00"  # 0A at 0000 opens the save memory, which lies at A000
    "3E 91  E0 40"  # screen on
    "FA 02 A0  C6 01  EA 02 A0"  # one evening more: low byte,
    "FA 03 A0  CE 00  EA 03 A0"  # and the carry into the high byte
    "F0 44  FE 90  20 FA"  # wait until line 144, the first below the picture
    "FA 00 A0  C6 01  EA 00 A0"  # one frame more
    "FA 01 A0  CE 00  EA 01 A0"
    "F0 44  FE 90  28 FA"  # wait until that line is over
    "18 E0"  # back to the wait for line 144
)


def make_cartridge() -> bytes:
    """The whole program as the emulator reads it, with a header that is in order."""
    cartridge = bytearray(PROGRAM_SIZE)
    cartridge[0x0100:0x0104] = _ENTRY
    cartridge[0x0134 : 0x0134 + len(TITLE)] = TITLE
    cartridge[0x0147] = 0x03  # a chip that switches memory, save memory, a battery
    cartridge[0x0148] = 0x00  # 32 KiB of program
    cartridge[0x0149] = 0x02  # 8 KiB of save memory
    cartridge[0x0150 : 0x0150 + len(_PROGRAM)] = _PROGRAM
    cartridge[0x014D] = -sum(byte + 1 for byte in cartridge[0x0134:0x014D]) & 0xFF  # the header's own check
    whole = sum(cartridge) & 0xFFFF
    cartridge[0x014E:0x0150] = whole.to_bytes(2, "big")  # over all bytes but these two, which are still zero
    return bytes(cartridge)
