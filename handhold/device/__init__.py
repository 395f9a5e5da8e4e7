"""Reads a handheld: its volumes, where homes lie on them, and which file belongs to which emulator."""
