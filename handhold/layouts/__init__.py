"""Layouts: where an emulator keeps its data, and what of it is worth keeping."""
